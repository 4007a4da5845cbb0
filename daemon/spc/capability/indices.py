"""Capability and performance indices, and their confidence intervals.

The same formulas give capability (Cp, Cpk, Cpm: with the standard deviation inside
builds) and performance (Pp, Ppk: with that of all units together).

References
----------
ISO 22514-2:2017; ISO 22514-4:2016; NIST/SEMATECH e-Handbook, section 6.1.6.
"""

from dataclasses import dataclass
from math import isnan, sqrt

import scipy
from scipy.special import chdtri, ndtri

from daemon.spc.checks import count, finite, not_negative, positive, share, within_reach
from daemon.spc.errors import OutOfRangeError
from daemon.spc.variance.intervals import Interval

LARGE = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Specification:
    """Limits that units must keep, in the unit of the values.

    Parameters
    ----------
    lower, upper : float or None
        Lower (L) and upper (U) specification limit; one may be absent.
    target : float or None
        Where the mean ought to be; None for the midpoint of two limits.

    Raises
    ------
    SpcError
        For no limit, limits in the wrong order, or numbers that are not finite.

    Examples
    --------
    >>> Specification(lower=-500.0, upper=500.0).aim
    0.0
    """

    lower: float | None = None
    upper: float | None = None
    target: float | None = None

    def __post_init__(self) -> None:
        for name in ("lower", "upper", "target"):
            value = getattr(self, name)
            if value is not None:
                finite(name, value)
        if self.lower is None and self.upper is None:
            raise OutOfRangeError(
                argument="lower and upper", value=None, allowed="one limit at least"
            )
        if self.width is not None and self.width <= 0.0:
            raise OutOfRangeError(
                argument="upper",
                value=self.upper,
                allowed=f"> lower, which is {self.lower}",
            )
        if self.target is not None and not (
            (self.lower is None or self.lower <= self.target)
            and (self.upper is None or self.target <= self.upper)
        ):
            raise OutOfRangeError(
                argument="target", value=self.target, allowed="within the limits"
            )

    @property
    def width(self) -> float | None:
        """Distance of the limits, where there are two."""
        if self.lower is None or self.upper is None:
            return None
        return self.upper - self.lower

    @property
    def middle(self) -> float | None:
        """Midpoint of the limits, where there are two."""
        if self.lower is None or self.upper is None:
            return None
        return 0.5 * (self.lower + self.upper)

    @property
    def aim(self) -> float | None:
        """Target, or the midpoint of two limits."""
        return self.middle if self.target is None else self.target

    def off_centre(self, place: float) -> float | None:
        """Return a place's distance from the midpoint, as a share of half the width."""
        if self.width is None or self.middle is None:
            return None
        return abs(place - self.middle) / (0.5 * self.width)


@dataclass(frozen=True, slots=True, kw_only=True)
class Indices:
    """Capability indices; None where the specification has no such limit or target.

    `cp` compares the width of the specification with six standard deviations;
    `cpl` and `cpu` the room to each limit with three (CpkL and CpkU of ISO 22514-2);
    `cpk` is the smaller; `cpm` counts being off target as scatter (Taguchi).
    `off_centre` is the mean's distance from the midpoint, as a share of half the
    width (k of the handbook). With the standard deviation of all units together
    these are Pp, PpkL, PpkU and Ppk.
    """

    cp: float | None
    cpl: float | None
    cpu: float | None
    cpk: float
    cpm: float | None
    off_centre: float | None


@within_reach
def indices(*, mean: float, s: float, specification: Specification) -> Indices:
    """Return the indices of normal values.

    Parameters
    ----------
    mean, s : float
        Mean and standard deviation (> 0), in the unit of the specification.
    specification : Specification
        One limit or two.

    Raises
    ------
    SpcError
        For numbers that are not finite, or a standard deviation not above zero.

    Examples
    --------
    >>> found = indices(
    ...     mean=40.0, s=150.0, specification=Specification(lower=-500.0, upper=500.0)
    ... )
    >>> round(found.cp, 4), round(found.cpk, 4), round(found.cpm, 4)
    (1.1111, 1.0222, 1.0736)
    """
    finite("mean", mean)
    positive("s", s)
    lower, upper = specification.lower, specification.upper
    width = specification.width
    cpl = None if lower is None else (mean - lower) / (3.0 * s)
    cpu = None if upper is None else (upper - mean) / (3.0 * s)
    return Indices(
        cp=None if width is None else width / (6.0 * s),
        cpl=cpl,
        cpu=cpu,
        cpk=min(each for each in (cpl, cpu) if each is not None),
        cpm=_cpm(mean, s, specification),
        off_centre=specification.off_centre(mean),
    )


def _cpm(mean: float, s: float, specification: Specification) -> float | None:
    aim = specification.aim
    if aim is None:
        return None
    around = sqrt(s * s + (mean - aim) ** 2)
    if specification.width is not None:
        return specification.width / (6.0 * around)
    limits = (specification.lower, specification.upper)
    room = min(abs(limit - aim) for limit in limits if limit is not None)
    return room / (3.0 * around)


