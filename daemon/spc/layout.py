"""Which part moves which range: the linear layout of a product."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.assumptions import Assumptions
from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError

Array = NDArray[np.float64]


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
        The tolerance that everything is reckoned in: the ranges' median, ppm.
    ratio : (P,)
        Tolerance of each part over the unit.
    latent : (P - R + 1, R)
        Sensitivity of the ranges to what differs from unit to unit in common: the
        common parts, last the shared stage.
    assumed : Assumptions
        What is held possible, as multiples of the tolerances.
    """

    tolerance_ppm: Array
    sensitivity: Array
    unit_ppm: float
    ratio: Array
    latent: Array
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
) -> Layout:
    """Return the layout, or refuse it.

    Parameters
    ----------
    tolerance_ppm : (R,) array_like
        Claimed tolerance of each range's own part, ppm.
    common_parts : sequence of CommonPart
    assumed : Assumptions, optional
        Left out, the standing ones.

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
        if np.count_nonzero(row) < 2:
            raise OutOfRangeError(
                argument=f"{name}.sensitivity",
                value=row.tolist(),
                allowed="other than 0 for two ranges at least",
            )
        rows.append(row[None])
        tolerances.append(np.array([part.tolerance_ppm]))
    tolerance = np.concatenate(tolerances)
    unit = float(np.median(own))
    return Layout(
        tolerance_ppm=tolerance,
        sensitivity=np.vstack(rows),
        unit_ppm=unit,
        ratio=tolerance / unit,
        latent=np.vstack([*rows[1:], np.ones((1, own.size))]),
        assumed=assumed or Assumptions(),
    )


def _positive(argument: str, value: float) -> None:
    if not np.isfinite(value) or value <= 0:
        raise OutOfRangeError(argument=argument, value=value, allowed="finite and > 0")
