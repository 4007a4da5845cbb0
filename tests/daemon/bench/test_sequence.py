"""The order of what happens to a unit, and that the source ends off."""

from collections.abc import Callable
from threading import Event

import pytest

from config.model import Reading
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import (
    FrozenError,
    ImplausibleError,
    NoAnswerError,
    OutputLostError,
    OutputNotOffError,
    SelectorError,
    StoppedError,
    UnknownRangeError,
    UnsettledError,
)
from daemon.bench.readings import RangeReadings
from daemon.bench.sequence import Progress, measure
from tests.daemon.bench.fakes import (
    PROFILES,
    RANGES,
    READING,
    FakeBench,
    no_answer,
    open_bench,
    settings,
)

ALL = tuple(RANGES)


def ignore(progress: Progress) -> None:
    del progress


def run(
    fake: FakeBench,
    *ranges: str,
    reading: Reading = READING,
    stop: Event | None = None,
    progress: Callable[[Progress], None] = ignore,
) -> list[RangeReadings]:
    clock = VirtualClock()
    with open_bench(fake, reading=reading, clock=clock) as bench:
        return measure(
            bench,
            ranges or ALL,
            clock,
            stop=stop or Event(),
            progress=progress,
        )


def test_ranges_come_lowest_full_scale_first_with_zero_level_zero() -> None:
    measured = run(FakeBench())
    assert [one.range for one in measured] == ["R11", "R12", "R13", "R14"]
    for one in measured:
        assert [p.level for p in one.points] == pytest.approx(
            [0.0, 0.9 * RANGES[one.range], 0.0]
        )


def test_each_reading_has_a_reference_an_output_and_a_time() -> None:
    for one in run(FakeBench(), reading=Reading(readings_per_point=5)):
        for point in one.points:
            assert len(point.reference) == len(point.output) == len(point.at_s) == 5


def test_the_source_is_prepared_in_the_safe_order() -> None:
    """Off first thing; compliance before on; zero before on; off at the end."""
    fake = FakeBench()
    run(fake, "R12")
    words = [
        one for one in fake.commands("source") if one.startswith(("OUTP ", "SOUR"))
    ]
    assert words == [
        "OUTP OFF",
        "SOUR:FUNC CURR",
        "SOUR:CURR:LEV 0",
        "SOUR:VOLT:PROT 10",
        "OUTP ON",
        "SOUR:CURR:LEV 0",
        "SOUR:CURR:LEV 8e-07",  # proves the range
        "SOUR:CURR:LEV 9e-06",
        "SOUR:CURR:LEV 0",
        "OUTP OFF",
        "OUTP OFF",
    ]


def test_a_range_is_selected_at_level_zero_with_the_source_connected() -> None:
    fake = FakeBench()
    at_selection = []

    def select() -> str:
        at_selection.append((fake.level, fake.on))
        return "1"

    fake.answers["selector", "ROUT:OPEN:ALL"] = select
    run(fake)
    assert at_selection == [(0.0, True)] * 4


def test_reference_and_output_are_read_in_pairs_whose_order_alternates() -> None:
    fake = FakeBench()
    run(fake, "R11")
    readers = [who for who, text in fake.sent if text == "READ?"]
    first = [readers.pop(0), readers.pop(0)]  # dropped after the range was set
    assert first == ["reference", "output"]
    pair, turned = ["reference", "output"], ["output", "reference"]
    assert readers == (pair + turned + pair) * 3


def test_each_product_range_uses_the_smallest_meter_ranges_that_hold_it() -> None:
    fake = FakeBench()
    measured = run(fake)
    assert [one.reference_full_scale for one in measured] == [1e-6, 1e-5, 1e-4, 1e-3]
    assert [one.output_full_scale for one in measured] == [1.0] * 4
    assert [c for c in fake.commands("output") if c.startswith("CONF")] == [
        "CONF:VOLT:DC 1"
    ]


def test_volts_across_a_standard_resistor_are_divided_by_its_ohms() -> None:
    """Common practice, no source: the current is the volts over the ohms."""
    fake = FakeBench(standard_ohm=1000.0)
    (one,) = run(fake, "R14")
    assert one.points[1].reference == pytest.approx((0.9e-3,) * 3)
    assert one.reference_full_scale == 1.0
    assert "CONF:VOLT:DC 1" in fake.commands("reference")


