"""How much of the detector was compiled anew, and not found on the disk."""

import sys

__all__ = ["compiled_anew"]


def compiled_anew(package: str = "daemon.spc.detector") -> int:
    """Return how many loops of a package this process has begun to compile.

    What was kept on the disk is loaded, and not counted. Nothing is imported for it: of
    a compiler that nobody loaded there is nothing to count, and where another thread
    loads it just now an import here would come in between.

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
    compiler = sys.modules.get("numba.core.dispatcher")
    kind = getattr(compiler, "Dispatcher", None)
    if kind is None:
        return 0
    loops = {
        id(one): one
        for name, module in list(sys.modules.items())
        if name == package or name.startswith(f"{package}.")
        for one in list(vars(module).values())
        if isinstance(one, kind)
    }
    return sum(sum([*one.stats.cache_misses.values()]) for one in loops.values())
