"""What checking some units of a build would miss: asked before the build.

A reel whose parts lie off by a shift is told by the mean of the units that carry it.
The mean of m units scatters by sigma / sqrt(m) around the reel's level, and the level
of a good reel scatters by the reel-to-reel sigma; so the mean is held suspect beyond
z sqrt(reel_sigma^2 + sigma^2 / m), a two-sided test of a mean. The detector does at
least as well: it looks after every unit, and knows more hypotheses.

The bound is what is known today. What is not known is what a unit will truly scatter
by (sigma has few degrees of freedom: chi-squared) and where an average reel truly lies
(normal). A probability is the mean over both, an interval their quantiles.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, chdtri, ndtr, ndtri

from daemon.spc.checks import (
    Floats,
    count,
    finite,
    finite_array,
    not_negative,
    positive,
    share,
)
from daemon.spc.errors import OutOfRangeError

__all__ = ["LARGEST_BUILD", "Costs", "SpotCheck", "cheapest", "expected_cost"]

MEANS, SCATTERS = 48, 24
"""Equally likely cases of a mean, and of a scatter, that are not known."""
CONFIDENCE = 0.95
FEWEST_DEGREES = 0.1
FIRST_BLOCK = 16
"""Numbers of units that are tried at first."""
LARGEST_BUILD = 5000
"""Units: of a larger build each number of units takes longer than anybody waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotCheck:
    """Checks of a range by some units of a build.

    Parameters
    ----------
    sigma_ppm : float
        Scatter of units inside one reel, ppm; above 0.
    reel_sigma_ppm : float
        How far the level of a good reel may lie from what is expected, as far as is
        known, ppm; 0 or more.
    false_share : float
        Accepted chance that a good reel is held at one look, in (0, 1).
    degrees : float
        Degrees of freedom of `sigma_ppm`, 0.1 or more; infinite where it is known.
    mean_sigma_ppm : float
        What is not known of the level of an average reel, from which a shift counts,
        ppm; 0 or more.
    build_sigma_ppm : float
        How far the levels of builds scatter beside their reels, ppm; 0 or more.

    Raises
    ------
    SpcError
        Names argument, value and bound.

    Examples
    --------
    >>> check = SpotCheck(sigma_ppm=150.0, reel_sigma_ppm=250.0, false_share=0.0002)
    >>> round(check.seen(1, shift_ppm=3000.0), 3)
    1.0
    >>> round(check.missed(5, shift_ppm=3000.0, build=60, carrying=30), 3)
    0.026
    """

    sigma_ppm: float
    reel_sigma_ppm: float
    false_share: float
    degrees: float = inf
    mean_sigma_ppm: float = 0.0
    build_sigma_ppm: float = 0.0

    def __post_init__(self) -> None:
        positive("sigma_ppm", self.sigma_ppm)
        not_negative("reel_sigma_ppm", self.reel_sigma_ppm)
        share("false_share", self.false_share)
        if not self.degrees >= FEWEST_DEGREES:
            raise OutOfRangeError(
                argument="degrees", value=self.degrees, allowed=f">= {FEWEST_DEGREES:g}"
            )
        not_negative("mean_sigma_ppm", self.mean_sigma_ppm)
        not_negative("build_sigma_ppm", self.build_sigma_ppm)

    def seen(self, units: int, *, shift_ppm: float) -> float:
        """Return the probability that this many units of a reel give it away.

        Parameters
        ----------
        units : int
            Checked units that carry the reel; 0 see nothing.
        shift_ppm : float
            How far the reel's level lies off.

        Raises
        ------
        SpcError
            For a number of units below 0 or a shift that is not finite.

        Examples
        --------
        >>> check = SpotCheck(sigma_ppm=1.0, reel_sigma_ppm=0.0, false_share=0.05)
        >>> round(check.seen(4, shift_ppm=1.0), 4)
        0.516
        """
        count("units", units, at_least=0)
        finite("shift_ppm", shift_ppm)
        return float(self._seen(np.array([units]), shift_ppm).mean())

    def missed(
        self, checked: int, *, shift_ppm: float, build: int, carrying: int
    ) -> float:
        """Return the probability that a random check of a build misses the reel.

        Parameters
        ----------
        checked : int
            Units measured, drawn at random from the build.
        shift_ppm : float
            How far the reel's level lies off.
        build, carrying : int
            Units in the build; those of them that carry the reel.

        Raises
        ------
        SpcError
            For more units checked, or carrying, than there are.

        Examples
        --------
        >>> check = SpotCheck(sigma_ppm=1.0, reel_sigma_ppm=0.0, false_share=1e-6)
        >>> round(check.missed(3, shift_ppm=100.0, build=10, carrying=5), 4)
        0.0833
        """
        missed = self._missed(checked, shift_ppm, build, carrying)
        return float(missed.mean())

    def missed_between(
        self,
        checked: int,
        *,
        shift_ppm: float,
        build: int,
        carrying: int,
        confidence: float = CONFIDENCE,
    ) -> tuple[float, float]:
        """Return what the probability of a miss may truly be, from a short history.

        Parameters
        ----------
        checked : int
            Units measured, drawn at random from the build.
        shift_ppm : float
            How far the reel's level lies off.
        build, carrying : int
            Units in the build; those of them that carry the reel.
        confidence : float
            Of the interval, in (0, 1).

        Returns
        -------
        tuple of two float
            Both as `missed` says where scatter and mean are known.

        Raises
        ------
        SpcError
            As `missed`; for a confidence outside its bounds.

        Examples
        --------
        >>> new = SpotCheck(
        ...     sigma_ppm=150.0, reel_sigma_ppm=400.0, false_share=0.0002,
        ...     degrees=8, mean_sigma_ppm=300.0,
        ... )
        >>> asked = {"shift_ppm": 2000.0, "build": 60, "carrying": 30}
        >>> low, high = new.missed_between(5, **asked)
        >>> round(low, 3), round(new.missed(5, **asked), 3), round(high, 3)
        (0.026, 0.1, 0.866)
        """
        outside = 0.5 * (1.0 - share("confidence", confidence))
        missed = self._missed(checked, shift_ppm, build, carrying)
        low, high = np.quantile(missed, [outside, 1.0 - outside]).tolist()
        return low, high

    def units_needed(
        self, *, shift_ppm: float, missed: float, most: int = 1000
    ) -> int | None:
        """Return how many units of a new reel must be measured, from its first on.

        Parameters
        ----------
        shift_ppm : float
            How far the reel's level lies off.
        missed : float
            Accepted probability of missing it, in (0, 1).
        most : int
            Of so many units at most.

        Returns
        -------
        int or None
            None where no number up to `most` is enough: good reels differ as much.

        Raises
        ------
        SpcError
            Names argument, value and bound.

        Examples
        --------
        >>> check = SpotCheck(sigma_ppm=150.0, reel_sigma_ppm=250.0, false_share=0.0002)
        >>> check.units_needed(shift_ppm=1200.0, missed=0.05)
        2
        """
        finite("shift_ppm", shift_ppm)
        share("missed", missed)
        _no_larger("most", count("most", most, at_least=1))
        for units in _blocks(1, most):
            seen = self._seen(units, shift_ppm).mean(axis=0)
            enough = np.flatnonzero(1.0 - seen <= missed)
            if enough.size:
                return int(units[enough[0]])
        return None

    def size_needed(
        self, *, shift_ppm: float, missed: float, build: int, carrying: int
    ) -> int | None:
        """Return the least random check of a build that misses the reel so rarely.

        Parameters
        ----------
        shift_ppm : float
            How far the reel's level lies off.
        missed : float
            Accepted probability of missing it, in (0, 1).
        build, carrying : int
            Units in the build; those of them that carry the reel.

        Returns
        -------
        int or None
            None where measuring every unit is not enough.

        Raises
        ------
        SpcError
            Names argument, value and bound.

        Examples
        --------
        >>> check = SpotCheck(sigma_ppm=150.0, reel_sigma_ppm=250.0, false_share=0.0002)
        >>> check.size_needed(shift_ppm=3000.0, missed=0.05, build=60, carrying=30)
        5
        """
        share("missed", missed)
        _in_build("carrying", carrying, build)
        finite("shift_ppm", shift_ppm)
        by_each = self._missed_from_one(shift_ppm, build, carrying)
        return next((n for n, one in enumerate(by_each, 1) if one <= missed), None)

    def missed_by_each(
        self, *, shift_ppm: float, build: int, carrying: int
    ) -> NDArray[np.float64]:
        """Return what `missed` says of every number of units, from none to all.

        Parameters
        ----------
        shift_ppm : float
            How far the reel's level lies off.
        build, carrying : int
            Units in the build; those of them that carry the reel.

        Returns
        -------
        ndarray, shape (build + 1,)

        Raises
        ------
        SpcError
            As `missed`.

        Examples
        --------
        >>> check = SpotCheck(sigma_ppm=150.0, reel_sigma_ppm=250.0, false_share=0.0002)
        >>> check.missed_by_each(shift_ppm=3000.0, build=4, carrying=2).round(3)
        array([1.   , 0.5  , 0.167, 0.   , 0.   ])
        """
        _in_build("carrying", carrying, build)
        finite("shift_ppm", shift_ppm)
        return np.array([1.0, *self._missed_from_one(shift_ppm, build, carrying)])

    def _missed_from_one(
        self, shift_ppm: float, build: int, carrying: int
    ) -> Iterator[float]:
        """Give what `missed` says of one unit, of two, up to all."""
        others = build - carrying
        mine = np.asarray(_log_choose(carrying, np.arange(carrying + 1)))
        theirs = np.asarray(_log_choose(others, np.arange(others + 1)))
        every = np.asarray(_log_choose(build, np.arange(build + 1)))
        blocks = _blocks(1, carrying)
        seen = np.zeros(1)
        for checked in range(1, build + 1):
            most = min(checked, carrying)
            while most >= len(seen):
                more = self._seen(next(blocks), shift_ppm).mean(axis=0)
                seen = np.concatenate([seen, more])
            among = np.arange(max(checked - others, 0), most + 1)
            drawn = np.exp(mine[among] + theirs[checked - among] - every[checked])
            yield max(1.0 - float(drawn @ seen[among]), 0.0)

    def _missed(
        self, checked: int, shift_ppm: float, build: int, carrying: int
    ) -> Floats:
        """Return the probability of a miss in each equally likely case."""
        _in_build("checked", checked, build)
        _in_build("carrying", carrying, build)
        finite("shift_ppm", shift_ppm)
        among = np.arange(min(checked, carrying) + 1)
        drawn = _hypergeometric(among, build, carrying, checked)
        # Of none drawn none is seen: exactly 1, though the library's sum is not.
        missed: Floats = np.maximum(1.0 - self._seen(among, shift_ppm) @ drawn, 0.0)
        return missed

    def _seen(self, units: NDArray[np.int64], shift_ppm: float) -> Floats:
        """Return how likely so many units give it away: a row each case that may be."""
        root = np.sqrt(np.maximum(units, 1))
        known = self.sigma_ppm / root
        bound = -ndtri(self.false_share / 2) * np.hypot(self.reel_sigma_ppm, known)
        true = self._scatters_ppm()[:, None] / root
        scatter = np.hypot(self.build_sigma_ppm, true)
        off = (shift_ppm + self._means_ppm())[:, None, None]
        # Of no scatter left by rounding: sure, or no number, which is refused below.
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            beyond = ndtr((off - bound) / scatter)
            below = ndtr((-bound - off) / scatter)
        seen = np.where(units > 0, beyond + below, 0.0)
        return finite_array("seen", seen.reshape(-1, len(units)), ndim=2)

    def _means_ppm(self) -> Floats:
        """Return equally likely places of an average reel."""
        if self.mean_sigma_ppm == 0.0:
            return np.zeros(1)
        shares = (np.arange(MEANS) + 0.5) / MEANS
        return np.asarray(self.mean_sigma_ppm * ndtri(shares))

    def _scatters_ppm(self) -> Floats:
        """Return equally likely scatters of units."""
        if self.degrees == inf:
            return np.array([self.sigma_ppm])
        shares = (np.arange(SCATTERS) + 0.5) / SCATTERS
        squares = chdtri(self.degrees, shares) / self.degrees
        return np.asarray(self.sigma_ppm / np.sqrt(squares))


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What the maker gives, all in one currency.

    Parameters
    ----------
    test : float
        Of measuring one unit.
    escape : float
        Of one unit that ships off.
    bad_share : float
        Share of builds that get such a reel, in (0, 1).

    Raises
    ------
    SpcError
        Names argument, value and bound.

    Examples
    --------
    >>> Costs(test=5.0, escape=400.0, bad_share=0.02).escape
    400.0
    """

    test: float
    escape: float
    bad_share: float

    def __post_init__(self) -> None:
        not_negative("test", self.test)
        not_negative("escape", self.escape)
        share("bad_share", self.bad_share)


def expected_cost(
    check: SpotCheck,
    costs: Costs,
    checked: int,
    *,
    shift_ppm: float,
    build: int,
    carrying: int,
) -> float:
    """Return the expected cost a build of checking so many of its units.

    Parameters
    ----------
    check : SpotCheck
    costs : Costs
    checked : int
        Units measured, drawn at random; 0 measures none.
    shift_ppm : float
        How far the feared reel's level lies off.
    build, carrying : int
        Units in the build; those of them that carry the reel.

    Returns
    -------
    float
        In the currency of the costs.

    Raises
    ------
    SpcError
        Names argument, value and bound.

    Examples
    --------
    >>> check = SpotCheck(sigma_ppm=150.0, reel_sigma_ppm=250.0, false_share=0.0002)
    >>> dear = Costs(test=5.0, escape=400.0, bad_share=0.02)
    >>> expected_cost(check, dear, 0, shift_ppm=3000.0, build=60, carrying=30)
    240.0
    """
    missed = check.missed(checked, shift_ppm=shift_ppm, build=build, carrying=carrying)
    return float(_cost(costs, checked, missed, carrying))


def cheapest(
    check: SpotCheck, costs: Costs, *, shift_ppm: float, build: int, carrying: int
) -> int:
    """Return the number of units whose check costs least on the whole.

    Parameters
    ----------
    check : SpotCheck
    costs : Costs
    shift_ppm : float
        How far the feared reel's level lies off.
    build, carrying : int
        Units in the build; those of them that carry the reel.

    Raises
    ------
    SpcError
        Names argument, value and bound.

    Examples
    --------
    >>> check = SpotCheck(sigma_ppm=150.0, reel_sigma_ppm=250.0, false_share=0.0002)
    >>> dear = Costs(test=5.0, escape=400.0, bad_share=0.02)
    >>> cheapest(check, dear, shift_ppm=3000.0, build=60, carrying=30)
    5
    """
    missed = check.missed_by_each(shift_ppm=shift_ppm, build=build, carrying=carrying)
    numbers = np.arange(build + 1, dtype=np.float64)
    return int(np.argmin(_cost(costs, numbers, missed, carrying)))


def _cost(
    costs: Costs, checked: Floats | int, missed: Floats | float, carrying: int
) -> Floats | float:
    # All units that carry a reel which is missed then ship.
    escaped = costs.bad_share * missed * carrying
    return checked * costs.test + escaped * costs.escape


def _hypergeometric(
    among: NDArray[np.int64], build: int, carrying: int, checked: int
) -> NDArray[np.float64]:
    """Return how likely so many of the checked units carry the reel.

    By logarithms of binomial coefficients: `scipy.stats` has the same, and takes longer
    to load than all else that a question before a build needs.
    """
    others = build - carrying
    left = checked - among
    possible = (left >= 0) & (left <= others)
    log_share = (
        _log_choose(carrying, among)
        + _log_choose(others, np.where(possible, left, 0))
        - _log_choose(build, checked)
    )
    chance: NDArray[np.float64] = np.where(possible, np.exp(log_share), 0.0)
    return chance


def _log_choose(n: int, k: NDArray[np.int64] | int) -> NDArray[np.float64] | np.float64:
    chosen: NDArray[np.float64] | np.float64 = -np.log(n + 1) - betaln(n - k + 1, k + 1)
    return chosen


def _blocks(first: int, last: int) -> Iterator[NDArray[np.int64]]:
    """Give the numbers from the first to the last, in blocks that grow.

    What is asked is most often told by the first few.
    """
    size = FIRST_BLOCK
    while first <= last:
        yield np.arange(first, min(first + size, last + 1))
        first += size
        size *= 2


def _in_build(argument: str, value: int, build: int) -> None:
    count("build", build, at_least=1)
    _no_larger("build", build)
    count(argument, value, at_least=0)
    if value > build:
        raise OutOfRangeError(
            argument=argument, value=value, allowed=f"up to the build's {build}"
        )


def _no_larger(argument: str, units: int) -> None:
    if units > LARGEST_BUILD:
        raise OutOfRangeError(
            argument=argument, value=units, allowed=f"<= {LARGEST_BUILD}"
        )
