"""Loops compiled to machine code, and the types that they take."""

from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numba import njit
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Places = tuple[int, int, int, int, int]
"""See `daemon.spc.detector.state.places_of`."""
Loops = TypeVar("Loops", bound=Callable[..., Any])


def _stamp() -> str:
    """Return what all sources here are, in one number."""
    said = sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        said.update(path.name.encode())
        said.update(path.read_bytes())
    return said.hexdigest()


STAMP = _stamp()


def compiled(loops: Loops) -> Loops:
    """Return loops that are compiled when first called, and kept on the disk.

    Compiled code takes in the loops that it calls, from other files too, while what is
    kept goes by the one file that it is in: after a change elsewhere old code would be
    run. So all of it goes by all sources.
    """
    machine: Any = njit(cache=True, error_model="numpy")(loops)
    machine._cache._cache_file._source_stamp = STAMP  # noqa: SLF001 -- no other way
    kept: Loops = machine
    return kept