def test_a_wrong_gain_shows_in_the_output_and_not_in_the_reference() -> None:
    (one,) = run(FakeBench(gain_error_ppm=3000.0), "R13")
    assert one.points[1].output == pytest.approx((0.9 * 1.003,) * 3)
    assert one.points[1].reference == pytest.approx((90e-6,) * 3)


def test_a_range_that_settled_at_once_is_not_waited_for() -> None:
    (one,) = run(FakeBench(), "R12")
    first = [point.at_s[0] for point in one.points]
    assert first[1] - first[0] < 0.1 * 0.5  # of the settle_s of 0.5 s


def test_the_ambient_is_read_once_a_unit() -> None:
    fake = FakeBench()
    assert {one.ambient_c for one in run(fake)} == {23.4}
    assert fake.commands("ambient").count("MEAS:TEMP?") == 1


def test_progress_counts_every_point() -> None:
    seen: list[Progress] = []
    run(FakeBench(), progress=seen.append)
    assert [one.done for one in seen] == list(range(1, 13))
    assert {one.points for one in seen} == {12}
    assert seen[1].point.level == pytest.approx(0.9e-6)


def test_stop_ends_the_measurement_with_the_source_off() -> None:
    fake, stop = FakeBench(), Event()

    def stop_at_fifth(progress: Progress) -> None:
        if progress.done == 5:
            stop.set()

    with pytest.raises(StoppedError):
        run(fake, stop=stop, progress=stop_at_fifth)
    assert not fake.on
    assert fake.highest == pytest.approx(9e-6)


@pytest.mark.parametrize("stray", [KeyboardInterrupt, RuntimeError, SystemExit])
def test_any_exception_leaves_the_source_off(stray: type[BaseException]) -> None:
    fake = FakeBench()

    def raise_at_level(progress: Progress) -> None:
        if progress.point.level:
            assert fake.on
            raise stray

    with pytest.raises(stray):
        run(fake, progress=raise_at_level)
    assert not fake.on


def test_a_meter_that_falls_silent_leaves_the_source_off() -> None:
    fake = FakeBench()
    fake.answers["output", "READ?"] = no_answer("output")
    with pytest.raises(NoAnswerError):
        run(fake)
    assert not fake.on


def test_a_source_that_stays_on_is_said_whatever_happened_before() -> None:
    fake = FakeBench()
    clock = VirtualClock()
    bench = open_bench(fake, clock=clock)
    fake.deaf_to_off = True
    fake.answers["output", "READ?"] = no_answer("output")
    with pytest.raises(OutputNotOffError, match="take it as live"):
        measure(bench, ALL, clock, stop=Event(), progress=ignore)


def test_an_output_that_went_off_by_itself_is_noticed_at_the_next_level() -> None:
    fake = FakeBench()

    def lose(progress: Progress) -> None:
        if progress.done == 1:
            fake.on = False

    with pytest.raises(OutputLostError):
        run(fake, progress=lose)
    assert fake.highest == 0.0


def test_a_source_at_its_compliance_is_not_recorded() -> None:
    fake = FakeBench()
    fake.answers["reference", "READ?"] = "1.2e-09"
    with pytest.raises(ImplausibleError) as caught:
        run(fake, "R12")
    assert caught.value.role == "reference"


def test_reversed_output_leads_are_not_recorded() -> None:
    fake = FakeBench(gain_error_ppm=-2e6)
    with pytest.raises(ImplausibleError, match="check the leads") as caught:
        run(fake, "R12")
    assert caught.value.role == "output"
    assert str(caught.value).startswith("range 1e-05 A: output (fake output)")


def test_a_dead_output_is_the_unit_s_own_error_and_recorded() -> None:
    (one,) = run(FakeBench(gain_error_ppm=-1e6, offset_v=-1e-3), "R12")
    assert one.points[1].output == pytest.approx((-1e-3,) * 3, rel=1e-5)


def test_an_output_that_shows_the_same_digits_at_two_levels_is_not_recorded() -> None:
    """A meter that repeats an old reading and a dead output cannot be told apart."""
    fake = FakeBench(gain_error_ppm=-1e6, offset_v=-1e-3, flicker=0.0)
    with pytest.raises(
        FrozenError, match=r"range .* A, source at zero: the output reads"
    ):
        run(fake, "R12")
    assert not fake.on


