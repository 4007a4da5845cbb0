"""The flat import names are ours, whatever else is installed."""

import importlib
import importlib.metadata
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
OURS = ("config", "storage", "daemon", "dashboard")


@pytest.mark.parametrize("name", OURS)
def test_import_name_resolves_inside_the_repository(name: str) -> None:
    file = importlib.import_module(name).__file__
    assert file is not None
    assert Path(file).is_relative_to(ROOT)


@pytest.mark.parametrize("name", OURS)
def test_no_other_distribution_provides_our_names(name: str) -> None:
    """`daemon` is another project's import name too; installed together they merge."""
    owners = importlib.metadata.packages_distributions().get(name, [])
    assert set(owners) <= {"holdpoint"}


def test_no_dashboard_file_hides_a_package() -> None:
    """The folder of the page that streamlit runs comes first on the import path."""
    hidden = set(OURS) | set(sys.stdlib_module_names)
    names = {path.stem for path in (ROOT / "dashboard").rglob("*.py")}
    assert not (names - {"__init__"}) & hidden


def test_tests_are_no_package() -> None:
    """The editable install exposes the whole root; `tests` must not be importable."""
    assert not list((ROOT / "tests").rglob("__init__.py"))


def test_pure_rooms_load_no_driver_and_no_database() -> None:
    """A statistic can be imported where no instrument and no store is installed."""
    code = (
        "import sys, importlib, pkgutil\n"
        "import daemon.spc, daemon.metrology\n"
        "for room in (daemon.spc, daemon.metrology):\n"
        "    for one in pkgutil.walk_packages(room.__path__, room.__name__ + '.'):\n"
        "        importlib.import_module(one.name)\n"
        "bad = {'pyvisa', 'duckdb', 'streamlit', 'apscheduler', 'httpx', 'storage',\n"
        "       'config'}\n"
        "print(sorted(bad & set(sys.modules)))\n"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True
    )
    assert said.stdout.strip() == "[]"
