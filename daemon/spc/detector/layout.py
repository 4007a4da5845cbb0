"""Which part moves which range: the linear layout of a product."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.detector.assumptions import Assumptions
from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError

Array = NDArray[np.float64]

LEAST_LIMIT = 1.5
"""Error limit over the tolerance that is reckoned with, at least."""
SIX_SIGMA = 6.0
"""Half an error limit is three standard deviations of this share of it."""
MOST_PARTS = 63
"""What moved is kept by its place, and there are 64; all ranges together are one."""
FARTHEST_APART = 1e6
"""Sizes of one product that lie farther apart lose each other's digits."""
SMALLEST, LARGEST = 1e-12, 1e12
"""Of a tolerance, a limit and an effect of temperature, in ppm."""
SECOND_FACTOR = 0.35
"""Where the middle one of the factors by which reels may differ more lies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonPart:
    """A part that several ranges use, each with its own sensitivity.

    A part on which all ranges depend alike belongs to the shared stage instead.

    Parameters
    ----------
    tolerance_ppm : float
        Claimed tolerance, ppm.
    sensitivity : tuple of R float
        Relative change of each range's reading over that of the part, dimensionless;
        0 where the range does not use it.
    """

    tolerance_ppm: float
    sensitivity: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """R ranges and P parts: the own part of each range, then the common parts.

    Attributes
    ----------
    tolerance_ppm : (P,)
        Claimed tolerances, ppm.
    sensitivity : (P, R)
        Rows of the parts; the first R are the identity.
    unit_ppm : float
        What everything is reckoned in, ppm: the ranges' median tolerance, or two thirds
        of the error limit where that is less. Ordinary reels of a product that can be
        built differ by little against its error limit, whatever their label allows.
    ratio : (P,)
        Tolerance of each part, bounded likewise, over the unit.
    tempco : (R,)
        Standard deviation of each range's effect of temperature before any unit told,
        units a kelvin; empty where temperature is not recorded.
    reel_factors : tuple of three float
        How many times more than expected ordinary reels may differ. At the largest
        three standard deviations stay within half the error limit.
    level : float
        Standard deviation of a range's mean over all reels, before any unit told.
    assumed : Assumptions
        What is held possible, as multiples of the tolerances.
    """

    tolerance_ppm: Array
    sensitivity: Array
    unit_ppm: float
    ratio: Array
    tempco: Array
    reel_factors: tuple[float, float, float]
    level: float
    assumed: Assumptions

    @property
    def ranges(self) -> int:
        """Number of ranges, R."""
        return int(self.sensitivity.shape[1])

    @property
    def parts(self) -> int:
        """Number of parts, P."""
        return int(self.sensitivity.shape[0])


def layout_of(
    tolerance_ppm: ArrayLike,
    common_parts: Sequence[CommonPart] = (),
    assumed: Assumptions | None = None,
    *,
    limit_ppm: ArrayLike | None = None,
    tempco_ppm_per_k: ArrayLike | None = None,
) -> Layout:
    """Return the layout, or refuse it.

    Parameters
    ----------
    tolerance_ppm : (R,) array_like
        Claimed tolerance of each range's own part, ppm.
    common_parts : sequence of CommonPart
    assumed : Assumptions, optional
        Left out, the standing ones.
    limit_ppm : (R,) array_like, optional
        Error limit of each range, ppm of reading; left out, far above the tolerances.
    tempco_ppm_per_k : (R,) array_like, optional
        Standard deviation of each range's effect of temperature, ppm a kelvin.

    Examples
    --------
    >>> layout_of([1000.0, 1000.0]).sensitivity.tolist()
    [[1.0, 0.0], [0.0, 1.0]]
    """
    own = np.asarray(tolerance_ppm, dtype=np.float64)
    if own.ndim != 1 or own.size == 0:
        raise ShapeError(
            argument="tolerance_ppm",
            value=f"shape {own.shape}",
            allowed="one number for each range",
        )
    for index, value in enumerate(own):
        _positive(f"tolerance_ppm[{index}]", float(value))
    rows = [np.eye(own.size)]
    tolerances = [own]
    for index, part in enumerate(common_parts):
        name = f"common_parts[{index}]"
        _positive(f"{name}.tolerance_ppm", part.tolerance_ppm)
        row = np.asarray(part.sensitivity, dtype=np.float64)
        if row.shape != own.shape:
            raise ShapeError(
                argument=f"{name}.sensitivity",
                value=f"shape {row.shape}",
                allowed=f"{own.size} numbers, one a range",
            )
        if not np.isfinite(row).all():
            raise NotFiniteError(argument=f"{name}.sensitivity", value=row.tolist())
        if (abs(row) > FARTHEST_APART).any():
            raise OutOfRangeError(
                argument=f"{name}.sensitivity",
                value=row.tolist(),
                allowed=f"of absolute value <= {FARTHEST_APART:g}",
            )
        if np.count_nonzero(row) < 2:
            raise OutOfRangeError(
                argument=f"{name}.sensitivity",
                value=row.tolist(),
                allowed="other than 0 for two ranges at least",
            )
        rows.append(row[None])
        tolerances.append(np.array([part.tolerance_ppm]))
    if len(tolerances) + own.size - 1 > MOST_PARTS:
        raise OutOfRangeError(
            argument="number of parts",
            value=len(tolerances) + own.size - 1,
            allowed=f"<= {MOST_PARTS}, each range's own among them",
        )
    tolerance = np.concatenate(tolerances)
    sensitivity = np.vstack(rows)
    assumed = assumed or Assumptions()
    limit = _each("limit_ppm", limit_ppm, own)
    with np.errstate(over="ignore"):  # hardly felt: no limit to it
        felt = np.where(sensitivity == 0.0, np.inf, limit) / np.where(
            sensitivity == 0.0, 1.0, abs(sensitivity)
        )
    bounded = np.minimum(tolerance, felt.min(axis=1) / LEAST_LIMIT)
    unit = float(np.median(bounded[: own.size]))
    _near("tolerance_ppm", bounded / unit, bounded)
    room = float((felt.min(axis=1) / bounded).min())
    scatter = assumed.reel_scatter
    most = min(assumed.most_reel_scatter / scatter, room / (SIX_SIGMA * scatter))
    most = max(most, 1.0)
    tempco = _each("tempco_ppm_per_k", tempco_ppm_per_k, own)
    if tempco_ppm_per_k is not None:
        _near("tempco_ppm_per_k", np.maximum(tempco / unit, 1.0), tempco)
    return Layout(
        tolerance_ppm=tolerance,
        sensitivity=sensitivity,
        unit_ppm=unit,
        ratio=bounded / unit,
        tempco=np.zeros(0) if tempco_ppm_per_k is None else tempco / unit,
        reel_factors=(1.0, 1.0 + SECOND_FACTOR * (most - 1.0), most),
        level=min(assumed.range_level, room / SIX_SIGMA),
        assumed=assumed,
    )


def _each(argument: str, given: ArrayLike | None, own: Array) -> Array:
    """Return one positive number a range; infinity where none is given."""
    if given is None:
        return np.full(own.size, np.inf)
    values = np.asarray(given, dtype=np.float64)
    if values.shape != own.shape:
        raise ShapeError(
            argument=argument,
            value=f"shape {values.shape}",
            allowed=f"{own.size} numbers, one a range",
        )
    for index, value in enumerate(values):
        _positive(f"{argument}[{index}]", float(value))
    return values


def _positive(argument: str, value: float) -> None:
    if not SMALLEST <= value <= LARGEST:
        raise OutOfRangeError(
            argument=argument,
            value=value,
            allowed=f">= {SMALLEST:g} and <= {LARGEST:g}",
        )


def _near(argument: str, shares: Array, values: Array) -> None:
    """Refuse sizes that lie too far from the ranges' median tolerance."""
    if (shares > FARTHEST_APART).any() or (shares * FARTHEST_APART < 1.0).any():
        raise OutOfRangeError(
            argument=argument,
            value=values.tolist(),
            allowed=f"within a factor of {FARTHEST_APART:g} of the median tolerance",
        )
