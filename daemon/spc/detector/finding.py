"""What has moved, by how much, since when, how sure: the line put into findings.

Two things may be wrong at once, so there is one finding for each cause. A cause is a
part's reel, the shared stage, or the bench on one range or on all.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from math import isnan, log
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from daemon.spc.detector import state as st
from daemon.spc.detector.layout import Layout
from daemon.spc.detector.line import Line
from daemon.spc.errors import NotFiniteError

__all__ = [
    "BENCH",
    "REEL",
    "SHARED_STAGE",
    "TWO_SIDED_95",
    "Culprit",
    "Finding",
    "Level",
    "RunnerUp",
    "ended",
    "find",
    "quantile",
]

Array = NDArray[np.float64]

REEL, SHARED_STAGE, BENCH = "reel", "shared stage", "bench"
REEL_KINDS = (st.OFF, st.WIDE, st.UNRECORDED, st.MIXED, st.DRIFT)
BENCH_KINDS = (st.BENCH, st.SLOPE)

TWO_SIDED_95 = 1.959963984540054
TAILS_95 = 0.025, 0.975
SMALLEST = 1e-12
"""Of a standard deviation, tolerances: one divides by it."""
NAMED_RUNNER_UP = 0.001
LIKELIER_THAN_NOT = 0.5
STEP_BACK = 1.5
"""A finding stands until its log-odds are so much under the limit that raised it."""


class Culprit(NamedTuple):
    """A cause and where it is.

    `place` is the part of a reel, the range of a bench, None for all ranges.
    """

    cause: str
    place: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunnerUp:
    """Another cause and how probable it is instead."""

    cause: str
    range_index: int | None
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Mean error of the units of one range, with its 95 % interval."""

    range_index: int
    mean_ppm: float
    low_ppm: float
    high_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What has moved, by how much, since when.

    Attributes
    ----------
    cause : str
        "reel", "shared stage" or "bench".
    range_index : int or None
        The range whose part or bench it is; None for all ranges, or for a common part.
    part_index : int or None
        The part: the range's own has the range's index, common parts follow.
    probability : float
        Probability of this cause given that something bad has happened.
    runners_up : tuple of RunnerUp
        What it may be instead, above one in a thousand, likeliest first. Another
        finding that stands beside this one is none.
    alike : tuple of str
        Causes that nothing measured so far could have told from this one: "bench"
        (or "reel" from the bench) unless the check standard was run just before the
        first unit concerned or since; "shared stage" with a single range.
    size_ppm, low_ppm, high_ppm : float
        How far the reel lies from an average one (mixed: the second reel from the
        first; shared stage, bench: how far it has moved), with its 95 % interval.
    level_ppm, level_low_ppm, level_high_ppm : float
        Mean error of the named range's units, of those with the second reel where two
        are mixed; of all ranges where none is named. Likewise.
    levels : tuple of Level
        Where the reel of a common part is named: those of the ranges that feel it.
    spread_factor : float
        Scatter of the parts as a multiple of what they had before.
    mixed_share : float or None
        Share of the units with the second reel, where two are mixed.
    drift_ppm_per_unit : float or None
        Where the bench, or a reel along its tape, drifts.
    first_unit : int
        First unit concerned, counted from 0 over all units of the line.
    log_odds : float
        Logarithm of how much likelier this cause is than that it is none.
    """

    cause: str
    range_index: int | None
    part_index: int | None
    probability: float
    runners_up: tuple[RunnerUp, ...]
    alike: tuple[str, ...]
    size_ppm: float
    low_ppm: float
    high_ppm: float
    level_ppm: float
    level_low_ppm: float
    level_high_ppm: float
    levels: tuple[Level, ...]
    spread_factor: float
    mixed_share: float | None
    drift_ppm_per_unit: float | None
    first_unit: int
    log_odds: float

    @property
    def culprit(self) -> Culprit:
        """The cause and its place."""
        place = self.range_index if self.part_index is None else self.part_index
        return Culprit(self.cause, place)


def find(
    line: Line, log_odds_limit: float, standing: Collection[Culprit] = ()
) -> dict[Culprit, Finding]:
    """Return what stands now, by cause.

    Parameters
    ----------
    line : Line
    log_odds_limit : float
        Calibrated; see `daemon.spc.detector.calibrate`.
    standing : collection of Culprit
        What stood before: it stands on until it has become clearly less likely.

    Notes
    -----
    Something is wrong once the log-odds of all that may be wrong exceed the limit.
    Named are the causes that are then likelier than not, each for itself; the likeliest
    where none is. A further cause must be likelier than not over all.
    """
    if isnan(log_odds_limit):
        raise NotFiniteError(argument="log_odds_limit", value=log_odds_limit)
    masses = _by_culprit(line)
    wrong = line.bad()
    weight = line.weights()
    bad = float(weight[wrong].sum())
    over = line.log_odds > log_odds_limit
    named = set()
    if over and masses:
        named = {
            one for one, (mass, _) in masses.items() if mass > LIKELIER_THAN_NOT * bad
        } or {max(masses, key=lambda one: masses[one][0])}
        likeliest = max(named, key=lambda one: masses[one][0])
        further = max(log_odds_limit, 0.0)
        named = {
            one for one in named if one == likeliest or _odds(masses[one][0]) > further
        }
    for one in standing:
        if one in masses and _odds(masses[one][0]) > log_odds_limit - STEP_BACK:
            named.add(one)
    return {
        one: _describe(line, one, masses, bad, named) for one in sorted(named, key=str)
    }


def ended(line: Line) -> set[Culprit]:
    """Return what was off and is no more, though nobody recorded it.

    A reel that was taken out, a bench that is back with a new set-up: what was found of
    them holds for the units that carry it, or that were measured meanwhile.
    """
    events = line.state.event[: line.hypotheses]
    weight = line.weights()
    found = set()
    for cause, is_its in (
        (REEL, events[..., st.SIZE] != st.OF_BENCH),
        (BENCH, events[..., st.SIZE] == st.OF_BENCH),
    ):
        gone = (events[..., st.KIND] == st.ENDED) & is_its
        for place in np.unique(events[..., st.PLACE][gone]).tolist():
            mass = weight @ (gone & (events[..., st.PLACE] == place)).any(axis=1)
            if mass > LIKELIER_THAN_NOT:
                everywhere = cause == BENCH and place == line.layout.ranges
                found.add(Culprit(cause, None if everywhere else place))
    return found


def _odds(mass: float) -> float:
    mass = min(max(mass, 1e-26), 1.0 - 1e-16)
    return log(mass) - log(1.0 - mass)


def _by_culprit(line: Line) -> dict[Culprit, tuple[float, NDArray[np.intp]]]:
    """Return how likely each cause is and the hypotheses that have it."""
    weight = line.weights()
    found: dict[Culprit, list[int]] = {}
    for k, events in enumerate(line.state.event[: line.hypotheses].tolist()):
        for event in events:
            if event[st.KIND] == 0 or event[st.EXCUSED]:
                continue
            rows = found.setdefault(_culprit(line.layout, event), [])
            if not rows or rows[-1] != k:
                rows.append(k)
    return {
        one: (float(weight[rows].sum()), np.array(rows, dtype=np.intp))
        for one, rows in found.items()
    }


def _culprit(layout: Layout, event: list[int]) -> Culprit:
    kind, place = event[st.KIND], event[st.PLACE]
    if kind == st.SHARED:
        return Culprit(SHARED_STAGE, None)
    if kind in BENCH_KINDS:
        return Culprit(BENCH, None if place == layout.ranges else place)
    return Culprit(REEL, place)


def _describe(
    line: Line,
    culprit: Culprit,
    masses: Mapping[Culprit, tuple[float, NDArray[np.intp]]],
    bad: float,
    named: Collection[Culprit],
) -> Finding:
    layout, state = line.layout, line.state
    mass, rows = masses[culprit]
    weight = line.weights()
    chosen = [_event_of(line, int(k), culprit) for k in rows]
    kinds = np.array([state.event[k, e, st.KIND] for k, e in chosen])
    mixed = kinds == st.MIXED
    is_mixed = bool(weight[rows[mixed]].sum() > LIKELIER_THAN_NOT * mass)
    mine = [one for one, m in zip(chosen, mixed, strict=True) if bool(m) == is_mixed]
    share = weight[[k for k, _ in mine]]
    share = share / share.sum()
    size, level, levels = _sizes(line, culprit, mine, share, mixed=is_mixed)
    best_k, best_e = mine[int(share.argmax())]
    first_unit = int(state.event[best_k, best_e, st.START])
    unit = layout.unit_ppm
    instead = {
        other: float(weight[np.setdiff1d(theirs, rows)].sum()) / bad
        for other, (_, theirs) in masses.items()
        if other != culprit and other not in named
    }
    low, high = size.interval()
    level_low, level_high = level.interval()
    drift = _drift(line, mine, share)
    second, first = state.share[best_k] - st.MIXED_COUNT
    is_part = culprit.cause == REEL
    own = culprit.place is not None and culprit.place < layout.ranges
    return Finding(
        cause=culprit.cause,
        range_index=culprit.place if own else None,
        part_index=culprit.place if is_part else None,
        probability=min(mass / bad, 1.0) if bad > 0 else 0.0,
        runners_up=tuple(
            RunnerUp(
                cause=other.cause,
                range_index=_range_of(layout, other.place),
                probability=p,
            )
            for other, p in sorted(instead.items(), key=lambda pair: -pair[1])
            if p > NAMED_RUNNER_UP
        ),
        alike=_alike(layout, culprit, line.units_before_check >= first_unit),
        size_ppm=size.mean * unit,
        low_ppm=low * unit,
        high_ppm=high * unit,
        level_ppm=level.mean * unit,
        level_low_ppm=level_low * unit,
        level_high_ppm=level_high * unit,
        levels=tuple(_level(place, one, unit) for place, one in levels.items()),
        spread_factor=_spread(line, mine, share, culprit),
        # By the units alone, each way counted as one more.
        mixed_share=(second + 1.0) / (second + first + 2.0) if is_mixed else None,
        drift_ppm_per_unit=None if drift is None else drift * unit,
        first_unit=first_unit,
        log_odds=_odds(mass),
    )


def _event_of(line: Line, k: int, culprit: Culprit) -> tuple[int, int]:
    """Return a hypothesis and which of its events is the cause."""
    for e, event in enumerate(line.state.event[k].tolist()):
        active = event[st.KIND] and not event[st.EXCUSED]
        if active and _culprit(line.layout, event) == culprit:
            return k, e
    raise AssertionError(culprit)


def _range_of(layout: Layout, place: int | None) -> int | None:
    return place if place is not None and place < layout.ranges else None


def _alike(layout: Layout, culprit: Culprit, checked: bool) -> tuple[str, ...]:
    """Causes that the data cannot tell from this one."""
    names = []
    if not checked:
        names.append(REEL if culprit.cause == BENCH else BENCH)
    if layout.ranges == 1 and culprit.cause == REEL:
        names.append(SHARED_STAGE)
    return tuple(names)


def _drift(line: Line, mine: list[tuple[int, int]], share: Array) -> float | None:
    """Return the slope, units a unit, where drift is likelier than not."""
    at = line.places[-1]
    slopes = [
        (float(s), float(line.state.mean[k, at + e]))
        for (k, e), s in zip(mine, share, strict=True)
        if line.state.event[k, e, st.KIND] in (st.DRIFT, st.SLOPE)
    ]
    total = sum(s for s, _ in slopes)
    if total <= LIKELIER_THAN_NOT:
        return None
    return sum(s * slope for s, slope in slopes) / total


def _spread(
    line: Line, mine: list[tuple[int, int]], share: Array, culprit: Culprit
) -> float:
    factors = line.shape.wide_factor
    total = 0.0
    for (k, _), s in zip(mine, share, strict=True):
        factor = 1.0
        for event in line.state.event[k].tolist():
            wide = event[st.KIND] == st.WIDE and event[st.PLACE] == culprit.place
            if wide and culprit.cause == REEL:
                factor = float(factors[event[st.SIZE]])
        total += float(s) * factor
    return total


def _sizes(
    line: Line,
    culprit: Culprit,
    mine: list[tuple[int, int]],
    share: Array,
    *,
    mixed: bool,
) -> tuple["Estimate", "Estimate", dict[int, "Estimate"]]:
    """Size and level, mixed over the hypotheses of one cause.

    Last the levels of the ranges that feel it, where it is a common part's reel.
    """
    layout = line.layout
    ranges = layout.ranges
    parts_at, shared_at, bench_at, _, events_at = line.places
    dimension = line.state.mean.shape[1]

    def level_of(named: Array) -> Estimate:
        row = np.zeros(dimension)
        row[:ranges] = named
        row[parts_at : parts_at + layout.parts] = layout.sensitivity @ named
        row[shared_at] = 1.0
        return _estimate(line, row, mine, share, second=mixed, events_at=events_at)

    named = np.zeros(ranges)
    own = _range_of(layout, culprit.place)
    named[slice(None) if own is None else own] = 1.0
    named /= named.sum()
    size = np.zeros(dimension)
    if culprit.cause == BENCH:
        size[bench_at : bench_at + ranges] = named
    elif culprit.cause == SHARED_STAGE:
        size[shared_at] = 1.0
    elif not mixed:
        size[parts_at + (culprit.place or 0)] = 1.0
    common = culprit.cause == REEL and own is None
    felt = np.flatnonzero(layout.sensitivity[culprit.place]) if common else ()
    return (
        _estimate(line, size, mine, share, second=mixed, events_at=events_at),
        level_of(named),
        {int(one): level_of(np.eye(ranges)[one]) for one in felt},
    )


def _level(index: int, level: "Estimate", unit_ppm: float) -> Level:
    low, high = level.interval()
    return Level(
        range_index=index,
        mean_ppm=level.mean * unit_ppm,
        low_ppm=low * unit_ppm,
        high_ppm=high * unit_ppm,
    )


class Estimate(NamedTuple):
    """A number by several hypotheses, in tolerances: means, deviations, shares."""

    means: Array
    sigmas: Array
    share: Array

    @property
    def mean(self) -> float:
        """Its mean over all hypotheses."""
        return float(self.share @ self.means)

    def interval(self) -> tuple[float, float]:
        """Return its 95 % interval, with as much of the mixture's mass on each side.

        One unit far off may be a shift or wide scatter. Two such readings of the size
        are no normal distribution together: its interval would be too wide for both.
        """
        low, high = (
            quantile(self.means, self.sigmas, self.share, tail) for tail in TAILS_95
        )
        return low, high


def _estimate(
    line: Line,
    row: Array,
    mine: list[tuple[int, int]],
    share: Array,
    *,
    second: bool,
    events_at: int,
) -> Estimate:
    """Return row . state by hypothesis; `second` adds an event's own number."""
    means, sigmas = np.empty(len(mine)), np.empty(len(mine))
    for i, (k, e) in enumerate(mine):
        h = row
        if second:
            h = row.copy()
            h[events_at + e] += 1.0
        means[i] = h @ line.state.mean[k]
        variance = float(h @ line.state.covariance[k] @ h)
        sigmas[i] = max(variance, 0.0) ** 0.5
    return Estimate(means, sigmas, share)


def quantile(means: Array, sigmas: Array, share: Array, tail: float) -> float:
    """Return where a mixture of normal distributions reaches a probability.

    Parameters
    ----------
    means, sigmas, share : (n,)
        Of its components; shares sum to 1.
    tail : float
        0 < tail < 1.

    Examples
    --------
    >>> round(quantile(np.zeros(1), np.ones(1), np.ones(1), 0.975), 6)
    1.959964
    """
    sigmas = np.maximum(sigmas, SMALLEST)
    reach = 10.0 * float(sigmas.max())
    low, high = float(means.min()) - reach, float(means.max()) + reach
    for _ in range(60):
        middle = 0.5 * (low + high)
        if share @ scipy.special.ndtr((middle - means) / sigmas) < tail:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
