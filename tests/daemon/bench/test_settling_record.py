"""When a point has been read long enough, and when it never will be."""

import inspect
from dataclasses import replace
from math import exp, sqrt
from statistics import fmean
from threading import Event

import numpy as np
import pytest
from scipy.stats import t as student

from config.model import RangeReading, Reading
from daemon.bench import sequence, settling
from daemon.bench.clock import VirtualClock
from daemon.bench.driver import Window
from daemon.bench.measuring_plan import RangeSetup
from daemon.bench.sequence import Progress, measure
from daemon.bench.settling import Record
from daemon.metrology import FEWEST
from tests.daemon.bench.fakes import READING, FakeBench, open_bench

TAU_S = 0.05
NEAR = Window(low=8e-6, high=10e-6)


def setup(**how: object) -> RangeSetup:
    reading = READING.model_copy(update=how)
    bench = open_bench(FakeBench(), reading=reading)
    return bench.setups["R12"]


def feed(record: Record, at_s: float, output: float) -> None:
    record.add(at_s=at_s, reference=9e-6, output=output)


def settling_volts(at_s: float) -> float:
    flicker = 1e-7 if round(at_s * 100) % 2 else -1e-7
    return 0.9 * (1 - exp(-at_s / TAU_S)) + flicker


def test_a_record_ends_long_before_the_movement_does() -> None:
    record = Record(setup())
    at_s = 0.0
    while (found := record.found(NEAR)) is None:
        at_s += 0.01
        feed(record, at_s, settling_volts(at_s))
    assert found.rest.value == pytest.approx(0.9, rel=20e-6)
    assert 3 * TAU_S < at_s < 7 * TAU_S
    assert abs(found.rest.departure) > 1e-4


OLD = 1.8e-10


def zeros(references: list[float]) -> Record:
    """Return the record of a zero at which a living output and so many were read."""
    record = Record(setup(), OLD)
    for step, reference in enumerate(references, 1):
        record.add(
            at_s=0.01 * step, reference=reference, output=1e-6 * (-1) ** (step % 2)
        )
    return record


def test_an_old_reading_of_the_reference_is_passed_over_at_zero() -> None:
    """It is a zero as well, that of another range of the meter."""
    at_zero = Window(low=-1e-9, high=1e-9)
    assert zeros([OLD] * 6).found(at_zero) is None
    found = zeros([OLD] * 6 + [4.4e-11, 4.6e-11, 4.5e-11, 4.4e-11]).found(at_zero)
    assert found is not None
    assert found.first >= 6


def test_a_reference_that_shows_nothing_else_is_believed_in_the_end() -> None:
    at_zero = Window(low=-1e-9, high=1e-9)
    readings = int(setup().settle_s / 0.01) + 2
    assert zeros([OLD] * readings).found(at_zero) is not None


def test_a_process_that_was_suspended_goes_on_where_it_was() -> None:
    """An hour in which nobody read is no hour of patience."""
    record = Record(setup())
    for step in range(1, 6):
        feed(record, 0.01 * step, settling_volts(0.01 * step))
    at_s = 3600.0
    while (found := record.found(NEAR)) is None:
        assert not record.hopeless
        at_s += 0.01
        feed(record, at_s, settling_volts(at_s))
    assert found.rest.value == pytest.approx(0.9, rel=20e-6)


def test_a_display_that_shows_one_number_is_watched_for_all_of_settle_s() -> None:
    record = Record(setup())
    at_s = 0.0
    while record.found(NEAR) is None:
        at_s += 0.01
        feed(record, at_s, 0.9)
    assert record.watched_s >= 0.5


def test_a_reference_that_still_read_the_level_before_is_left_out() -> None:
    """A loaded machine reads seldom: the output is at rest, its reference is not."""
    record = Record(setup())
    record.add(at_s=0.0, reference=0.0, output=0.9 + 2e-3)
    place = 0
    while (found := record.found(NEAR)) is None:
        place += 1
        assert place < 30
        noise = 4e-7 * ((place * 7) % 5 - 2)
        record.add(at_s=0.5 * place, reference=9e-6, output=0.9 + noise)
    assert min(record.reference[found.first :]) == 9e-6
    assert found.rest.value == pytest.approx(0.9, rel=20e-6)


def test_a_reference_that_steps_at_one_level_is_no_mean_of_both() -> None:
    """A step looks like a quick movement; its mean would be half of it."""
    record = Record(setup())
    flicker = (0.0, 3e-12, -2e-12)
    place = 0
    while (found := record.found(NEAR)) is None:
        place += 1
        assert place < 30
        reference = 9e-6 + flicker[place % 3] + (0 if place == 1 else 2e-9)
        output = 0.9 + 4e-7 * ((place * 7) % 5 - 2)
        record.add(at_s=0.02 * place, reference=reference, output=output)
    taken = record.reference[found.first :]
    assert max(taken) - min(taken) < 1e-11


