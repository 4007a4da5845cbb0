"""The hypotheses that the detector weighs, as multiples of the parts' tolerance.

Weights and sizes are the project's own, chosen by simulation over worlds whose reels
are ordinary, twice as different, heavy-tailed, uniform, or coarser than expected.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Cause(IntEnum):
    """What a hypothesis says has happened."""

    GOOD = 0
    REEL = 1
    SHARED = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One row a hypothesis, for R ranges.

    Attributes
    ----------
    weight : (H,)
        Prior weight; good ones sum to 1, bad ones as well.
    cause, place : (H,) int
        What and, for a reel, which range; -1 for none.
    own, shared, reel : (H, R), (H,), (H, R)
        Factors on the standard deviations: own part, shared part, reel means.
    shift : (H,)
        Standard deviation of the shift in tolerances.
    """

    weight: Array
    cause: NDArray[np.int64]
    place: NDArray[np.int64]
    own: Array
    shared: Array
    reel: Array
    shift: Array


# weight, then the factors own, shared and reel
GOOD_IN_COMMON = (
    (0.26, 1.0, 1.0, 1.0),
    (0.12, 1.35, 1.0, 1.0),
    (0.16, 1.0, 1.0, 1.7),
    (0.07, 1.35, 1.0, 1.7),
    (0.06, 1.0, 1.6, 1.0),
    (0.10, 1.0, 1.0, 3.0),
    (0.03, 1.8, 1.0, 1.7),
    (0.02, 1.0, 2.2, 1.0),
)
GOOD_ONE_RANGE_WEIGHT = 0.18
GOOD_ONE_RANGE_OWN = 1.5

# weight, shift in tolerances, factor on the own part's spread
REEL_WEIGHT = 0.60
REEL_KINDS = (
    (0.20, 0.8, 1.0),
    (0.20, 3.0, 1.0),
    (0.20, 12.0, 1.0),
    (0.13, 0.5, 3.0),
    (0.14, 0.7, 6.0),
    (0.13, 5.0, 5.0),
)

# weight, shift in tolerances, factor on the shared part's spread
SHARED_WEIGHT = 0.13
SHARED_KINDS = ((1 / 3, 0.8, 1.0), (1 / 3, 3.0, 1.0), (1 / 3, 0.4, 4.0))


def good_table(count: int) -> Table:
    """Return the good hypotheses of a product with `count` ranges."""
    rows = [
        (w, Cause.GOOD, -1, np.full(count, own), shared, np.full(count, reel), 0.0)
        for w, own, shared, reel in GOOD_IN_COMMON
    ]
    for r in range(count):
        own = np.ones(count)
        own[r] = GOOD_ONE_RANGE_OWN
        rows.append(
            (
                GOOD_ONE_RANGE_WEIGHT / count,
                Cause.GOOD,
                -1,
                own,
                1.0,
                np.ones(count),
                0.0,
            )
        )
    return _table(rows)


def reel_table(count: int, place: int) -> Table:
    """Return the hypotheses that the reel of range `place` is bad."""
    rows = []
    for weight, shift, factor in REEL_KINDS:
        own = np.ones(count)
        own[place] = factor
        rows.append(
            (
                REEL_WEIGHT * weight / count,
                Cause.REEL,
                place,
                own,
                1.0,
                np.ones(count),
                shift,
            )
        )
    return _table(rows)


def shared_table(count: int) -> Table:
    """Return the hypotheses that the shared stage is bad."""
    return _table(
        [
            (
                SHARED_WEIGHT * weight,
                Cause.SHARED,
                -1,
                np.ones(count),
                factor,
                np.ones(count),
                shift,
            )
            for weight, shift, factor in SHARED_KINDS
        ]
    )


def joined(*tables: Table) -> Table:
    """Return the tables under one another."""
    return Table(
        **{
            name: np.concatenate([getattr(t, name) for t in tables])
            for name in Table.__slots__
        }
    )


def _table(
    rows: list[tuple[float, Cause, int, Array, float, Array, float]],
) -> Table:
    weight, cause, place, own, shared, reel, shift = zip(*rows, strict=True)
    return Table(
        weight=np.array(weight),
        cause=np.array(cause, dtype=np.int64),
        place=np.array(place, dtype=np.int64),
        own=np.array(own),
        shared=np.array(shared),
        reel=np.array(reel),
        shift=np.array(shift),
    )
