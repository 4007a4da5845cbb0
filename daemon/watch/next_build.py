"""Before a build: what must be measured, and what a check of some units would miss."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import hypot, inf, sqrt
from statistics import fmean
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from config import Settings
from daemon.judging import RangeModel
from daemon.presentation import PPM_PER_PERCENT, counted, figures, money
from daemon.spc import Costs, SpotCheck, cheapest, expected_cost
from daemon.spc.sampling import (
    RECENT_BUILDS,
    REJECTED_TO_STOP,
    REJECTED_TO_TIGHTEN,
    SCORE_SMALL,
    SCORE_TO_REDUCE,
    Inspection,
    Severity,
)
from daemon.watch import FindLimit
from daemon.watch.product_watch import ProductWatch
from storage import (
    NOT_READ,
    BuildState,
    HoldState,
    JudgedPoint,
    LatestResult,
    Scope,
    Store,
)

if TYPE_CHECKING:
    import pandas as pd

GOOD_TO_REDUCE = -(-SCORE_TO_REDUCE // SCORE_SMALL)
"""Good builds in a row that lead to reduced checking: a build with a finding is held,
so the acceptance number is 0."""
SHIFTS = ("0.05 %", "0.1 %", "0.2 %", "0.3 %", "0.5 %", "1 %", "2 %")
CHECKED = (3, 5, 8, 13)
"""Units of a check that are asked about unless somebody says otherwise."""
MISSED = 0.05
"""Accepted chance of missing a reel unless somebody says otherwise."""
RARE = 0.001
"""A probability below which "less than 0.1 %" says enough."""
WORTH_SAYING = 0.02
"""By how much more may be missed than is said, from where on that is said too."""
CURVE_FROM = 0.1
"""Of the error limit: where curves begin."""
LEAST_ROOM = 0.01
"""Of the error limit: no shift is smaller than this."""
CURVE_POINTS = 81
"""Shifts of a curve: close enough that it looks round."""


def room_ppm(model: RangeModel, latest: Sequence[LatestResult]) -> float:
    """Return how far a reel may move a range until its units are at their limit, ppm.

    At the level nearest to full scale that units were judged at, less the mean of the
    offset that they had there; the limit itself at full scale where no point is kept.

    Parameters
    ----------
    latest
        Results of the newest builds.
    """
    limit = model.settings.limit
    nominal_ppm = limit.of_reading_ppm + limit.of_full_scale_ppm
    rooms = []
    for one in latest:
        points = [
            point
            for point in JudgedPoint.of(one.points)
            if point.of_full_scale > 0 and point.verdict != NOT_READ
        ]
        if one.range != model.key or not points:
            continue
        top = max(points, key=lambda point: point.of_full_scale)
        offset_ppm = top.error_ppm - one.error_ppm * top.of_full_scale
        above = inf if top.high_ppm is None else top.high_ppm - offset_ppm
        below = inf if top.low_ppm is None else offset_ppm - top.low_ppm
        rooms.append((above / top.of_full_scale, below / top.of_full_scale))
    if not rooms:
        return nominal_ppm
    room = min(fmean(one) for one in zip(*rooms, strict=True))
    # Units whose offset alone takes up the limit leave no reel any room.
    return max(room, LEAST_ROOM * nominal_ppm)


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeOutlook:
    """How one range of the next build will scatter if its reel is as labelled."""

    key: str
    title: str
    check: SpotCheck
    limit_ppm: float
    """How far a reel may be off until its units are at their error limit: the limit
    where it is narrowest, less the offset that units have had."""
    limit: str
    """The error limit in words, as it is set."""

    def asked(
        self,
        shift_ppm: float,
        *,
        build: int,
        carrying: int,
        checked: Sequence[int] = CHECKED,
        missed: float = MISSED,
        costs: Costs | None = None,
    ) -> dict[str, Any]:
        """Return what a reel that is off by a shift would take to be seen.

        Parameters
        ----------
        shift_ppm
            How far its level lies off.
        build, carrying
            Units in the build; those of them that carry the reel.
        checked
            Numbers of units of which is said what they would miss.
        missed
            Accepted chance of missing it, 0 to 1.
        costs
            Of a test and of an escape, for what numbers of units cost.

        Returns
        -------
        dict
            `off_ppm`; `units_of_the_reel` and `units_at_random` that are enough, None
            where none is; `missed_by_N`, and `missed_by_N_low` and `missed_by_N_high`
            that it lies between (95 %) as far as the history tells. With costs
            `cheapest`, and `expected_cost` a
            build of measuring `none`, `enough` (at random; None where none is),
            `cheapest` and `all`.
        """
        row: dict[str, Any] = {
            "off_ppm": shift_ppm,
            "units_of_the_reel": self.check.units_needed(
                shift_ppm=shift_ppm, missed=missed, most=build
            ),
            "units_at_random": self.check.size_needed(
                shift_ppm=shift_ppm, missed=missed, build=build, carrying=carrying
            ),
        }
        for number in checked:
            asked = {"build": build, "carrying": carrying}
            low, high = self.check.missed_between(number, shift_ppm=shift_ppm, **asked)
            row[f"missed_by_{number}"] = self.check.missed(
                number, shift_ppm=shift_ppm, **asked
            )
            row[f"missed_by_{number}_low"], row[f"missed_by_{number}_high"] = low, high
        if costs is not None:
            row["cheapest"] = cheapest(
                self.check, costs, shift_ppm=shift_ppm, build=build, carrying=carrying
            )
            alternatives = {
                "none": 0,
                "enough": row["units_at_random"],
                "cheapest": row["cheapest"],
                "all": build,
            }
            row["expected_cost"] = {
                name: None
                if number is None
                else expected_cost(
                    self.check,
                    costs,
                    number,
                    shift_ppm=shift_ppm,
                    build=build,
                    carrying=carrying,
                )
                for name, number in alternatives.items()
            }
        return row

    def curves(
        self,
        *,
        build: int,
        carrying: int,
        checked: Sequence[int] = CHECKED,
    ) -> "pd.DataFrame":
        """Return what checks would miss, up to a reel that takes up the whole limit.

        Parameters
        ----------
        build, carrying
            Units in the build; those of them that carry the reel.
        checked
            Numbers of units, drawn at random.

        Returns
        -------
        DataFrame
            `off_percent`, `checked`, `missed_percent`: `CURVE_POINTS` rows a number.
        """
        import pandas as pd  # noqa: PLC0415 -- only pictures are made of frames

        shifts = np.geomspace(CURVE_FROM * self.limit_ppm, self.limit_ppm, CURVE_POINTS)
        return pd.DataFrame(
            [
                {
                    "off_percent": shift / PPM_PER_PERCENT,
                    "checked": number,
                    "missed_percent": 100
                    * self.check.missed(
                        number, shift_ppm=shift, build=build, carrying=carrying
                    ),
                }
                for number in checked
                for shift in shifts.tolist()
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What is known before the next build.

    Attributes
    ----------
    ranges
        In the product's order.
    units, builds
        What it was learnt from.
    history
        What the next build will be held against, and what speaks against it.
    inspection
        Where the switching rules stand after the builds so far.
    """

    ranges: tuple[RangeOutlook, ...]
    units: int
    builds: int
    history: str
    inspection: Inspection

    @classmethod
    def of(
        cls, settings: Settings, store: Store, *, own_limit: FindLimit | None = None
    ) -> Self:
        """Work it out from the rows; nothing is recorded, what it took may be kept.

        Parameters
        ----------
        settings, store, own_limit
            As `ProductWatch` takes them.
        """
        known = ProductWatch(settings, store, own_limit=own_limit)
        ahead = known.ahead()
        baseline = ahead.baseline
        latest = store.rows(
            LatestResult, product=settings.product.name, newest=RECENT_BUILDS
        )
        false_share = 1.0 / settings.plan.watching.accepted_false_holds_per_units
        ranges = tuple(
            RangeOutlook(
                key=one.key,
                title=one.title,
                check=SpotCheck(
                    sigma_ppm=baseline.unit_sigma_ppm(index),
                    reel_sigma_ppm=baseline.next_reel_sigma_ppm(index),
                    # Each range is looked at by itself.
                    false_share=false_share / len(known.product.ranges),
                    degrees=baseline.unit_degrees(index),
                    mean_sigma_ppm=sqrt(baseline.mean_variance_ppm2[index]),
                    build_sigma_ppm=baseline.build_sigma_ppm,
                ),
                limit_ppm=room_ppm(one, latest),
                limit=figures.limit(one.settings.limit),
            )
            for index, one in enumerate(known.product.ranges)
        )
        return cls(
            ranges=ranges,
            units=baseline.units,
            builds=ahead.builds,
            history=ahead.says,
            inspection=_inspection(settings.product.name, store),
        )

    def hardest(self) -> RangeOutlook:
        """Return the range in which a bad reel is seen last."""
        return max(
            self.ranges, key=lambda o: hypot(o.check.sigma_ppm, o.check.reel_sigma_ppm)
        )

    def checking(self) -> str:
        """Say how much of the next build to check, and what would change that."""
        now = self.inspection
        if now.discontinued:
            return (
                f"Stop building until the cause is found: {REJECTED_TO_STOP} builds "
                "were held since checking was tightened."
            )
        if now.severity is Severity.REDUCED:
            return (
                "A check of some units is enough for the next build; the first held "
                "build ends that."
            )
        if now.severity is Severity.TIGHTENED:
            missing = _to_end_tightened(now)
            return (
                f"Measure every unit: {REJECTED_TO_TIGHTEN} of {RECENT_BUILDS} builds "
                f"in a row were held; {counted(missing, 'more good build')} in a row "
                f"{'ends' if missing == 1 else 'end'} that."
            )
        return (
            f"Measure every unit; after {counted(_to_reduce(now), 'more good build')} "
            "in a row a check of some units is enough."
        )

    def to_some(
        self, *, build: int, carrying: int, missed: float = MISSED
    ) -> tuple[str, ...]:
        """Say when a check of some units is enough, and of how many.

        Parameters
        ----------
        build, carrying
            Units in the build; those of them that carry a new reel.
        missed
            Accepted chance of missing it, 0 to 1.
        """
        return (
            self._when_some(),
            self._how_many(build=build, carrying=carrying, missed=missed),
        )

    def to_all(self) -> tuple[str, ...]:
        """Say what brings every unit back, and what tightens checking."""
        back = (
            "If a build is held while only some units are measured, every unit of the "
            "next builds is measured again, and the count of good builds begins anew."
        )
        return (back, self._when_tightened())

    def _when_some(self) -> str:
        now = self.inspection
        rule = (
            f"A check of some units is enough after {GOOD_TO_REDUCE} good builds in a "
            "row with every unit measured"
        )
        if now.discontinued:
            return f"{rule}; none counts before the cause is found."
        if now.severity is Severity.REDUCED:
            return f"{rule}: that is reached."
        if now.severity is Severity.TIGHTENED:
            return (
                f"{rule}; they count once the "
                f"{counted(_to_end_tightened(now), 'good build')} that are "
                "asked for first are there."
            )
        return f"{rule}: {_to_reduce(now)} to go. A held build begins the count anew."

    def _how_many(self, *, build: int, carrying: int, missed: float) -> str:
        asked = [
            one.check.size_needed(
                shift_ppm=one.limit_ppm, missed=missed, build=build, carrying=carrying
            )
            for one in self.ranges
        ]
        # Where no number is enough, more is asked for than there is.
        number, most = max(
            zip(asked, self.ranges, strict=True), key=lambda each: each[0] or build + 1
        )
        reel = (
            f"a reel in {carrying} of them that brings units to the error limit of "
            f"{most.title}, {most.limit},"
        )
        seldom = f"in no more than {100 * missed:g} % of builds"
        if number is None:
            return (
                f"Of {counted(build, 'unit')} no number would be enough then: even all "
                f"do not see to it that {reel} is missed {seldom}."
            )
        return (
            f"Then {number} of {counted(build, 'unit')}, drawn at random, are enough: "
            f"{reel} is missed {seldom}."
        )

    def _when_tightened(self) -> str:
        now = self.inspection
        rule = (
            f"If {REJECTED_TO_TIGHTEN} of {RECENT_BUILDS} builds in a row are held, "
            "good builds count only after "
            f"{RECENT_BUILDS} of them in a row, and {REJECTED_TO_STOP} held ones "
            "before that stop the building until the cause is found"
        )
        if now.severity is Severity.TIGHTENED:
            return f"{rule}; {now.rejected_tightened} held so far."
        if _next_held_tightens(now):
            return f"{rule}. The next build would do that if it is held."
        return f"{rule}."


