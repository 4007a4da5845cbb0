"""How a range's errors scatter: across builds, inside them, from run to run of a unit.

And what that says against the error limit: a capability, with the reasons why it must
not be quoted where it must not.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from math import inf, sqrt
from typing import TYPE_CHECKING, Self

from daemon.judging.points import SAME_POINT
from daemon.presentation import sentences
from daemon.spc import SpcError
from daemon.spc.capability import CapabilityStudy, Specification, capability_study
from daemon.spc.variance import INNERMOST, reml_components
from storage import NOT_READ, BuildState, Cause, JudgedPoint, Signal

if TYPE_CHECKING:
    import pandas as pd

    from storage import Store

ACROSS_BUILDS = "across builds"
INSIDE_BUILDS = "inside builds"
RUN_TO_RUN = "run to run of a unit"
CONFIDENCE = 0.95
FEWEST = 2
"""Builds between which a scatter can be seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One part of the scatter, as a standard deviation with its 95 % interval."""

    name: str
    s_ppm: float
    low_ppm: float
    high_ppm: float
    share: float
    """Of the whole variance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeVariation:
    """How one range scatters; without components, `too_few` says what is missing.

    Or `alike`, in a sentence, that its readings tell nothing.
    """

    key: str
    title: str
    builds: int
    units: int
    runs: int
    mean_ppm: float | None
    components: tuple[Component, ...] = ()
    too_few: str | None = None
    alike: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeCapability:
    """What one range can keep; without a study, `too_few` says what is missing.

    Or `alike`, in a sentence, that its readings tell nothing. Of the points that are
    judged it is the one that is kept worst: `of_full_scale` is its level, 0 for zero
    and None in rows from before points were kept. `limit_ppm` is the nearer limit
    there, of reading, at zero of full scale.
    """

    key: str
    title: str
    limit_ppm: float | None
    of_full_scale: float | None = None
    study: CapabilityStudy | None = None
    too_few: str | None = None
    alike: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredRuns:
    """The unit runs of a product, as far as they count here.

    Attributes
    ----------
    titles
        Title of each range by its key, in the product's order.
    rows
        One row a range of a unit run, in the order they were recorded.
    findings
        What is known of these builds, as it stands now.
    held
        Builds among them on which an open hold stands.
    """

    titles: dict[str, str]
    rows: "pd.DataFrame"
    findings: tuple[Signal, ...]
    held: tuple[str, ...]

    @classmethod
    def of(
        cls,
        titles: dict[str, str],
        product: str,
        store: "Store",
        *,
        without: Iterable[str] = (),
    ) -> Self:
        """Ask the store; builds in `without` are left out."""
        left_out = set(without)
        rows = store.frame("unit_errors", product=product)
        rows = rows[~rows["build"].isin(left_out) & rows["error_ppm"].notna()]
        # Those that are held are among the few that are asked for.
        builds = store.rows(BuildState, product=product, newest=1)
        there = set(rows["build"])
        found = store.rows(Signal, "signals", product=product)
        return cls(
            titles=titles,
            rows=rows,
            findings=tuple(
                one for one in found if one.standing and one.build not in left_out
            ),
            held=tuple(
                one.build
                for one in builds
                if one.state == "held" and one.build in there
            ),
        )

    def variation(self, key: str) -> RangeVariation:
        """Split one range's scatter, by restricted maximum likelihood.

        Units that were run again show what a run adds by itself; where none was, that
        is part of the scatter inside builds.
        """
        rows = self.rows[self.rows["range"] == key]
        builds = rows["build"].nunique()
        units = len(rows[["build", "serial"]].drop_duplicates())
        runs = len(rows)
        known = partial(
            RangeVariation,
            key=key,
            title=self.titles[key],
            builds=builds,
            units=units,
            runs=runs,
        )
        mean = float(rows["error_ppm"].mean()) if runs else None
        if missing := _missing(builds=builds, units=units, runs=runs):
            return known(mean_ppm=mean, too_few=missing)
        if said := self._alike(key, rows):
            return known(mean_ppm=mean, alike=said)
        levels: list[tuple[str, Sequence[object]]] = [
            (ACROSS_BUILDS, rows["build"].tolist())
        ]
        inside = INSIDE_BUILDS
        if runs > units:
            levels.append((INSIDE_BUILDS, rows["serial"].tolist()))
            inside = RUN_TO_RUN
        try:
            found = reml_components(
                rows["error_ppm"].to_numpy(), levels, confidence=CONFIDENCE
            )
        except SpcError as exc:
            return known(mean_ppm=mean, too_few=f"cannot be split: {exc}")
        whole = sum(level.variance for level in found.levels)
        return known(
            mean_ppm=found.mean,
            components=tuple(
                Component(
                    name=inside if level.name == INNERMOST else level.name,
                    s_ppm=level.s,
                    low_ppm=sqrt(level.interval.lower),
                    high_ppm=sqrt(level.interval.upper),
                    share=level.variance / whole,
                )
                for level in found.levels
            ),
        )

    def capability(self, key: str) -> RangeCapability:
        """Hold one range's first runs against the narrowest limits they were judged by.

        At each point that was judged, the offset inside where the limit has it inside:
        what is told is the point that is kept worst. First runs, because what was run
        again may have been reworked in between.
        """
        rows = self.rows[self.rows["range"] == key]
        rows = rows.drop_duplicates(["build", "serial"])
        title = self.titles[key]
        if not rows["limit_ppm"].notna().any():
            return RangeCapability(
                key=key, title=title, limit_ppm=None, too_few="nothing judged yet"
            )
        limit = float(rows["limit_ppm"].min())
        if said := self._alike(key, rows):
            return RangeCapability(key=key, title=title, limit_ppm=limit, alike=said)
        studied = []
        for at in _at_points(rows):
            builds = {
                str(build): group.to_numpy()
                for build, group in at.errors_ppm.groupby(rows["build"], sort=False)
            }
            known = partial(
                RangeCapability,
                key=key,
                title=title,
                limit_ppm=at.limit_ppm,
                of_full_scale=at.of_full_scale,
            )
            try:
                study = capability_study(
                    list(builds.values()),
                    names=list(builds),
                    specification=at.specification,
                    signals=self._said_of(key),
                    confidence=CONFIDENCE,
                )
            except SpcError as exc:
                studied.append(known(too_few=str(exc)))
            else:
                studied.append(known(study=study))
        # A point without a study, say a zero that always reads zero, comes last.
        return min(studied, key=_kept)

    def _alike(self, key: str, rows: "pd.DataFrame") -> str | None:
        """Say that a range reads the same to the last digit inside every build."""
        if (
            len(rows) == rows["build"].nunique()
            or (rows.groupby("build")["error_ppm"].nunique() > 1).any()
        ):
            return None
        units = len(rows[["build", "serial"]].drop_duplicates())
        return sentences.alike(
            self.titles[key], units, levels=rows["error_ppm"].nunique()
        )

    def _said_of(self, key: str) -> list[str]:
        """Return the findings that concern a range, one sentence each."""
        return [
            f"build {one.build}: {sentences.reads(one)}"
            for one in self.findings
            if one.range in (None, key) or one.cause in (Cause.SHARED, Cause.BENCH)
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _AtPoint:
    """One point of a range over its units: of reading, at zero of full scale."""

    of_full_scale: float | None
    errors_ppm: "pd.Series"
    specification: Specification

    @property
    def limit_ppm(self) -> float:
        """The nearer limit."""
        sides = (self.specification.lower, self.specification.upper)
        return min(abs(one) for one in sides if one is not None)


def _at_points(rows: "pd.DataFrame") -> list[_AtPoint]:
    """Return the points that most units were judged at; the error itself without any.

    Rows from before points were kept, and limits with the offset apart, are judged by
    the error of reading alone.
    """
    import pandas as pd  # noqa: PLC0415 -- loaded with the rows

    found: dict[float, dict[int, JudgedPoint]] = {}
    told = rows["points"].dropna()
    for index, text in zip(told.index.tolist(), told.tolist(), strict=True):
        for point in JudgedPoint.of(text):
            if point.verdict == NOT_READ:
                continue
            level = next(
                (one for one in found if _is_same(one, point.of_full_scale)),
                point.of_full_scale,
            )
            found.setdefault(level, {})[index] = point
    most = max((len(one) for one in found.values()), default=0)
    points = []
    for level, mine in found.items():
        if len(mine) < max(most, len(rows) - len(rows) // 10):
            continue  # a point of other settings than most were judged by
        scale = abs(level) or 1.0
        lows = [one.low_ppm for one in mine.values() if one.low_ppm is not None]
        highs = [one.high_ppm for one in mine.values() if one.high_ppm is not None]
        points.append(
            _AtPoint(
                of_full_scale=level,
                errors_ppm=pd.Series(
                    {index: one.error_ppm / scale for index, one in mine.items()}
                ),
                specification=Specification(
                    lower=max(lows) / scale if lows else None,
                    upper=min(highs) / scale if highs else None,
                ),
            )
        )
    if points:
        return points
    limit = float(rows["limit_ppm"].min())
    return [
        _AtPoint(
            of_full_scale=None,
            errors_ppm=rows["error_ppm"],
            specification=Specification(lower=-limit, upper=limit),
        )
    ]


def _is_same(level: float, other: float) -> bool:
    return abs(level - other) <= SAME_POINT * max(abs(level), abs(other))


def _kept(one: RangeCapability) -> float:
    """Return how well a point is kept: the index of the nearer limit, overall."""
    if one.study is None or one.study.overall.indices.cpk is None:
        return inf
    return one.study.overall.indices.cpk


def _missing(*, builds: int, units: int, runs: int) -> str | None:
    """Say what a split of the scatter still needs."""
    if builds < FEWEST:
        return "needs units of two builds or more"
    if units == builds and runs == units:
        return "needs a build of two units or more"
    if units == builds:
        return "needs a build of two units or more, besides units run again"
    return None
