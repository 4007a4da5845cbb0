"""The goals of the detector, each beside the figure that a study found."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import isnan, sqrt
from typing import Literal

from daemon.studies.detection import BUILD_UNITS, RATES, Row, Study

OFTEN, RARELY = RATES
ONE, TWO, THREE = (
    "20 units in 1 segment",
    "20 units in 2 segments",
    "100 units in 3 segments",
)
Z_ONE_SIDED_95 = 1.645
Kind = Literal["at least", "at most"]
COVERAGE: tuple[tuple[Kind, float], ...] = (("at least", 0.93), ("at most", 0.97))
MOST_FALSE = 1.5
MOST_FALSE_BEYOND = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """One goal: what, the figure found, and the bound it is held against."""

    what: str
    found: float
    bound: float
    kind: Kind

    @property
    def met(self) -> bool:
        """Whether the figure keeps the bound; no figure keeps none."""
        if isnan(self.found):
            return False
        if self.kind == "at least":
            return self.found >= self.bound
        return self.found <= self.bound


def goals(study: Study) -> tuple[Goal, ...]:
    """Return every goal that the study has figures for."""
    rows = {(one.case, one.rate, one.outcome.fault): one for one in study.rows}
    return (
        *_delays(rows),
        *_benches(rows),
        *_causes(rows),
        *_coverage(rows),
        *_false_holds(study),
    )


Rows = dict[tuple[str, int, str], Row]


def _goal(
    rows: Rows,
    key: tuple[str, int, str],
    figure: str,
    kind: Kind,
    bound: float,
    words: str,
) -> Iterator[Goal]:
    row = rows.get(key)
    if row is not None:
        case, rate, fault = key
        yield Goal(
            what=f"{fault}: {words} (1 in {rate}; {case})",
            found=float(getattr(row.outcome, figure)),
            bound=bound,
            kind=kind,
        )


def _delays(rows: Rows) -> Iterator[Goal]:
    reel, unrecorded = "recorded reel +0.3 %", "unrecorded +0.3 %"
    for case, rarely in ((ONE, 0.97), (TWO, 0.98), (THREE, 0.99)):
        for rate, least in ((OFTEN, 0.99), (RARELY, rarely)):
            key = case, rate, reel
            yield from _goal(rows, key, "held_by_2", "at least", least, "by unit 2")
        for rate in RATES:
            key = case, rate, unrecorded
            yield from _goal(rows, key, "mean_delay", "at most", 2.2, "mean delay")
    for rate, fault, most in (
        (OFTEN, "spread x5 from unit 1", 3.0),
        (RARELY, "spread x5 from unit 1", 6.0),
        (OFTEN, "shared stage 0.2 %", 1.4),
        (OFTEN, "two reels mixed, +0.3 %", 3.2),
    ):
        key = TWO, rate, fault
        yield from _goal(rows, key, "mean_delay", "at most", most, "mean delay")
    key = TWO, OFTEN, "two reels mixed, +0.3 %"
    words = "units whose reel is told right after 30"
    yield from _goal(rows, key, "members", "at least", 0.99, words)


def _benches(rows: Rows) -> Iterator[Goal]:
    for rate in RATES:
        key = TWO, rate, "laboratory bench steps 300 ppm"
        yield from _goal(rows, key, "named", "at least", 0.99, "named bench at once")
        key = TWO, rate, "handheld bench steps 300 ppm"
        words = "named bench by the second check"
        yield from _goal(rows, key, "named_later", "at least", 0.80, words)
        for bench, which in (("laboratory", "first"), ("handheld", "second")):
            key = TWO, rate, f"{bench} bench drifts 20 ppm a unit"
            words = f"found by the {which} check"
            yield from _goal(rows, key, "held_in_time", "at least", 0.99, words)
            if rate == RARELY:
                # oftener than that it is now and then held before any check
                words = "named bench when found"
                yield from _goal(rows, key, "named", "at least", 0.99, words)


def _causes(rows: Rows) -> Iterator[Goal]:
    for (case, rate, fault), row in rows.items():
        if fault.endswith(", checked") and case == TWO:
            p, n = row.outcome.named_later, row.outcome.replicates
            yield Goal(
                what=f"{fault}: cause right 5 units later, 95 % bound (1 in {rate})",
                found=p - Z_ONE_SIDED_95 * sqrt(max(p * (1.0 - p), 1e-4) / n),
                bound=0.95,
                kind="at least",
            )


def _coverage(rows: Rows) -> Iterator[Goal]:
    """Of every fault that has a size, alone and all together.

    A first unit far off may be a shift or wide scatter: an interval that allows for
    both is too wide where it was a shift, as it should be, and right on the whole. A
    chosen few faults would hide the narrow ones.
    """
    sized = {
        key: row
        for key, row in rows.items()
        if key[0] == TWO and not isnan(row.outcome.covered)
    }
    for figure, words in (
        ("covered", "interval holds the size, at the hold"),
        ("covered_later", "interval holds the size, later"),
    ):
        for rate in RATES:
            found = [
                float(getattr(row.outcome, figure))
                for key, row in sized.items()
                if key[1] == rate
            ]
            if not found:
                continue
            for kind, bound in COVERAGE:
                yield Goal(
                    what=f"all faults with a size: {words} (1 in {rate}; {TWO})",
                    found=sum(found) / len(found),
                    bound=bound,
                    kind=kind,
                )
        for key in sized:
            for kind, bound in COVERAGE:
                yield from _goal(rows, key, figure, kind, bound, words)


def _false_holds(study: Study) -> Iterator[Goal]:
    main: Iterable[str] = (ONE, TWO, THREE)
    for one in study.false_holds:
        if one.case in main:
            times = MOST_FALSE if one.calibrated else MOST_FALSE_BEYOND
            yield Goal(
                what=f"false holds, {one.world} (1 in {one.rate}; {one.case})",
                found=one.share,
                bound=times * BUILD_UNITS / one.rate,
                kind="at most",
            )
