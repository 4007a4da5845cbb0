"""Loops compiled to machine code, and the types that they take."""

from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numba import njit
from numba.core import types
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Places = tuple[int, int, int, int, int]
"""See `daemon.spc.detector.state.places_of`."""
Loops = TypeVar("Loops", bound=Callable[..., Any])
KINDS: Any = types
"""Types as the compiler names them; it says little of them to a checker."""


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
    of_these_types = machine.get_call_template

    def template(args: tuple[Any, ...], kws: dict[str, Any]) -> Any:
        return of_these_types(
            tuple(_of_any_value(one) for one in args),
            {name: _of_any_value(one) for name, one in kws.items()},
        )

    # Else loops that call others are given code of its own for each constant.
    machine.get_call_template = template
    kept: Loops = machine
    return kept


def _of_any_value(kind: Any) -> Any:
    """Return an argument's type; of a constant, or a tuple with some, of any value."""
    if isinstance(kind, KINDS.BaseAnonymousTuple):
        return KINDS.Tuple(tuple(_of_any_value(one) for one in kind.types))
    return KINDS.unliteral(kind)
