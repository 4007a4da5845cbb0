"""Many demo stories without sockets: readings from the circuit into the judgement.

The same sequence, judge, rows and watch as in the daemon run against the simulated
instruments in this process, on a clock that passes only when somebody waits.
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from importlib.resources import as_file, files
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Event
from typing import Any

from scipy.stats import beta, binom

from config import load
from daemon.bench import Bench, RangeReadings, VirtualClock, by_address, measure
from daemon.judging import ProductModel
from daemon.simulator import DirectBench, Rig, Scenario, story
from daemon.traceability import kitting
from daemon.trials.stories import outcome
from storage import LocalStore, Signal
from tests.studies.bench_days import BenchDays

HELD_WITHIN = 3
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class StoryResult:
    """One story's findings beside its truth."""

    seed: int
    units: int
    good_units: int
    truth: dict[str, Any] | None
    findings: list[dict[str, Any]]
    delay_units: int | None
    false_holds: int


def tell(seed: int, *, units: int = 30, bad: bool = True) -> StoryResult:
    """Measure and watch one story of the demo in this process."""
    with as_file(files("config").joinpath("demo")) as folder:
        settings = load(folder)
        standard = None if settings.bench is None else settings.bench.check_standard
        if settings.bench is None or standard is None:
            message = "the demo has no bench, or no check standard"
            raise ValueError(message)
    scenario = story(settings, seed, units=units, bad=bad)
    clock = VirtualClock()
    rig = Rig(settings, scenario, clock)
    product = ProductModel.of(settings.product)
    serials = [serial for build in scenario.builds for serial in build.serials]
    with (
        TemporaryDirectory(prefix="holdpoint-story-") as rows,
        LocalStore(Path(rows) / "story.duckdb") as store,
        Bench(
            settings.bench,
            settings.product,
            settings.plan.reading,
            profiles=settings.profiles,
            nominal_transfer={one.key: one.nominal_transfer for one in product.ranges},
            connect=by_address(DirectBench(rig).connect),
            clock=clock,
            guarded=False,
        ) as bench,
    ):
        hands = _Hands(rig, bench, product, clock, standard=standard.serial)
        days = BenchDays(settings, store, hands, clock=clock)
        for reel in scenario.reels:
            kitting.receive_reel(
                store,
                reel.reel,
                nominal_ohm=reel.nominal_ohm,
                tolerance_ppm=reel.tolerance_ppm,
                at=clock.utc(),
            )
        for build in scenario.builds:
            days.open_build(build.build, planned_units=len(build.serials))
            _record_reels(days, scenario, build.build, None)
            for serial in build.serials:
                _record_reels(days, scenario, build.build, serial)
                days.unit(serial, build.build)
        signals = store.rows(Signal, "signals", product=settings.product.name)
    found = outcome.findings(signals)
    truth = None
    good = len(serials)
    if scenario.truth is not None:
        truth = outcome.truth_of(scenario.as_json()["truth"])
        good = serials.index(scenario.truth.first_serial)
    delay, false = outcome.score(found, truth, serials)
    return StoryResult(
        seed=seed,
        units=len(serials),
        good_units=good,
        truth=truth,
        findings=found,
        delay_units=delay,
        false_holds=false,
    )


class _Hands:
    """Mounts what is to be read on the simulated bench, and reads it."""

    def __init__(
        self,
        rig: Rig,
        bench: Bench,
        product: ProductModel,
        clock: VirtualClock,
        *,
        standard: str,
    ) -> None:
        self._rig = rig
        self._standard = standard
        self._bench = bench
        self._product = product
        self._clock = clock

    def unit(self, serial: str, *, at_s: float) -> list[RangeReadings]:
        """Read a unit; the bench's own clock says when."""
        del at_s
        self._rig.mount(serial)
        return measure(self._bench, self._product.keys, self._clock, stop=Event())

    def standard(self, *, at_s: float) -> list[RangeReadings]:
        """Read the check standard."""
        return self.unit(self._standard, at_s=at_s)


def _record_reels(
    days: BenchDays, scenario: Scenario, build: str, from_serial: str | None
) -> None:
    """Record the reels that a build takes from a serial on; None: at its start."""
    for one in scenario.fittings:
        if (one.build, one.from_serial) == (build, from_serial):
            days.fit_reel(
                build, one.part, one.reel, from_serial=from_serial, checked=False
            )


def tell_many(seeds: Sequence[int], *, workers: int = 2) -> Iterator[StoryResult]:
    """Tell a story for each seed, in order, in processes of their own."""
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(tell, seeds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What many stories came to.

    `most_false` is how many false holds the accepted rate allows with 95 %
    confidence (binomial); `rate_interval` the exact interval of the rate seen
    (Clopper and Pearson, Biometrika 26 (1934) 404-413).
    """

    stories: int
    held_within: int
    right_cause: int
    good_units: int
    false_holds: int
    most_false: int
    rate_interval: tuple[float, float]
    size_covered: int


def summary(results: Sequence[StoryResult], *, accepted_per_units: int) -> Summary:
    """Count over stories."""
    good = sum(one.good_units for one in results)
    false = sum(one.false_holds for one in results)
    right = covered = 0
    for one in results:
        said = next(
            (f for f in one.findings if one.truth and f["build"] == one.truth["build"]),
            None,
        )
        if said is None or one.truth is None:
            continue
        right += (said["cause"], said["range"]) == (
            one.truth["cause"],
            one.truth["range"],
        )
        low, high = said["interval_ppm"]
        covered += low <= one.truth["size_ppm"] <= high
    tail = (1 - CONFIDENCE) / 2
    return Summary(
        stories=len(results),
        held_within=sum(
            one.delay_units is not None and one.delay_units <= HELD_WITHIN
            for one in results
        ),
        right_cause=right,
        good_units=good,
        false_holds=false,
        most_false=int(binom.ppf(CONFIDENCE, good, 1 / accepted_per_units)),
        rate_interval=(
            float(beta.ppf(tail, false, good - false + 1)) if false else 0.0,
            float(beta.ppf(1 - tail, false + 1, good - false)),
        ),
        size_covered=covered,
    )
