"""Control limits, and where they came from."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import Floats, finite, finite_array, positive
from daemon.spc.constants import MEDIAN_MOVING_RANGE, c4, d2
from daemon.spc.errors import NoSpreadError, OutOfRangeError, TooFewError


class SigmaMethod(StrEnum):
    """How a standard deviation was come by."""

    GIVEN = "given"
    MEAN_MOVING_RANGE = "mean moving range"
    MEDIAN_MOVING_RANGE = "median moving range"
    STANDARD_DEVIATION = "standard deviation"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """A baseline value that was left out, and the recorded cause."""

    index: int
    cause: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """What limits rest on.

    `used` counts the values that entered, `segments` the stretches without a
    known boundary inside; `excluded` names what was left out and why.
    """

    method: SigmaMethod
    used: int
    segments: int = 1
    excluded: tuple[Exclusion, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Centre line and control limits of a chart of single values.

    Parameters
    ----------
    centre, sigma : float
        In-control mean and standard deviation, in the unit of the values.
    provenance : Provenance
        Where they came from.
    width : float
        Distance of the limits from the centre, in standard deviations.

    Raises
    ------
    SpcError
        When a number is not finite, or `sigma` or `width` is not above zero.

    Examples
    --------
    >>> limits = Limits.given(centre=120.0, sigma=40.0)
    >>> limits.lower, limits.upper
    (0.0, 240.0)
    """

    centre: float
    sigma: float
    provenance: Provenance
    width: float = 3.0

    def __post_init__(self) -> None:
        finite("centre", self.centre)
        positive("sigma", self.sigma)
        positive("width", self.width)

    @classmethod
    def given(cls, *, centre: float, sigma: float, width: float = 3.0) -> "Limits":
        """Return limits from known parameters, resting on no baseline."""
        nothing = Provenance(method=SigmaMethod.GIVEN, used=0, segments=0)
        return cls(centre=centre, sigma=sigma, width=width, provenance=nothing)

    @property
    def lower(self) -> float:
        """Lower control limit, in the unit of the values."""
        return self.centre - self.width * self.sigma

    @property
    def upper(self) -> float:
        """Upper control limit, in the unit of the values."""
        return self.centre + self.width * self.sigma


def limits_from_baseline(
    x: ArrayLike,
    *,
    method: SigmaMethod = SigmaMethod.MEAN_MOVING_RANGE,
    segment_starts: Sequence[int] = (),
    exclude: Iterable[Exclusion] = (),
    width: float = 3.0,
) -> Limits:
    """Return the limits of an individuals chart from baseline values.

    Moving ranges are formed neither across a known boundary nor across an
    excluded value: the two values are not successive units of one process.

    Parameters
    ----------
    x : array_like, shape (n,)
        Baseline values in the order they were taken, any one unit.
    method : SigmaMethod
        Mean moving range over d2, median moving range over 0.9539, or the
        sample standard deviation over c4.
    segment_starts : sequence of int
        Positions in `x` (0-based) at which a new stretch begins, such as a reel.
    exclude : iterable of Exclusion
        Values with a recorded cause, left out.
    width : float
        Distance of the limits from the centre, in standard deviations.

    Returns
    -------
    Limits
        In the unit of `x`, with their provenance.

    Raises
    ------
    SpcError
        For values that are not finite, a position outside `x`, fewer than two
        values or one moving range left, or values without spread.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2; ASTM E2587.

    Examples
    --------
    >>> limits = limits_from_baseline([49.6, 47.6, 49.9, 51.3, 47.8, 51.2])
    >>> round(limits.centre, 3), round(limits.sigma, 3)
    (49.567, 2.234)
    """
    values = finite_array("x", x, at_least=2)
    excluded = tuple(sorted(exclude, key=lambda each: each.index))
    starts = _starts(segment_starts, len(values))
    keep = np.ones(len(values), dtype=np.bool_)
    for each in excluded:
        if not 0 <= each.index < len(values):
            raise OutOfRangeError(
                argument="exclude.index",
                value=each.index,
                allowed=f">= 0 and < {len(values)}",
            )
        keep[each.index] = False
    kept = values[keep]
    if len(kept) < 2:
        raise TooFewError(argument="values left in x", value=len(kept), allowed=">= 2")
    sigma = _sigma(values, keep, starts, method)
    if sigma <= 0.0:
        raise NoSpreadError(
            argument="spread of x", value=sigma, allowed="> 0 for control limits"
        )
    return Limits(
        centre=float(kept.mean()),
        sigma=sigma,
        width=width,
        provenance=Provenance(
            method=method,
            used=len(kept),
            segments=1 + len(starts),
            excluded=excluded,
        ),
    )


def _starts(segment_starts: Sequence[int], n: int) -> list[int]:
    for start in segment_starts:
        if not 0 <= start < n:
            raise OutOfRangeError(
                argument="segment_starts", value=start, allowed=f">= 0 and < {n}"
            )
    return sorted(set(segment_starts) - {0})


def _sigma(
    values: Floats, keep: NDArray[np.bool_], starts: list[int], method: SigmaMethod
) -> float:
    if method is SigmaMethod.STANDARD_DEVIATION:
        kept = values[keep]
        return float(kept.std(ddof=1)) / c4(len(kept))
    together = keep[1:] & keep[:-1]
    together[np.asarray(starts, dtype=np.intp) - 1] = False
    ranges = np.abs(np.diff(values))[together]
    if not len(ranges):
        raise TooFewError(argument="moving ranges left in x", value=0, allowed=">= 1")
    if method is SigmaMethod.MEDIAN_MOVING_RANGE:
        return float(np.median(ranges)) / MEDIAN_MOVING_RANGE
    if method is SigmaMethod.MEAN_MOVING_RANGE:
        return float(ranges.mean()) / d2(2)
    raise OutOfRangeError(
        argument="method", value=method.value, allowed="a way to estimate from x"
    )
