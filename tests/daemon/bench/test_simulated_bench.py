"""The bench's hands on the simulated bench, through the line's own care."""

import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Event

import numpy as np
import pytest

import daemon.bench
from config.model import Settings
from daemon.bench.bench import Bench
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import BenchError, InstrumentError, OutputLostError
from daemon.bench.readings import RangeReadings
from daemon.bench.retry import NEVER, USUAL, Retry
from daemon.bench.sequence import Progress, measure
from daemon.bench.series import series_of
from daemon.bench.wire import by_address
from daemon.metrology.transfer import Transfer
from daemon.simulator.direct import DirectBench
from daemon.simulator.faults import Fault, FaultKind, draw_fault
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import story
from tests.daemon.simulator.benches import CLEAN, IDEAL

LEFT_TO_THE_CHECK_STANDARD = {FaultKind.DRIFT, FaultKind.STEP}
"""A meter range that is a little wrong reads like a unit that is."""


@dataclass(frozen=True)
class Line:
    """A rig, the bench that was opened on it, and their clock."""

    rig: Rig
    bench: Bench
    clock: VirtualClock

    def measure(self, *, stop: Event | None = None) -> list[RangeReadings]:
        settings = self.rig.settings
        return measure(
            self.bench,
            tuple(settings.product.ranges),
            self.clock,
            stop=stop or Event(),
            progress=lambda _: None,
        )


def nominal_transfer(settings: Settings) -> dict[str, float]:
    nominal = {name: one.nominal_ohm for name, one in settings.product.parts.items()}
    return {
        key: Transfer(one.transfer).value(nominal)
        for key, one in settings.product.ranges.items()
    }


@contextmanager
def line(settings: Settings, nature: BenchNature, retry: Retry) -> Iterator[Line]:
    assert settings.bench is not None
    clock = VirtualClock()
    rig = Rig(settings, story(settings, 1, line=CLEAN), clock, nature=nature)
    with Bench(
        settings.bench,
        settings.product,
        settings.plan.reading,
        profiles=settings.profiles,
        nominal_transfer=nominal_transfer(settings),
        connect=by_address(DirectBench(rig).connect),
        clock=clock,
        retry=retry,
        guarded=False,
    ) as bench:
        yield Line(rig, bench, clock)
    assert not rig.state().source_on


def gain(one: RangeReadings) -> float:
    """Return output over reference, offset and movement removed."""
    series = series_of(one)
    return series.output.net_level / series.reference.net_level


def true_gain(rig: Rig, key: str) -> float:
    board = rig.circuit.board
    assert board is not None
    one = rig.settings.product.ranges[key]
    warm = board.parts_at_ohm(rig.circuit.ambient.temperature_c(rig.now_s()))
    return float(Transfer(one.transfer).value(warm))


def test_what_is_measured_is_what_the_parts_make(exact: Settings) -> None:
    with line(exact, IDEAL, NEVER) as one:
        for serial in ("PA-1001", "PA-2003", "PA-3030"):
            one.rig.mount(serial)
            for readings in one.measure():
                expected = true_gain(one.rig, readings.range)
                assert gain(readings) == pytest.approx(expected, rel=2e-6)


def test_the_source_is_off_and_at_zero_between_units(demo: Settings) -> None:
    with line(demo, BenchNature(), NEVER) as one:
        one.rig.mount("PA-1001")
        assert not one.rig.state().source_on
        one.measure()
        state = one.rig.state()
        assert not state.source_on
        assert state.level == 0.0


def test_the_bench_never_meets_a_limit_or_its_compliance(demo: Settings) -> None:
    assert demo.bench is not None
    with line(demo, BenchNature(), NEVER) as one:
        one.rig.mount("PA-1001")
        seen = []

        def look(progress: Progress) -> None:
            del progress
            seen.append(one.rig.state())

        measure(
            one.bench,
            tuple(demo.product.ranges),
            one.clock,
            stop=Event(),
            progress=look,
        )
    assert len(seen) == 3 * len(demo.product.ranges)
    assert not any(state.in_compliance for state in seen)
    assert max(abs(state.level) for state in seen) <= demo.bench.source_limit


