"""The name that was probably meant."""

from collections.abc import Iterable
from difflib import get_close_matches

__all__ = ["near"]


def near(name: str, known: Iterable[str]) -> str | None:
    """Return the known name nearest to `name`, None where none is near.

    Examples
    --------
    >>> near("sorce", ["source", "output"])
    'source'
    >>> near("r12", ["R11", "R12"])
    'R12'
    >>> near("R41", ["R4", "R14"])
    'R14'
    """
    small = name.casefold()
    by_small = {one.casefold(): one for one in known}
    swapped = [one for one in by_small if sorted(one) == sorted(small)]
    found = get_close_matches(small, swapped or by_small, n=1, cutoff=0.6)
    return by_small[found[0]] if found else None
