"""What has moved, by how much, since when, how sure: a bank put into a finding."""

from dataclasses import dataclass
from importlib import import_module
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon.spc.bank import Bank
from daemon.spc.hypotheses import NOWHERE, Cause
from daemon.spc.layout import Layout
from daemon.spc.rows import Rows

Array = NDArray[np.float64]

TWO_SIDED_95 = 1.959963984540054
TAILS_95 = 0.025, 0.975
SMALLEST = 1e-12
"""Of a standard deviation, tolerances: one divides by it."""
NAMED_RUNNER_UP = 0.001

CAUSE_NAMES = {
    Cause.REEL: "reel",
    Cause.MIXED: "reel",
    Cause.SHARED: "shared stage",
    Cause.BENCH: "bench",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RunnerUp:
    """Another cause and its probability among all causes."""

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
        The other causes above one in a thousand, likeliest first.
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
        Scatter of the parts as a multiple of the baseline's.
    mixed_share : float or None
        Share of the units with the second reel, where two are mixed.
    drift_ppm_per_unit : float or None
        Where the bench drifts.
    first_unit : int
        First unit concerned, counted from 1 at the start of the build.
    log_odds : float
        Logarithm of bad mass over good mass.
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


def describe(bank: Bank, build: int, *, checked_before: int) -> Finding:
    """Return what the bad hypotheses about one build say together.

    Parameters
    ----------
    bank : Bank
    build : int
        Which of the bank's builds.
    checked_before : int
        The unit, from 1, before which the check standard was last run; 0 for never.
    """
    layout = bank.layout
    all_causes = bank.rows.cause[build]
    all_places = bank.rows.place[build]
    weight = np.exp(bank.rows.log_weight[build])
    weight[all_causes == Cause.GOOD] = 0.0
    weight /= weight.sum()
    by_code: dict[tuple[int, int], float] = {}
    for code, where, mass in zip(
        all_causes.tolist(), all_places.tolist(), weight.tolist(), strict=True
    ):
        if mass:
            by_code[code, where] = by_code.get((code, where), 0.0) + mass
    # one reel and two mixed reels of the same part are one cause to whoever acts
    masses: dict[tuple[str, int], float] = {}
    for (code, where), mass in by_code.items():
        key = CAUSE_NAMES[Cause(code)], where
        masses[key] = masses.get(key, 0.0) + mass
    (name, place), *others = sorted(masses, key=lambda key: -masses[key])
    same = [code for code, words in CAUSE_NAMES.items() if words == name]
    cause = max(same, key=lambda code: by_code.get((code, place), 0.0))
    mine = np.flatnonzero((all_causes == cause) & (all_places == place) & (weight > 0))
    rows = bank.rows.of_build(build).picked(mine[None])
    share = weight[mine] / weight[mine].sum()
    log_odds = float(bank.log_odds(slice(build, build + 1))[0])
    size, level, levels = _sizes(bank, cause, place, rows, share)
    best = int(share.argmax())
    first_unit = int(rows.first[0, best])
    unit = layout.unit_ppm
    low, high = size.interval()
    level_low, level_high = level.interval()
    beta = rows.beta[0, :, best]
    slope = rows.slope[0, best] != NOWHERE
    return Finding(
        cause=name,
        range_index=_range_of(layout, place),
        part_index=place if cause in (Cause.REEL, Cause.MIXED) else None,
        probability=masses[name, place],
        runners_up=tuple(
            RunnerUp(
                cause=other,
                range_index=_range_of(layout, where),
                probability=masses[other, where],
            )
            for other, where in others
            if masses[other, where] > NAMED_RUNNER_UP
        ),
        alike=_alike(layout, cause, checked=checked_before >= first_unit),
        size_ppm=size.mean * unit,
        low_ppm=low * unit,
        high_ppm=high * unit,
        level_ppm=level.mean * unit,
        level_low_ppm=level_low * unit,
        level_high_ppm=level_high * unit,
        levels=tuple(_level(index, one, unit) for index, one in levels.items()),
        spread_factor=float(share @ rows.factor[0]),
        mixed_share=float(beta[0] / beta.sum()) if cause is Cause.MIXED else None,
        drift_ppm_per_unit=(
            float(rows.mean[0, layout.ranges, best]) * unit if slope else None
        ),
        first_unit=first_unit,
        log_odds=log_odds,
    )


def _level(index: int, level: "_Estimate", unit_ppm: float) -> Level:
    low, high = level.interval()
    return Level(
        range_index=index,
        mean_ppm=level.mean * unit_ppm,
        low_ppm=low * unit_ppm,
        high_ppm=high * unit_ppm,
    )


def _range_of(layout: Layout, place: int) -> int | None:
    return place if 0 <= place < layout.ranges else None


def _alike(layout: Layout, cause: Cause, *, checked: bool) -> tuple[str, ...]:
    """Causes that the data cannot tell from this one."""
    names = []
    if not checked:
        names.append("reel" if cause is Cause.BENCH else "bench")
    if layout.ranges == 1 and cause is not Cause.BENCH:
        names.append("shared stage")
    return tuple(names)


def _sizes(
    bank: Bank, cause: Cause, place: int, rows: Rows, share: Array
) -> tuple["_Estimate", "_Estimate", dict[int, "_Estimate"]]:
    """Size and level, mixed over the hypotheses of one cause.

    Last the levels of the ranges that feel it, where it is a common part's reel.
    """
    layout = bank.layout
    ranges, bench = layout.ranges, layout.parts + 1
    mean, covariance = bank.posterior(rows)

    def level_of(named: Array) -> _Estimate:
        level = np.zeros(mean.shape[1])
        level[-1 - ranges : -1] = named
        level[bench : bench + ranges] = -named
        level[-1] = 1.0 if cause is Cause.MIXED else 0.0
        return _Estimate.of(mean[0], covariance[0], level, share)

    named = np.zeros(ranges)
    named[place if 0 <= place < ranges else slice(None)] = 1.0
    named /= named.sum()
    size = np.zeros(mean.shape[1])
    if cause is Cause.MIXED:
        size[-1] = 1.0
    elif cause is Cause.BENCH:
        size[bench : bench + ranges] = named
    else:
        size[place if cause is Cause.REEL else layout.parts] = 1.0
    common = cause is Cause.REEL and place >= ranges
    felt = np.flatnonzero(layout.sensitivity[place]) if common else ()
    return (
        _Estimate.of(mean[0], covariance[0], size, share),
        level_of(named),
        {int(one): level_of(np.eye(ranges)[one]) for one in felt},
    )


class _Estimate(NamedTuple):
    """A number by several hypotheses, in tolerances: means, deviations, shares."""

    means: Array
    sigmas: Array
    share: Array

    @classmethod
    def of(
        cls, mean: Array, covariance: Array, row: Array, share: Array
    ) -> "_Estimate":
        """Return row . state."""
        variance = np.einsum("i,ijk,j->k", row, covariance, row)
        return cls(row @ mean, np.sqrt(np.maximum(variance, 0.0)), share)

    @property
    def mean(self) -> float:
        """Its mean over all hypotheses."""
        return float(self.share @ self.means)

    def interval(self) -> tuple[float, float]:
        """Return its 95 % interval, with as much of the mixture's mass on each side.

        One unit far off may be a shift or wide scatter. Two such readings of the size
        are no normal distribution together: its interval would be too wide for both.
        """
        quantile = import_module("daemon.spc.compiled").mixture_quantile_compiled
        sigmas = np.maximum(self.sigmas, SMALLEST)
        low, high = (quantile(self.means, sigmas, self.share, t) for t in TAILS_95)
        return float(low), float(high)
