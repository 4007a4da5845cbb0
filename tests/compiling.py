"""What several processes would each compile is compiled once, before they start.

These are the detector's loops, and the tests as pytest rewrites them.
"""

import platform
import subprocess
import sys
from hashlib import sha256
from importlib.metadata import version
from importlib.resources import as_file, files
from importlib.util import find_spec
from pathlib import Path

from tests import bytecode

ROOT = Path(__file__).parents[1]
NOTE = ROOT / ".pytest_cache" / "compiled"
COMPILED = "daemon.spc.detector"


def stamp() -> str:
    """Return what was compiled: which sources, by what and for what, in one number."""
    spec = find_spec(COMPILED)
    if spec is None or spec.origin is None:
        message = f"{COMPILED} is nowhere: name here what is compiled"
        raise ImportError(message)
    said = sha256(f"{sys.version} {platform.machine()} {version('numba')}".encode())
    for path in sorted(Path(spec.origin).parent.glob("*.py")):
        said.update(path.read_bytes())
    return said.hexdigest()


def compile_once() -> None:
    """Compile what has changed since it was last compiled here."""
    if NOTE.exists() and NOTE.read_text() == stamp():
        return
    subprocess.run([sys.executable, "-m", "tests.compiling"], check=True, cwd=ROOT)


def warm() -> None:
    """Load the loops into this process; compile those that never were."""
    from config.load import load  # noqa: PLC0415 -- the run of tests does not need it
    from daemon.judging.product import ProductModel  # noqa: PLC0415
    from daemon.watch import warm_up  # noqa: PLC0415

    with as_file(files("config").joinpath("demo")) as demo:
        warm_up(ProductModel.of(load(demo).product))


def rewriting() -> "subprocess.Popen[bytes]":
    """Have all tests read once, so that what becomes of them is kept."""
    return subprocess.Popen(
        [sys.executable, "-m", "pytest", "--collect-only", "--quiet", "-n", "0"],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
    )


def main() -> None:
    """Compile, and note what.

    Loops and tests side by side: a core may be free before the loops are compiled.
    """
    bytecode.keep()
    with rewriting() as reading:
        warm()
        if reading.wait():
            sys.exit("the tests cannot be read: see above")
    NOTE.parent.mkdir(exist_ok=True)
    NOTE.write_text(stamp())


if __name__ == "__main__":
    main()