def _to_reduce(now: Inspection) -> int:
    """Return the good builds in a row that reduced checking still asks for."""
    return -(-(SCORE_TO_REDUCE - now.score) // SCORE_SMALL)


def _to_end_tightened(now: Inspection) -> int:
    """Return the good builds in a row that end tightened checking."""
    good = 0
    for accepted in reversed(now.recent):
        if not accepted:
            break
        good += 1
    return RECENT_BUILDS - good


def _next_held_tightens(now: Inspection) -> bool:
    if now.severity is not Severity.NORMAL:
        return False
    return now.recent[1 - RECENT_BUILDS :].count(False) >= REJECTED_TO_TIGHTEN - 1


def said_missed(row: Mapping[str, Any], number: int) -> str:
    """Return how often a check misses a reel, for a table.

    Parameters
    ----------
    row
        From `RangeOutlook.asked`.
    number
        Units of the check.

    Examples
    --------
    >>> row = {"missed_by_5": 0.1194, "missed_by_5_high": 0.8}
    >>> said_missed(row, 5)
    '11.9 % (up to 80 %)'
    >>> said_missed({"missed_by_3": 0.0002, "missed_by_3_high": 0.0003}, 3)
    '< 0.1 %'
    """
    missed, high = row[f"missed_by_{number}"], row[f"missed_by_{number}_high"]
    said = "< 0.1 %" if missed < RARE else f"{100 * missed:.1f} %"
    return f"{said} (up to {100 * high:.0f} %)" if _unsure(missed, high) else said


def up_to(rows: Iterable[Mapping[str, Any]], units: int, builds: int) -> str | None:
    """Say what "up to" means, where a table has it.

    Parameters
    ----------
    rows
        From `RangeOutlook.asked`.
    units, builds
        What is known so far.

    Examples
    --------
    >>> print(up_to([{"missed_by_5": 0.1, "missed_by_5_high": 0.8}], 8, 1))
    Up to: only 8 units of 1 build are known, so it may be that often (95 % interval).
    >>> up_to([{"missed_by_5": 0.1, "missed_by_5_high": 0.1}], 900, 30)
    """
    pairs = (
        (value, row[f"{name}_high"])
        for row in rows
        for name, value in row.items()
        if f"{name}_high" in row
    )
    if not any(_unsure(missed, high) for missed, high in pairs):
        return None
    known = f"{counted(units, 'unit')} of {counted(builds, 'build')}"
    verb = "is" if units == 1 else "are"
    return f"Up to: only {known} {verb} known, so it may be that often (95 % interval)."


def _unsure(missed: float, high: float) -> bool:
    return high - missed > WORTH_SAYING


def said_costs(row: Mapping[str, Any]) -> dict[str, str]:
    """Return what the alternatives cost, each with its number of units.

    Parameters
    ----------
    row
        From `RangeOutlook.asked`, with costs.

    Returns
    -------
    dict
        Of `none`, `enough`, `cheapest` and `all`; "more" where no number is enough.
    """
    numbers = {"enough": row["units_at_random"], "cheapest": row["cheapest"]}
    return {
        name: "more"
        if cost is None
        else f"{money(cost)} ({numbers[name]})"
        if name in numbers
        else money(cost)
        for name, cost in row["expected_cost"].items()
    }


def _inspection(product: str, store: Store) -> Inspection:
    """Return where the switching rules stand; a build that was ever held counts."""
    ever_held = {
        one.subject
        for one in store.rows(HoldState, product=product)
        if one.scope is Scope.BUILD
    }
    inspection = Inspection()
    for one in store.rows(BuildState, product=product):
        if inspection.discontinued:
            break
        if one.units:
            inspection = inspection.after(
                accepted=one.build not in ever_held, acceptance_number=0
            )
    return inspection