def test_noise_is_averaged_until_it_is_what_was_wanted() -> None:
    counts = []
    for wanted in (200.0, 20.0):
        record = Record(setup(wanted_uncertainty_ppm=wanted))
        place = 0
        while record.found(NEAR) is None:
            place += 1
            feed(record, 0.01 * place, 0.9 + 1e-4 * (-1) ** place)
        counts.append(place)
    assert counts[0] < counts[1]


def fewest(noise_ppm: float, wanted_ppm: float, accuracy_ppm: float, most: int) -> int:
    """Return how many readings whoever knows their scatter would take at rest."""
    for count in range(FEWEST, most):
        # JCGM 100:2008, G.3.2: twice it covers what two standard deviations do.
        widened = float(student.ppf(0.97725, count - 1)) / 2
        left_ppm = widened * noise_ppm / sqrt(count)
        # A quarter of what the meters leave adds a twentieth (readings below 30: from
        # which scatter is not known well enough to say so).
        if left_ppm <= wanted_ppm or (count >= 30 and left_ppm <= accuracy_ppm / 4):
            return count
    return most


@pytest.mark.source("JCGM 100:2008, G.3.2; the optimum worked out anew")
@pytest.mark.parametrize(
    ("wanted_ppm", "accuracy_ppm", "noise_ppm"),
    [
        (10.0, 20.0, 40.0),  # ended by what is wanted
        (25.0, 100.0, 160.0),
        (50.0, 20.0, 320.0),
        (10.0, 400.0, 320.0),  # by the meters' accuracy
        (10.0, 100.0, 1000.0),  # by the most that is allowed
    ],
)
def test_noise_takes_no_more_than_three_tenths_beyond_the_optimum(
    wanted_ppm: float, accuracy_ppm: float, noise_ppm: float
) -> None:
    """Where it asks for more readings than the three or four of settling's model."""
    how = replace(setup(wanted_uncertainty_ppm=wanted_ppm), accuracy_ppm=accuracy_ppm)
    most = how.reading.most_readings_per_point
    best = fewest(noise_ppm, wanted_ppm, accuracy_ppm, most)
    assert best >= 15
    taken = []
    for seed in range(6):
        chance, record = np.random.default_rng(seed), Record(how)
        place = 0
        while record.found(NEAR) is None:
            place += 1
            off = noise_ppm * 1e-6 * chance.standard_normal()
            feed(record, 0.02 * place, 0.9 * (1 + off))
        taken.append(place)
    assert fmean(taken) <= 1.3 * best


def test_a_range_has_its_own_plan() -> None:
    own = RangeReading(readings_per_point=9, linearity_levels=(0.5,))
    reading = Reading(ranges={"R12": own})
    setups = open_bench(FakeBench(), reading=reading).setups
    assert setups["R12"].reading.readings_per_point == 9
    assert setups["R12"].levels == pytest.approx((0.0, 5e-6, 9e-6, 0.0))
    assert setups["R13"].levels == pytest.approx((0.0, 9e-5, 0.0))


def test_a_reversal_is_measured_and_the_source_returns_to_zero() -> None:
    fake = FakeBench()
    reading = Reading(offset="three-point reversal")
    clock = VirtualClock()
    with open_bench(fake, reading=reading, clock=clock) as bench:
        (one,) = measure(bench, ["R12"], clock, stop=Event(), progress=lambda _: None)
    assert [p.level for p in one.points] == pytest.approx([-9e-6, 9e-6, -9e-6])
    assert fake.level == 0.0


def test_an_hour_between_two_points_disturbs_nothing() -> None:
    clock = VirtualClock()

    def sleep(progress: Progress) -> None:
        if progress.done == 2:
            clock.wait_s(3600.0)

    with open_bench(FakeBench(), clock=clock) as bench:
        (one,) = measure(bench, ["R12"], clock, stop=Event(), progress=sleep)
    assert one.points[1].output == pytest.approx((0.9,) * 3)


def test_nothing_in_the_measuring_path_waits_for_a_fixed_time() -> None:
    """One wait keeps quick meters from being asked too often; it has a bound.

    The other is before a person reads both meters: a unit has its time by then.
    """
    source = inspect.getsource(sequence) + inspect.getsource(settling)
    assert "sleep" not in source
    assert source.count("wait_s(") == 2
    clock = VirtualClock()
    fake = FakeBench()
    slow = fake.answer

    def answer(role: str, text: str) -> str:
        if text == "READ?":
            clock.wait_s(0.02)  # as long as one power-line cycle
        return slow(role, text)

    fake.answer = answer  # type: ignore[method-assign]
    began_s = clock.now_s()
    with open_bench(fake, clock=clock) as bench:
        measure(bench, ["R12"], clock, stop=Event(), progress=lambda _: None)
    readings = sum(text == "READ?" for _, text in fake.sent)
    assert clock.now_s() - began_s == pytest.approx(0.02 * readings)
