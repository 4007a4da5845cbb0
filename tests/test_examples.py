"""The examples in the docstrings are true, and none is left out."""

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
OURS = ("config", "storage", "daemon", "dashboard")


def with_examples() -> list[str]:
    """Return the modules of all packages that have an example."""
    paths = [path for name in OURS for path in sorted((ROOT / name).rglob("*.py"))]
    places = [path.relative_to(ROOT).with_suffix("") for path in paths if written(path)]
    return [".".join(place.parts).removesuffix(".__init__") for place in places]


def written(path: Path) -> int:
    """Return how many examples stand in a file."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return sum(line.lstrip().startswith(">>> ") for line in lines)


@pytest.mark.parametrize("name", with_examples())
def test_every_example_is_run_and_is_true(name: str) -> None:
    module = importlib.import_module(name)
    assert module.__file__ is not None
    failed, attempted = doctest.testmod(module)
    assert attempted == written(Path(module.__file__)), "some were never looked at"
    assert failed == 0
