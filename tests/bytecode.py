"""What is imported is compiled once, where the environment keeps no bytecode too.

A run of tests starts some hundred processes. Each that finds no bytecode compiles the
libraries anew: seconds, where the rest of its start is one.
"""

import os
import sys
from pathlib import Path

KEPT = Path(__file__).parents[1] / ".pytest_cache" / "bytecode"


def keep() -> None:
    """Let this process and those that it starts keep their bytecode in our cache.

    Where bytecode is kept beside its source nothing changes.
    """
    if sys.dont_write_bytecode:
        sys.dont_write_bytecode = False
        sys.pycache_prefix = str(KEPT)
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = str(KEPT)
