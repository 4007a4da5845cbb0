"""What a command costs before it has done anything: what it loads, time and memory.

What is loaded is counted, and held against the command library alone. Seconds depend on
the machine: they are printed by `pytest -m bench -s`, never asserted.
"""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from daemon.service import Home
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon

STATISTICS = frozenset({"pandas", "scipy.stats", "scipy.special", "numba"})
DRAWN = frozenset({"altair", "streamlit", "vl_convert"})
DATABASE = frozenset({"duckdb", "pyarrow"})
SETTINGS = frozenset({"pydantic", "pydantic_core"})
REMOTE = frozenset({"httpx"})
SHARED = frozenset({"psycopg", "sqlglot"})
ROWS = STATISTICS | DRAWN
FRAMES = ROWS - {"numba", "scipy.special"}
NOTHING = ROWS | DATABASE | SETTINGS | REMOTE | {"numpy", "scipy", "rich"}

KEEPING = """
import daemon.service
daemon.service.run
from datetime import UTC, datetime
from pathlib import Path
from storage import Decision, Hold, LocalStore, Reel, Scope
from storage.tables import insert
many = [{"product": str(number), "title": ""} for number in range(20)]
at = datetime.now(UTC)
reel = Reel(reel="0", nominal_ohm=5e3, tolerance_ppm=1e3, received_at=at)
hold = Hold(
    hold="H-1", scope=Scope.REEL, subject="0", product="0", signal=None,
    reason="why", placed_by="Ada Moreno", placed_at=at,
)
said = Decision(
    person="Ada Moreno", action="hold", subject="0", reason="why", decided_at=at
)
with LocalStore(Path("holdpoint.duckdb")) as store:
    with store._database.transaction() as transaction:
        insert(transaction, "product", many)
    store.keep(reel, hold, decision=said)
    store.backup("copies")
"""
"""What a daemon loads before it folds, keeping many rows in one statement, and a copy
of the records, whose ledger is read again."""

LEAST_OF = 5
"""Runs, of which the quickest counts: the others waited for the machine."""
LOOK_S = 0.005
HELD_UNIT = "PA-1025"
UNIT = "PA-1005"


class Start(NamedTuple):
    """A command, what it must not load, and how much it may load.

    `times` is the most modules, as a multiple of what the command library takes.
    """

    words: tuple[str, ...]
    without: frozenset[str]
    times: float
    completing: bool = False


ALONE = {
    "--version": Start(("--version",), NOTHING, 2.0),
    "--help": Start(("--help",), NOTHING, 1.5),
    "hold --help": Start(("hold", "--help"), NOTHING, 1.5),
    "measure --help": Start(("measure", "--help"), ROWS, 6.5),
    "import --help": Start(("import", "--help"), ROWS, 8.0),
    "TAB": Start(("",), NOTHING, 1.5, completing=True),
    "hold end --TAB": Start(("hold", "end", "--"), NOTHING, 1.5, completing=True),
    "ship --TAB": Start(("ship", "--"), NOTHING, 1.5, completing=True),
}
IN_A_HOME = {
    # It reckons whether the bench is good enough: that takes quantiles, no more.
    "config check": Start(
        ("config", "check"), ROWS - {"scipy.special"} | DATABASE | REMOTE, 7.0
    ),
    "status": Start(("status",), ROWS, 8.0),
    "hold list": Start(("hold", "list"), ROWS | REMOTE, 6.5),
    "trace": Start(("trace", UNIT), ROWS | REMOTE, 6.5),
    "ship": Start(
        ("ship", HELD_UNIT, "--to", "S-1", "--person", "Ada Moreno"), ROWS | REMOTE, 6.0
    ),
    "alerts list": Start(("alerts", "list"), ROWS | REMOTE, 6.0),
    "ledger list": Start(("ledger", "list"), ROWS | REMOTE, 6.0),
    # Its quantiles are of the library's special functions; nothing is folded.
    "whatif": Start(
        ("whatif", "--build", "500"), ROWS - {"scipy.special"} | REMOTE, 11.0
    ),
    "prove": Start(("prove", "B-3-F1"), ROWS | REMOTE, 6.5),
    "report unit": Start(("report", "unit", UNIT), ROWS | REMOTE, 7.0),
}
BESIDE_A_DAEMON = {
    "status": Start(("status",), ROWS | {"duckdb"}, 8.0),
    "hold list": Start(("hold", "list"), ROWS | {"duckdb"}, 8.0),
    "trace": Start(("trace", UNIT), ROWS | {"duckdb"}, 8.0),
}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Return a home of 30 units, with a build that is held."""
    return seeded_home(tmp_path_factory.mktemp("start") / "home")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Run a daemon over such a home; nothing is measured."""
    home = seeded_home(tmp_path_factory.mktemp("served") / "home")
    (home.folder / "bench.toml").unlink()
    with running_daemon(home):
        yield home


