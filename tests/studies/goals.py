"""The goals of the detector, each beside the figure that a study found."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import isnan, sqrt
from typing import Literal

from daemon.spc.detector.calibrate import ALLOWANCE, BUILD_UNITS
from daemon.spc.detector.worlds import NOMINAL
from tests.studies.detection import RATES, SIMPLEST, Study
from tests.studies.faults import Outcome

OFTEN, RARELY = RATES
Z_ONE_SIDED_95 = 1.645
Kind = Literal["at least", "at most"]
MOST_FALSE = 3.0
FIVE_SESSIONS = "five sessions"
SEATED, UNSEATED = True, False


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


Wanted = tuple[str, int, bool, str, Kind, float, str]

QUIET_LINE, COARSE_LINE = "(parts three times finer)", "(parts four times coarser)"

WANTED: tuple[Wanted, ...] = (
    ("recorded +0.15 %", RARELY, SEATED, "mean_delay", "at most", 3.0, "mean delay"),
    ("recorded +0.15 %", RARELY, UNSEATED, "mean_delay", "at most", 6.0, "mean delay"),
    *(
        ("recorded +0.3 %", rate, way, "mean_delay", "at most", 1.2, "mean delay")
        for rate in RATES
        for way in (SEATED, UNSEATED)
    ),
    *(
        (
            f"recorded +0.3 % {COARSE_LINE}",
            rate,
            SEATED,
            "held_by_2",
            "at least",
            0.95,
            "held by unit 2",
        )
        for rate in RATES
    ),
    *(
        (name, rate, SEATED, "mean_delay", "at most", most, "mean delay")
        for name in ("spread x5", f"spread x5 {QUIET_LINE}")
        for rate, most in ((OFTEN, 3.0), (RARELY, 6.0))
    ),
    *(
        (name, rate, SEATED, "mean_delay", "at most", most, "mean delay")
        for name, often, rarely in (
            ("unrecorded +0.3 %", 2.2, 2.2),
            ("shared stage 0.2 %", 1.4, 1.4),
            ("shared stage 0.2 % in mid-build", 5.0, 5.0),
            ("two reels mixed, +0.3 %", 3.2, 4.1),
        )
        for rate, most in ((OFTEN, often), (RARELY, rarely))
    ),
    *(
        (
            "tape drift 30 ppm a unit",
            rate,
            SEATED,
            "missed",
            "at most",
            0.05,
            "not held before the error limit",
        )
        for rate in RATES
    ),
    *(
        (name, rate, SEATED, "named_last", "at least", 0.90, "both named at the end")
        for name in ("two reels, +0.3 and -0.3 %", "two reels, +0.2 and +0.15 %")
        for rate in RATES
    ),
    *(
        (
            "bench step 300 ppm, opening check",
            rate,
            SEATED,
            "bench_by_1",
            "at least",
            0.99,
            "named bench at the check",
        )
        for rate in RATES
    ),
    (
        "bench step 300 ppm, opening check (handheld bench)",
        OFTEN,
        SEATED,
        "suspected_by_2",
        "at least",
        0.80,
        "suspected by the second check",
    ),
    *(
        (
            "slip on a first unit",
            rate,
            UNSEATED,
            "standing_last",
            "at most",
            0.02,
            "stands at the end",
        )
        for rate in RATES
    ),
)
"""Fault, rate, whether seated again, figure, kind of bound, bound, words."""


def goals(study: Study) -> tuple[Goal, ...]:
    """Return every goal that the study has figures for."""
    return (*_faults(study), *_false_holds(study))


def _faults(study: Study) -> Iterator[Goal]:
    rows: dict[tuple[str, int, bool], Outcome] = {
        (one.name, one.rate, one.seated): one for one in study.rows
    }
    for name, rate, seated, figure, kind, bound, words in WANTED:
        row = rows.get((name, rate, seated))
        if row is not None:
            way = "seated again" if seated else "not seated again"
            yield Goal(
                what=f"{name}: {words} (1 in {rate}, {way})",
                found=float(getattr(row, figure)),
                bound=bound,
                kind=kind,
            )


def _false_holds(study: Study) -> Iterator[Goal]:
    """Of every world by itself; of the family's over all habits together."""
    mine = [one for one in study.false_holds if not one.way.startswith(SIMPLEST)]
    for one in mine:
        if one.rate == RARELY and one.habit == FIVE_SESSIONS:
            yield Goal(
                what=f"false holds, {one.world}, {one.habit} "
                f"(1 in {one.rate}, {one.way})",
                found=one.share,
                bound=MOST_FALSE * BUILD_UNITS / one.rate,
                kind="at most",
            )
    keys = dict.fromkeys((o.rate, o.way, o.world) for o in mine if o.calibrated)
    for rate, way, world in keys:
        rows = [o for o in mine if (o.rate, o.way, o.world) == (rate, way, world)]
        rows = [o for o in rows if o.calibrated]
        builds = sum(o.builds for o in rows)
        accepted = BUILD_UNITS / rate * (1.0 if world == NOMINAL.name else ALLOWANCE)
        error = sqrt(accepted * (1.0 - accepted) / builds)
        yield Goal(
            what=f"false holds, {world}, all habits (1 in {rate}, {way})",
            found=sum(o.share * o.builds for o in rows) / builds,
            bound=accepted + Z_ONE_SIDED_95 * error,
            kind="at most",
        )
