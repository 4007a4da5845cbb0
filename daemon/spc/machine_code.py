"""How much of the detector was compiled anew, and not found on the disk."""

import sys

__all__ = ["compiled_anew"]


def compiled_anew(package: str = "daemon.spc.detector") -> int:
    """Return how many loops of a package this process has begun to compile.

    What was kept on the disk is loaded, and not counted. Nothing is imported for it: of
    a compiler that nobody loaded there is nothing to count.

    Parameters
    ----------
    package
        Its modules that were loaded are looked at.

    Raises
    ------
    Nothing; of a package that was never loaded there is nothing to count.

    Examples
    --------
    >>> compiled_anew("no.such.package")
    0
    """
    if "numba" not in sys.modules:
        return 0
    from numba.core.dispatcher import Dispatcher  # noqa: PLC0415 -- it is loaded

    loops = {
        id(one): one
        for name, module in list(sys.modules.items())
        if name == package or name.startswith(f"{package}.")
        for one in list(vars(module).values())
        if isinstance(one, Dispatcher)
    }
    return sum(sum(one.stats.cache_misses.values()) for one in loops.values())
