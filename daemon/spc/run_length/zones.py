"""Run length of a Shewhart chart with zone rules, exactly.

References
----------
C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393-399.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import inf, isnan

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from daemon.spc.checks import Floats, count, finite, positive
from daemon.spc.errors import OutOfRangeError, TooFewError
from daemon.spc.run_length.distribution import RunLength
from daemon.spc.run_length.search import solve_for_mean
from daemon.spc.run_length.shewhart import above_one

_Automaton = tuple[Floats, NDArray[np.intp], int]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneRule:
    """A signal when enough of the latest points lie in a zone.

    A window that is still filling counts with the points it has. A point on a
    border lies in neither zone, which for a continuous value never matters.

    Parameters
    ----------
    needed, of : int
        The rule fires when `needed` of the last `of` points lie in the zone.
    zone : tuple of (float, float)
        Intervals that make up the zone, in standard deviations of the plotted
        statistic from the centre; infinite borders are allowed.

    Examples
    --------
    One point beyond three standard deviations, on either side:

    >>> ZoneRule(needed=1, of=1, zone=((-inf, -3.0), (3.0, inf))).of
    1
    """

    needed: int
    of: int
    zone: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        count("needed", self.needed, at_least=1)
        count("of", self.of, at_least=self.needed)
        if not self.zone:
            raise TooFewError(argument="len(zone)", value=0, allowed=">= 1")
        for interval in self.zone:
            low, high = interval
            if isnan(low) or isnan(high) or not low < high:
                raise OutOfRangeError(
                    argument="zone", value=interval, allowed="(lower, higher)"
                )


def one_side(
    needed: int, of: int, above: float, below: float = inf
) -> tuple[ZoneRule, ...]:
    """Return a rule for the upper side and its mirror for the lower.

    Examples
    --------
    >>> [rule.zone for rule in one_side(2, 3, 2.0)]
    [((2.0, inf),), ((-inf, -2.0),)]
    """
    return (
        ZoneRule(needed=needed, of=of, zone=((above, below),)),
        ZoneRule(needed=needed, of=of, zone=((-below, -above),)),
    )


BEYOND_THREE = one_side(1, 1, 3.0)
"""One point beyond three standard deviations."""

WESTERN_ELECTRIC = (
    *BEYOND_THREE,
    *one_side(2, 3, 2.0),
    *one_side(4, 5, 1.0),
    *one_side(8, 8, 0.0),
)
"""The four zone tests of the Statistical Quality Control Handbook (1956)."""


def zone_run_length(
    rules: Sequence[ZoneRule], *, shift: float = 0.0, scale: float = 1.0
) -> RunLength:
    """Return the run length of a chart that signals when any rule fires.

    Parameters
    ----------
    rules : sequence of ZoneRule
        At least one.
    shift : float
        Shift of the mean, in standard deviations of the plotted statistic.
    scale : float
        Factor on every zone border, > 0; see `zone_scale`.

    Raises
    ------
    SpcError
        When there is no rule, or a number is not finite or outside its bounds.

    Notes
    -----
    An absorbing Markov chain over what the rules remember of earlier points,
    reduced to states that differ in some future; the chart starts without a
    past.

    Examples
    --------
    >>> round(zone_run_length(WESTERN_ELECTRIC).mean, 2)
    91.75
    >>> round(zone_run_length(WESTERN_ELECTRIC, shift=1.0).mean, 2)
    9.22
    """
    finite("shift", shift)
    positive("scale", scale)
    if not rules:
        raise TooFewError(argument="len(rules)", value=0, allowed=">= 1")
    borders, following, start = _automaton(tuple(rules))
    chance = np.diff(ndtr(scale * borders - shift))
    m = len(following)
    step = np.zeros((m, m))
    for zone, probability in enumerate(chance):
        stays = np.flatnonzero(following[:, zone] >= 0)
        step[stays, following[stays, zone]] += probability
    one = np.ones(1)
    return RunLength(early=one, row=step[start], step=step, weight=np.ones(m))


def zone_scale(rules: Sequence[ZoneRule], *, arl: float) -> float:
    """Return the factor on all zone borders that gives a wanted in-control ARL.

    Parameters
    ----------
    rules : sequence of ZoneRule
        At least one with a border that is neither 0 nor infinite.
    arl : float
        Wanted average run length without a shift, in points, > 1.

    Raises
    ------
    SpcError
        When no factor gives that run length: eight in a row on one side alone
        signal every 255 points, however wide the other zones are.

    Examples
    --------
    >>> round(zone_scale(WESTERN_ELECTRIC, arl=91.75), 3)
    1.0
    """
    above_one("arl", arl)
    return solve_for_mean(
        lambda scale: zone_run_length(rules, scale=scale).mean,
        arl=arl,
        guess=1.0,
        highest=8.0,
    )


@lru_cache(maxsize=32)
def _automaton(rules: tuple[ZoneRule, ...]) -> _Automaton:
    """Return zone borders, the next state by state and zone (-1: signal), the start."""
    ends = {end for rule in rules for interval in rule.zone for end in interval}
    borders = sorted(ends | {-inf, inf})
    hits = [
        tuple(any(low <= a and b <= high for low, high in r.zone) for r in rules)
        for a, b in pairwise(borders)
    ]
    start = (0,) * len(rules)
    index = {start: 0}
    queue = [start]
    following = []
    for state in queue:
        row = []
        for hit in hits:
            after = _after(rules, state, hit)
            if after is None:
                row.append(-1)
                continue
            if after not in index:
                index[after] = len(index)
                queue.append(after)
            row.append(index[after])
        following.append(row)
    reduced, first = _reduced(np.array(following, dtype=np.intp))
    return np.array(borders), reduced, first


def _after(
    rules: tuple[ZoneRule, ...], state: tuple[int, ...], hit: tuple[bool, ...]
) -> tuple[int, ...] | None:
    """Return what each rule remembers after a point, or None for a signal.

    A memory is a bit for each earlier point, the newest lowest. A bit that can
    no longer help its rule to fire is forgotten.
    """
    after = []
    for rule, bits, inside in zip(rules, state, hit, strict=True):
        window = (bits << 1 | inside) & ((1 << rule.of) - 1)
        if window.bit_count() >= rule.needed:
            return None
        window &= (1 << (rule.of - 1)) - 1
        for age in reversed(range(rule.of - 1)):
            newer = (window & ((1 << (age + 1)) - 1)).bit_count()
            if newer + rule.of - 1 - age < rule.needed:
                window &= ~(1 << age)
        after.append(window)
    return tuple(after)


def _reduced(following: NDArray[np.intp]) -> tuple[NDArray[np.intp], int]:
    """Merge states that no future can tell apart (Moore's partition refinement)."""
    kind = np.zeros(len(following), dtype=np.intp)
    kinds = 1
    while True:
        seen = np.where(following < 0, -1, kind[following])
        _, kind = np.unique(np.column_stack([kind, seen]), axis=0, return_inverse=True)
        if kind.max() + 1 == kinds:
            break
        kinds = int(kind.max()) + 1
    member = np.zeros(kinds, dtype=np.intp)
    member[kind] = np.arange(len(following))
    seen = following[member]
    return np.where(seen < 0, -1, kind[seen]), int(kind[0])