def test_what_is_loaded_is_counted_against_the_command_library() -> None:
    """The measure itself: the library alone, and one that would be noticed."""
    assert 50 < len(loaded("import click")) < 150
    assert {"numpy", "scipy.special"} <= loaded("import scipy; scipy.special.ndtr(0.0)")


@pytest.mark.parametrize("name", ALONE)
def test_help_and_completion_load_no_room(name: str, tmp_path: Path) -> None:
    holds_to(ALONE[name], tmp_path)


@pytest.mark.parametrize("name", IN_A_HOME)
def test_a_command_loads_no_statistics(name: str, home: Home, tmp_path: Path) -> None:
    holds_to(IN_A_HOME[name], tmp_path, home)


def test_a_daemon_that_keeps_rows_loads_nothing_that_few_need(tmp_path: Path) -> None:
    """Whoever shares no record may be without the libraries that share it."""
    modules = loaded(KEEPING, None, tmp_path)
    assert modules >= DATABASE
    assert not modules & (ROWS | SHARED | REMOTE | {"rich"})


@pytest.mark.parametrize("name", BESIDE_A_DAEMON)
def test_beside_a_daemon_no_database_is_loaded(
    name: str, served: Home, tmp_path: Path
) -> None:
    holds_to(BESIDE_A_DAEMON[name], tmp_path, served)


@pytest.mark.bench
def test_what_commands_cost_is_told(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whole processes: processor time, the least of several; memory at most."""
    lines = []
    for name, one in (ALONE | IN_A_HOME).items():
        cpu_s, memory_mb = cost(one, tmp_path, home)
        lines.append(f"{name:<16}{cpu_s:8.3f} s {memory_mb:6.0f} MB")
        assert cpu_s > 0.0
    with capsys.disabled():
        print("\n" + "\n".join(lines))  # noqa: T201 -- that is what it is for


def holds_to(one: Start, folder: Path, home: Home | None = None) -> None:
    """Hold what a command loads against what it may."""
    modules = loaded("from daemon.commands.cli import main; main()", one, folder, home)
    assert not modules & one.without
    assert len(modules) <= one.times * len(loaded("import click"))


def loaded(
    code: str,
    one: Start | None = None,
    folder: Path | None = None,
    home: Home | None = None,
) -> set[str]:
    """Run code in a process of its own; return the modules that it loaded."""
    told = (
        "import atexit, sys\n"
        "atexit.register(lambda: print(*sys.modules, file=sys.stderr, sep='\\n'))\n"
        "sys.argv[0] = 'holdpoint'\n"
    )
    words, variables = ([], {}) if one is None else given(one, home)
    done = subprocess.run(
        [sys.executable, "-c", told + code, *words],
        cwd=folder,
        env={**os.environ, **variables},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" not in done.stderr
    return set(done.stderr.split())


def cost(
    one: Start, folder: Path, home: Home, *, times: int = LEAST_OF
) -> tuple[float, float]:
    """Return the processor time, s, and the memory, MB, of a whole process.

    The least of so many `times`; the most memory.
    """
    words, variables = given(one, home)
    command = [sys.executable, "-m", "daemon.commands.cli", *words]
    environment = as_installed(folder) | variables
    times_s, memory_mb = [], 0.0
    for _ in range(times):
        process = subprocess.Popen(
            command,
            cwd=folder,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        while True:
            memory_mb = max(memory_mb, most_memory_mb(process.pid))
            time.sleep(LOOK_S)
            ended, status, used = os.wait4(process.pid, os.WNOHANG)
            if ended:
                break
        process.returncode = os.waitstatus_to_exitcode(status)
        times_s.append(used.ru_utime + used.ru_stime)
    return min(times_s), memory_mb


def most_memory_mb(pid: int) -> float:
    """Return the most memory that a process has had resident so far, MB.

    What is said of a process that has ended counts that of the one which started it.
    """
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    found = [one for one in lines if one.startswith("VmHWM:")]
    return int(found[0].split()[1]) / 1024 if found else 0.0


def as_installed(folder: Path) -> dict[str, str]:
    """Return an environment in which what was compiled once is read."""
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(folder / "compiled")}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    return environment


def given(one: Start, home: Home | None) -> tuple[list[str], dict[str, str]]:
    """Return what follows the command's name, and what the environment says."""
    if one.completing:
        return [], {
            "_HOLDPOINT_COMPLETE": "bash_complete",
            "COMP_WORDS": " ".join(("holdpoint", *one.words)),
            "COMP_CWORD": str(len(one.words)),
        }
    named = [] if home is None else ["--home", str(home.folder)]
    return [*named, *one.words], {}
