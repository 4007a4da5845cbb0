"""Two benches with one record, as their people live it over some days."""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from daemon.service.home import Home
from storage.access import open_store
from storage.postgres import PostgresStore
from storage.records import Run
from tests.daemon.commanding import Done, holdpoint
from tests.daemon.seeded import BAD_REEL, empty_home, seeded_home
from tests.daemon.starting import running_daemon
from tests.storage.postgres_server import Databases

PATIENCE_S = 120.0
BY = ("--person", "Ada Moreno")
TITLES = {"1 µA": 9e-7, "10 µA": 9e-6, "100 µA": 9e-5, "1 mA": 9e-4}


@dataclass
class Benches:
    """Two homes that name one database."""

    left: Path
    right: Path
    conninfo: str


@pytest.fixture
def benches(tmp_path: Path, databases: Databases) -> Iterator[Benches]:
    """Return a bench that found a bad reel long ago, and a new one beside it."""
    with databases.empty() as conninfo:
        left = seeded_home(tmp_path / "left").folder
        right = empty_home(tmp_path / "right").folder
        for name, folder in (("left", left), ("right", right)):
            share(folder, name, conninfo)
        yield Benches(left, right, conninfo)


def share(folder: Path, name: str, conninfo: str) -> None:
    text = f'database = "{conninfo}"\nbench = "{name}"\n'
    (folder / "sharing.toml").write_text(text, encoding="utf-8")


def sheet(folder: Path, *serials: str) -> str:
    """Write a sheet of units that read right; return its path."""
    lines = ["serial," + ",".join(f"{one} in,{one} out" for one in TITLES)]
    for serial in serials:
        cells = (f"{into!r},0.9" for into in TITLES.values())
        lines.append(f"{serial},{','.join(cells)}")
    path = folder / "units.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(path)


def until(look: Callable[[], Any]) -> Any:
    """Return what `look` finds, once it finds something."""
    until_s = time.monotonic() + PATIENCE_S
    while not (found := look()):
        assert time.monotonic() < until_s, "it never came"
        time.sleep(0.1)
    return found


def done(home: Path, *words: str) -> str:
    made = holdpoint(*words, home=home)
    assert made.returncode == 0, made.stderr + made.stdout
    return made.stdout


def held(home: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(done(home, "hold", "list", "--json"))
    return [one for one in found if one["disposal"] is None]


def checked(home: Path, serial: str) -> Done:
    return holdpoint("ship", serial, "--check", home=home)


def test_a_reel_that_one_bench_found_bad_is_held_at_both_until_either_ends_it(
    benches: Benches, record_property: Callable[[str, object], None]
) -> None:
    left, right = benches.left, benches.right
    with ExitStack() as day:
        # The first morning: both daemons start, and the new bench hears of all.
        day.enter_context(running_daemon(Home(left), "--no-bench"))
        day.enter_context(running_daemon(Home(right), "--no-bench"))
        until(lambda: {one["subject"] for one in held(right)} >= {"B-3"})
        assert BAD_REEL in done(right, "reel", "list")
        all_told = "Records are shared as bench right: all is told."
        until(lambda: all_told in done(right, "status"))
        # A build of its own, with parts of the reel that the other bench has found.
        done(right, "build", "open", "B-4", "--units", "2")
        done(right, "reel", "fit", BAD_REEL, "R13", "--build", "B-4")
        done(right, "import", sheet(right, "PA-4001", "PA-4002"), "--build", "B-4")
        stays = checked(right, "PA-4001")
        assert f"held (reel {BAD_REEL})" in stays.stdout
        assert "(found at bench left)" in stays.stdout
        done(right, "build", "open", "B-5", "--units", "1")
        done(right, "import", sheet(right, "PA-5001"), "--build", "B-5")
        assert checked(right, "PA-5001").stdout == "PA-5001: May leave.\n"
        until(lambda: "B-5" in done(left, "build", "list"))
        done(left, "hold", "place", "--build", "B-5", "--reason", "wrong lid", *BY)
        placed_s = time.monotonic()
        refused = until(
            lambda: (made := checked(right, "PA-5001")).returncode == 1 and made
        )
        record_property("hold heard after, s", time.monotonic() - placed_s)
        assert "wrong lid" in refused.stdout
        # What it measured stands in the record of both.
        until(lambda: "PA-4001" in done(left, "--shared", "trace", "PA-4001"))
    # The second day: the database is away, and the right bench goes on.
    share(right, "right", "host=127.0.0.1 port=9 dbname=none connect_timeout=2")
    with running_daemon(Home(right), "--no-bench"):
        until(lambda: "does not answer" in done(right, "status"))
        done(right, "import", sheet(right, "PA-4003"), "--build", "B-4")
        assert "What other benches hold" in checked(right, "PA-4003").stderr
    # The third day: it is back. A person at the right bench ends the hold for both.
    share(right, "right", benches.conninfo)
    with ExitStack() as day:
        day.enter_context(running_daemon(Home(left), "--no-bench"))
        day.enter_context(running_daemon(Home(right), "--no-bench"))
        with PostgresStore(benches.conninfo) as shared:
            until(lambda: shared.rows(Run, serial="PA-4003"))
        (reel,) = [one for one in held(right) if one["subject"] == BAD_REEL]
        done(
            right, "hold", "end", reel["hold"], "--by", "release", *BY,
            "--reason", "measured again: within its claim",
        )  # fmt: skip
        until(lambda: BAD_REEL not in {one["subject"] for one in held(left)})
        assert checked(right, "PA-4001").returncode == 0
        done(right, "ship", "PA-4001", "--to", "order 7", *BY)
        until(lambda: "left" in done(left, "--shared", "trace", "PA-4001"))
        for home in (left, right):
            assert "The ledger is whole" in done(home, "ledger", "verify")
            assert done(home, "sharing", "list") == "Nothing was refused.\n"
    # Without a daemon nothing is told, and that is said.
    assert "No daemon runs" in checked(right, "PA-4002").stderr
    with open_store(left / "data") as store:
        assert not store.rows(Run, serial="PA-4001")
