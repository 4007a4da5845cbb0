"""A command that says at its end, on standard error, what it had to load."""

import atexit
import runpy
import sys

HAD = frozenset(sys.modules)
LOADED = "loaded"


def tell() -> None:
    """Say which modules came since, a line each."""
    for name in sys.modules.keys() - HAD:
        print(LOADED, name, file=sys.stderr)  # noqa: T201


if __name__ == "__main__":
    atexit.register(tell)
    sys.argv = sys.argv[1:]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
