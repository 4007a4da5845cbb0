"""Loops compiled to machine code, and the types that they take."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Places = tuple[int, int, int, int, int]
"""See `daemon.spc.detector.state.places_of`."""
Loops = TypeVar("Loops", bound=Callable[..., Any])


def compiled(loops: Loops) -> Loops:
    """Return loops that are compiled when first called, and kept on the disk."""
    return cast("Loops", njit(cache=True, error_model="numpy")(loops))
