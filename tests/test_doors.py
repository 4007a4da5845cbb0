"""What each room offers by its door is there, and says what the room is for."""

import ast
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = ("config", "storage", "daemon", "dashboard")
PACKAGES = sorted(
    ".".join(path.parent.relative_to(ROOT).parts)
    for room in ROOMS
    for path in (ROOT / room).rglob("__init__.py")
)
DOORS = [
    one
    for one in PACKAGES
    if (ROOT.joinpath(*one.split(".")) / "__init__.pyi").exists()
]


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_says_what_it_is_for(package: str) -> None:
    said = importlib.import_module(package).__doc__
    assert said is not None
    assert said.partition("\n")[0].endswith(".")


@pytest.mark.parametrize("package", DOORS)
def test_all_that_a_door_offers_is_there(package: str) -> None:
    door = importlib.import_module(package)
    stub = ROOT.joinpath(*package.split(".")) / "__init__.pyi"
    offered = [
        str(name.asname)
        for line in ast.parse(stub.read_text(encoding="utf-8")).body
        if isinstance(line, ast.ImportFrom)
        for name in line.names
    ]
    assert sorted(set(offered)) == sorted(door.__all__)
    for name in offered:
        assert getattr(door, name) is not None


def test_a_room_of_the_daemon_is_no_loose_module() -> None:
    loose = {path.name for path in (ROOT / "daemon").glob("*.py")}
    assert loose == {"__init__.py"}


def test_presentation_asks_nobody() -> None:
    """It is given what it says and draws: it knows no Store and no desk."""
    for path in (ROOT / "daemon" / "presentation").rglob("*.py"):
        for line in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(line, ast.ImportFrom) and line.module == "storage":
                assert "Store" not in {one.name for one in line.names}, path