@pytest.mark.parametrize("pause_s", [1.0, 3600.0])
def test_a_suspended_process_records_nothing_wrong(
    exact: Settings, pause_s: float
) -> None:
    """Once it is longer than the source's own watchdog waits, the source is off."""
    with line(exact, IDEAL, NEVER) as one:
        one.rig.mount("PA-1001")
        points: list[Progress] = []

        def suspend(progress: Progress) -> None:
            points.append(progress)
            if len(points) == 4:
                one.clock.wait_s(pause_s)

        try:
            taken = measure(
                one.bench,
                tuple(exact.product.ranges),
                one.clock,
                stop=Event(),
                progress=suspend,
            )
        except OutputLostError:
            assert pause_s > 60.0
        else:
            assert pause_s < 60.0
            for readings in taken:
                expected = true_gain(one.rig, readings.range)
                assert gain(readings) == pytest.approx(expected, rel=2e-6)
        assert len(points) >= 4


def test_nothing_in_the_measuring_path_sleeps() -> None:
    """What waits there goes by the clock, to a reading's pace.

    Not so the guard, and a line of registers that throws away what comes too late.
    """
    folder = Path(daemon.bench.__file__ or "").parent
    found = {
        path.name
        for path in folder.glob("*.py")
        if re.search(r"\bsleep\b", path.read_text(encoding="utf-8"))
    }
    assert found == {"clock.py", "guard.py", "modbus.py"}


def test_a_bench_without_a_unit_is_not_recorded(demo: Settings) -> None:
    """An open loop drives the source to its compliance; the reference sees nothing."""
    with line(demo, BenchNature(), NEVER) as one, pytest.raises(BenchError):
        one.measure()


def test_a_power_cycle_of_the_source_is_not_recorded(demo: Settings) -> None:
    with line(demo, BenchNature(), USUAL) as one:
        one.rig.mount("PA-1001")
        one.rig.inject(
            Fault(role="source", kind=FaultKind.POWER_CYCLE, match="CURR:LEV", after=3)
        )
        with pytest.raises(InstrumentError):
            one.measure()
        assert not one.rig.state().source_on
        one.rig.clear()
        assert len(one.measure()) == len(demo.product.ranges)


def test_a_source_that_nobody_speaks_to_goes_off_and_is_noticed(
    demo: Settings,
) -> None:
    with line(demo, BenchNature(), NEVER) as one:
        one.rig.mount("PA-1001")

        def sleep_at_level(progress: Progress) -> None:
            if progress.point.level:
                one.clock.wait_s(3600.0)

        with pytest.raises(OutputLostError):
            measure(
                one.bench,
                tuple(demo.product.ranges),
                one.clock,
                stop=Event(),
                progress=sleep_at_level,
            )


def test_no_wrong_value_among_faults_of_every_kind(demo: Settings) -> None:
    """Each unit is right within what the meters claim, or not recorded at all."""
    chance = np.random.default_rng(7)
    roles = ("source", "reference", "output", "selector", "ambient")
    outcomes: Counter[str] = Counter()
    seen: Counter[FaultKind] = Counter()
    with line(demo, BenchNature(), USUAL) as one:
        serials = [
            serial for build in one.rig.scenario.builds for serial in build.serials
        ]
        for index in range(300):
            fault = draw_fault(chance, roles)
            if fault.kind in LEFT_TO_THE_CHECK_STANDARD:
                continue
            seen[fault.kind] += 1
            one.rig.clear()
            one.rig.mount(serials[index % len(serials)])
            one.rig.inject(fault)
            try:
                measured = one.measure()
            except BenchError as exc:
                outcomes[type(exc).__name__] += 1
                one.rig.clear()
                one.bench.source_off()
            else:
                outcomes["measured"] += 1
                for readings in measured:
                    expected = true_gain(one.rig, readings.range)
                    assert gain(readings) == pytest.approx(expected, rel=400e-6), fault
            assert not one.rig.state().source_on
    assert set(seen) == set(FaultKind) - LEFT_TO_THE_CHECK_STANDARD
    assert outcomes["measured"] > 100
    assert sum(outcomes.values()) - outcomes["measured"] > 20
