"""Several ranges judged together: their centre, covariance, and who stands out.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, section 6.5.4; D. S. Holmes and A. E.
Mergen, Quality Engineering 5 (1993) 619-625 (covariance from successive differences).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import Floats, finite_array
from daemon.spc.control_limits import Exclusion, kept, segment_bounds
from daemon.spc.errors import NoSpreadError, OutOfRangeError, ShapeError, TooFewError


class CovarianceMethod(StrEnum):
    """How a covariance was come by."""

    GIVEN = "given"
    SAMPLE = "deviations from the mean"
    SUCCESSIVE_DIFFERENCES = "successive differences"
    """Keeps its size when the level moves inside the baseline."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VectorProvenance:
    """What a centre and covariance rest on; fields as in `Provenance`."""

    method: CovarianceMethod
    used: int
    degrees_of_freedom: float
    segments: int = 1
    excluded: tuple[Exclusion, ...] = ()


GIVEN = VectorProvenance(
    method=CovarianceMethod.GIVEN, used=0, degrees_of_freedom=inf, segments=0
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VectorLimits:
    """In-control centre and covariance of several ranges.

    Parameters
    ----------
    names : tuple of str
        Of the ranges, each once, in the order of the arrays.
    centre : array_like, shape (ranges,)
        In-control means, each in its own unit.
    covariance : array_like, shape (ranges, ranges)
        Of one unit; symmetric and positive definite.
    provenance : VectorProvenance
        Where they came from.
    precision : ndarray, shape (ranges, ranges)
        Inverse of the covariance; calculated.

    Raises
    ------
    SpcError
        For shapes that do not match, values that are not finite, a name given
        twice, or a covariance that no values have or that cannot be inverted.
    """

    names: tuple[str, ...]
    centre: Floats
    covariance: Floats
    provenance: VectorProvenance = GIVEN
    precision: Floats = field(init=False)

    def __post_init__(self) -> None:
        ranges = len(self.names)
        if not ranges or len(set(self.names)) < ranges:
            raise OutOfRangeError(
                argument="names", value=self.names, allowed="one or more, each once"
            )
        centre = finite_array("centre", self.centre).copy()
        covariance = finite_array("covariance", self.covariance, ndim=2).copy()
        for argument, array, shape in (
            ("centre", centre, (ranges,)),
            ("covariance", covariance, (ranges, ranges)),
        ):
            if array.shape != shape:
                raise ShapeError(
                    argument=argument,
                    value=f"shape {array.shape}",
                    allowed=f"of shape {shape}, as there are names",
                )
        precision = _inverse(self.names, covariance)
        for name, array in (
            ("centre", centre),
            ("covariance", covariance),
            ("precision", precision),
        ):
            array.setflags(write=False)
            object.__setattr__(self, name, array)

    def checked(self, argument: str, x: ArrayLike, *, ndim: int) -> Floats:
        """Return values of all ranges, one unit or many, as an array.

        Parameters
        ----------
        argument : str
            What an error calls them.
        x : array_like, shape (ranges,) or (n, ranges)
        ndim : int
            1 for one unit, 2 for many.

        Raises
        ------
        SpcError
            For values that are not finite, or not one for each range.

        Examples
        --------
        >>> limits = VectorLimits(names=("10 uA",), centre=[0.0], covariance=[[4.0]])
        >>> limits.checked("x", [3.0], ndim=1)
        array([3.])
        """
        values = finite_array(argument, x, ndim=ndim)
        if values.shape[-1] != len(self.names):
            raise ShapeError(
                argument=argument,
                value=f"shape {values.shape}",
                allowed=f"values of {len(self.names)} ranges: {', '.join(self.names)}",
            )
        return values


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """Squared distance of vectors from the centre, and each range's part in it.

    Parameters
    ----------
    t2 : ndarray, shape (n,)
        Squared distance with regard to the covariance.
    alone : ndarray, shape (n, ranges)
        What each range would give by itself: its squared deviation in variances.
    conditional : ndarray, shape (n, ranges)
        What each range adds to all others together: its squared deviation from what
        the others predict of it, in the variances of that prediction.
    """

    t2: Floats
    alone: Floats
    conditional: Floats


def shares(limits: VectorLimits, deviation: Floats) -> Shares:
    """Return the squared distance of deviations and each range's part in it.

    Parameters
    ----------
    limits : VectorLimits
        With the covariance of what deviates.
    deviation : ndarray, shape (n, ranges)
        From the centre, each in its range's unit; finite, as charts see to it.

    Returns
    -------
    Shares
        All without unit.

    Raises
    ------
    ValueError
        numpy's, for a number of ranges that is not that of the limits.

    References
    ----------
    G. C. Runger, F. B. Alt and D. C. Montgomery, Communications in Statistics: Theory
    and Methods 25 (1996) 2203-2213; R. L. Mason, N. D. Tracy and J. C. Young, Journal
    of Quality Technology 27 (1995) 99-108 (the last conditional terms).

    Examples
    --------
    >>> pair = VectorLimits(
    ...     names=("10 uA", "100 uA"),
    ...     centre=[0.0, 0.0],
    ...     covariance=[[1.0, 0.6], [0.6, 1.0]],
    ... )
    >>> part = shares(pair, np.array([[2.0, -1.0]]))
    >>> part.conditional.round(4).tolist(), part.alone.tolist()
    ([[10.5625, 7.5625]], [[4.0, 1.0]])
    """
    weighted = deviation @ limits.precision
    return Shares(
        t2=np.asarray(np.einsum("ij,ij->i", deviation, weighted)),
        alone=deviation**2 / np.diag(limits.covariance),
        conditional=weighted**2 / np.diag(limits.precision),
    )


def vector_limits(
    x: ArrayLike,
    *,
    names: Sequence[str],
    method: CovarianceMethod = CovarianceMethod.SAMPLE,
    segment_starts: Sequence[int] = (),
    exclude: Iterable[Exclusion] = (),
) -> VectorLimits:
    """Return centre and covariance of several ranges from a baseline of units.

    Parameters
    ----------
    x : array_like, shape (n, ranges)
        A row a unit, in the order they were taken.
    names : sequence of str
        Of the ranges.
    method : CovarianceMethod
        From deviations from the mean, or from successive differences; these are
        formed neither across a boundary nor across an excluded unit.
    segment_starts : sequence of int
        Positions in `x` (from 0) at which a new stretch begins, such as a reel.
    exclude : iterable of Exclusion
        Units with a recorded cause, left out.

    Returns
    -------
    VectorLimits
        With provenance; the degrees of freedom of a covariance from differences are
        those of Sullivan and Woodall (Journal of Quality Technology 28, 1996).

    Raises
    ------
    SpcError
        For values that are not finite, fewer units than ranges and one more, ranges
        without spread or exactly dependent, or a position outside `x`.

    Examples
    --------
    >>> units = [[90.0, 120.0], [110.0, 100.0], [100.0, 125.0], [120.0, 135.0]]
    >>> limits = vector_limits(units, names=["10 uA", "100 uA"])  # ppm
    >>> limits.centre.tolist()
    [105.0, 120.0]
    """
    values = finite_array("x", x, ndim=2, at_least=2)
    keep, excluded = kept("x", len(values), exclude)
    used = values[keep]
    ranges = values.shape[1]
    for name, column in zip(names, used.T, strict=False):
        if len(column) and np.ptp(column) == 0.0:
            raise NoSpreadError(
                argument=f"variance of {name}", value=0.0, allowed="> 0"
            )
    bounds = segment_bounds(segment_starts, len(values))
    parts, freedom, divisor = _deviations(values, keep, bounds, method)
    if len(parts) < ranges or freedom < 1.0:
        raise TooFewError(
            argument="units left in x",
            value=len(used),
            allowed=f">= {ranges + 1} for {ranges} ranges",
        )
    return VectorLimits(
        names=tuple(names),
        centre=used.mean(axis=0),
        covariance=parts.T @ parts / divisor,
        provenance=VectorProvenance(
            method=method,
            used=len(used),
            degrees_of_freedom=freedom,
            segments=len(bounds),
            excluded=excluded,
        ),
    )


def _deviations(
    values: Floats,
    keep: NDArray[np.bool_],
    bounds: Sequence[tuple[int, int]],
    method: CovarianceMethod,
) -> tuple[Floats, float, float]:
    """Return what a covariance is formed of, its degrees of freedom and divisor."""
    if method is CovarianceMethod.SAMPLE:
        used = values[keep]
        return used - used.mean(axis=0), len(used) - 1.0, len(used) - 1.0
    if method is not CovarianceMethod.SUCCESSIVE_DIFFERENCES:
        raise OutOfRangeError(
            argument="method", value=method.value, allowed="a way to estimate from x"
        )
    together = keep[1:] & keep[:-1]
    together[[start - 1 for start, _ in bounds[1:]]] = False
    parts = np.diff(values, axis=0)[together]
    pairs = int(np.sum(together[1:] & together[:-1]))
    freedom = 2.0 * len(parts) ** 2 / max(2.0 * len(parts) + pairs, 1.0)
    return parts, freedom, 2.0 * len(parts)


def _inverse(names: tuple[str, ...], covariance: Floats) -> Floats:
    """Return the inverse, taken of the correlations so that units do not matter."""
    variances = np.diag(covariance)
    for name, variance in zip(names, variances, strict=True):
        if variance <= 0.0:
            raise NoSpreadError(
                argument=f"variance of {name}", value=variance, allowed="> 0"
            )
    sigma = np.sqrt(variances)
    correlation = covariance / np.outer(sigma, sigma)
    if not np.allclose(correlation, correlation.T, rtol=0.0, atol=1e-9):
        raise OutOfRangeError(
            argument="covariance", value="not symmetric", allowed="symmetric"
        )
    least = float(np.linalg.eigvalsh(correlation)[0])
    if least < 1e-10:
        raise NoSpreadError(
            argument="smallest eigenvalue of the correlations",
            value=f"{least:.3g}",
            allowed="> 0: no range may follow exactly from the others",
        )
    inverse = np.linalg.inv(correlation)
    return np.asarray((inverse + inverse.T) / 2.0 / np.outer(sigma, sigma))
