"""What each room offers by its door is there, and says what the room is for."""

import ast
import importlib
import os
import subprocess
import sys
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


def test_no_wish_of_the_environment_opens_the_doors() -> None:
    """Whoever tests other packages may ask for all names at once; ours stay lazy."""
    code = (
        "import sys, daemon.commands.cli, daemon.bench.guard\n"
        "print(sorted({'pandas', 'pyvisa', 'pydantic', 'numba'} & set(sys.modules)))\n"
    )
    said = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "EAGER_IMPORT": "1"},
        check=True,
        capture_output=True,
        text=True,
    )
    assert said.stdout.strip() == "[]"


def test_what_screens_need_is_loaded_before_anybody_looks() -> None:
    code = (
        "import sys\n"
        "from dashboard import serve\n"
        "serve.load()\n"
        "print(sorted({'typst', 'PIL', 'segno', 'altair',"
        " 'daemon.presentation.plots.one_range', 'daemon.traceability.papers.unit'}"
        " - set(sys.modules)))\n"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True
    )
    assert said.stdout.splitlines()[-1] == "[]"