def test_halting_from_outside_keeps_the_source_off_until_resumed() -> None:
    fake = FakeBench()
    clock = VirtualClock()
    bench = open_bench(fake, clock=clock)

    def halt(progress: Progress) -> None:
        if progress.done == 2:
            bench.halt()

    with pytest.raises(StoppedError):
        measure(bench, ALL, clock, stop=Event(), progress=halt)
    assert not fake.on
    with pytest.raises(StoppedError):
        measure(bench, ALL, clock, stop=Event(), progress=ignore)
    assert not fake.on
    bench.resume()
    assert len(measure(bench, ALL, clock, stop=Event(), progress=ignore)) == 4


def test_several_ranges_without_a_selector_are_refused() -> None:
    fake = FakeBench()
    by_hand = settings().model_copy(update={"selector": None})
    clock = VirtualClock()
    bench = open_bench(fake, bench=by_hand, clock=clock)
    with pytest.raises(SelectorError, match="1e-06 A, 1e-05 A"):
        measure(bench, ["R11", "R12"], clock, stop=Event(), progress=ignore)
    assert not fake.on


def test_a_range_that_the_product_has_not_is_named_with_those_it_has() -> None:
    with pytest.raises(UnknownRangeError, match=r"unknown range R15; .* R11, R12"):
        run(FakeBench(), "R11", "R15")


def test_an_old_reading_repeated_at_a_new_level_is_passed_over() -> None:
    fake = FakeBench()
    seen = 0

    def read() -> str:
        nonlocal seen
        seen += 1
        stuck = 4 < seen <= 8  # of the level, after one to drop and three of zero
        return f"{0.0 if stuck or not fake.level else 0.9 + 1e-9 * (seen % 2):.9f}"

    fake.answers["output", "READ?"] = read
    (one,) = run(fake, "R11")
    rest = one.points[1].rest
    assert rest is not None
    assert rest.value == pytest.approx(0.9, rel=1e-6)


def test_a_range_that_never_comes_to_rest_is_not_recorded() -> None:
    fake, moved = FakeBench(), iter(range(10**6))
    fake.answers["output", "READ?"] = lambda: f"{1e-5 * next(moved):.6f}"
    with pytest.raises(
        UnsettledError, match=r"range .* A, source at zero: after 1\.5\d* s"
    ):
        run(fake, "R11")
    assert not fake.on


def run_watched(fake: FakeBench) -> None:
    """Measure with a source whose own watchdog is patient for 0.2 s."""
    watchdog = PROFILES["watched"].watchdog
    assert watchdog is not None
    short = PROFILES["watched"].model_copy(
        update={"watchdog": watchdog.model_copy(update={"seconds": 0.2})}
    )
    source = settings().source.model_copy(update={"profile": "short"})
    with open_bench(
        fake,
        bench=settings().model_copy(update={"source": source}),
        clock=fake.clock,
        profiles=PROFILES | {"short": short},
    ) as bench:
        measure(bench, ALL, fake.clock, stop=Event(), progress=ignore)


def test_a_source_with_a_watchdog_is_spoken_to_while_a_range_settles() -> None:
    fake = FakeBench()
    run_watched(fake)
    sent = fake.commands("source")
    assert sent.index("OUTP:HOLD 0.2") < sent.index("OUTP ON")
    assert sent[-1] == "OUTP:HOLD 0"


def test_a_measurement_that_hangs_ends_with_the_source_off_by_itself() -> None:
    """Nothing else speaks for it: a meter that takes too long loses the point."""
    fake = FakeBench()

    def slow() -> str:
        fake.clock.wait_s(0.3)
        return "0.0"

    fake.answers["output", "READ?"] = slow
    with pytest.raises(OutputLostError):
        run_watched(fake)


def test_a_source_without_a_watchdog_is_left_alone_while_a_range_settles() -> None:
    fake = FakeBench()
    run(fake, "R12")
    # Read back at opening, turning on, before each of four levels, and twice off.
    assert fake.commands("source").count("OUTP?") == 8


@pytest.mark.parametrize(
    ("spread", "said"),
    [(0.02, "differ by 20 mV, more than 10 mV;"), (0.000363791, "still move, by 36")],
)
def test_readings_at_no_rest_are_said_to_differ_only_by_more_than_allowed(
    spread: float, said: str
) -> None:
    text = str(
        UnsettledError(
            range_="1 mA", level="zero", spread=spread, allowed=0.01, within_s=1.5
        )
    )
    assert f"readings {said}" in text
    assert ("more than" in text) == (spread > 0.01)