def cp_interval(cp: float, *, degrees: int, confidence: float = 0.95) -> Interval:
    """Return the exact interval of Cp or Pp (chi-square).

    Parameters
    ----------
    cp : float
        The estimate, > 0.
    degrees : int
        Degrees of freedom of the standard deviation: units minus builds for Cp,
        units minus one for Pp.
    confidence : float
        Above 0 and below 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> interval = cp_interval(1000 / (6 * 150), degrees=29)
    >>> round(interval.lower, 4), round(interval.upper, 4)
    (0.8265, 1.3952)
    """
    positive("cp", cp)
    count("degrees", degrees, at_least=1)
    outside = 0.5 * (1.0 - share("confidence", confidence))
    return Interval(
        lower=cp * sqrt(float(chdtri(degrees, 1.0 - outside)) / degrees),
        upper=cp * sqrt(float(chdtri(degrees, outside)) / degrees),
        confidence=confidence,
    )


def cpk_interval(
    cpk: float, *, n: int, degrees: int, confidence: float = 0.95
) -> Interval:
    """Return the interval of Cpk or Ppk by Bissell's normal approximation.

    Parameters
    ----------
    cpk : float
        The estimate.
    n : int
        Units in the mean, at least 2.
    degrees : int
        Degrees of freedom of the standard deviation.
    confidence : float
        Above 0 and below 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    References
    ----------
    A. F. Bissell, Applied Statistics 39 (1990) 331-340.

    Examples
    --------
    >>> interval = cpk_interval(1.33, n=50, degrees=49)
    >>> round(interval.lower, 4), round(interval.upper, 4)
    (1.0509, 1.6091)
    """
    finite("cpk", cpk)
    count("n", n, at_least=2)
    count("degrees", degrees, at_least=1)
    z = -float(ndtri(0.5 * (1.0 - share("confidence", confidence))))
    half = z * sqrt(1.0 / (9.0 * n) + cpk * cpk / (2.0 * degrees))
    return Interval(lower=cpk - half, upper=cpk + half, confidence=confidence)


def one_sided_bound(
    estimate: float, *, n: int, degrees: int, confidence: float = 0.95
) -> float:
    """Return the exact lower confidence bound of Cpl or Cpu (noncentral t).

    For Cpk, the smaller of the two, it holds at least as surely as said.

    Parameters
    ----------
    estimate : float
        Estimate of the index.
    n : int
        Units in the mean, at least 2.
    degrees : int
        Degrees of freedom of the standard deviation.
    confidence : float
        Above 0 and below 1; a value below 0.5 gives an upper bound.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    References
    ----------
    Y.-M. Chou, D. B. Owen and S. A. Borrego, Journal of Quality Technology 22 (1990)
    223-229.

    Examples
    --------
    >>> round(one_sided_bound(1.33, n=30, degrees=29), 5)
    1.02156
    """
    finite("estimate", estimate)
    count("n", n, at_least=2)
    count("degrees", degrees, at_least=1)
    share("confidence", confidence)
    if min(n, degrees) > LARGE:
        # Normal to seven digits, where the noncentral t of the library ends in NaN.
        half = sqrt(1.0 / (9.0 * n) + estimate * estimate / (2.0 * degrees))
        return estimate - float(ndtri(confidence)) * half
    scale = 3.0 * sqrt(n)
    t = scale * estimate

    def excess(index: float) -> float:
        found = float(scipy.stats.nct.cdf(t, degrees, scale * index))
        if isnan(found):
            raise OutOfRangeError(
                argument="estimate", value=estimate, allowed="smaller for so many units"
            )
        return found - confidence

    step = 1.0 / scale + abs(estimate) / sqrt(2.0 * degrees)
    low, high = estimate - step, estimate + step
    while excess(low) < 0.0:
        low -= step
    while excess(high) > 0.0:
        high += step
    return float(scipy.optimize.brentq(excess, low, high, xtol=1e-12))


@within_reach
def cpm_interval(
    cpm: float, *, n: int, off_target: float, confidence: float = 0.95
) -> Interval:
    """Return the interval of Cpm by Boyles' chi-square approximation.

    Parameters
    ----------
    cpm : float
        The estimate, > 0.
    n : int
        Units it rests on, at least 2.
    off_target : float
        Distance of the mean from the target, in standard deviations.
    confidence : float
        Above 0 and below 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    References
    ----------
    R. A. Boyles, Journal of Quality Technology 23 (1991) 17-26.

    Examples
    --------
    >>> interval = cpm_interval(1.2, n=50, off_target=0.5)
    >>> round(interval.lower, 3), round(interval.upper, 3)
    (0.97, 1.429)
    """
    positive("cpm", cpm)
    count("n", n, at_least=2)
    squared = not_negative("off_target", abs(off_target)) ** 2
    outside = 0.5 * (1.0 - share("confidence", confidence))
    degrees = n * (1.0 + squared) ** 2 / (1.0 + 2.0 * squared)
    return Interval(
        lower=cpm * sqrt(float(chdtri(degrees, 1.0 - outside)) / degrees),
        upper=cpm * sqrt(float(chdtri(degrees, outside)) / degrees),
        confidence=confidence,
    )
