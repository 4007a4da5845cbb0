"""The ledger is shown and proven by the command, also while the daemon owns it."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pytest
from click.testing import CliRunner, Result

from daemon.commands.cli import holdpoint
from storage.access import open_store
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon

BY = ("--person", "Ada Moreno")


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a home with a backup and a decision after it, verified on the way.

    Two lines are of the holds on B-3, which the daemon placed.
    """
    home = seeded_home(tmp_path_factory.mktemp("ledger") / "home")
    with open_store(home.data) as store:
        store.note_job("backup", datetime.now(UTC))  # none at the daemon's start
    with running_daemon(home, "--no-bench"):
        placed = said(
            home.folder, "hold", "place", "--build", "B-1", "--reason", "lid", *BY
        )
        assert placed.exit_code == 0, placed.output
        with open_store(home.data) as store:
            store.backup(str(home.backups))
        left = said(home.folder, "ship", "PA-2001", "--to", "order 7", *BY)
        assert left.exit_code == 0, left.output
        proven = said(home.folder, "ledger", "verify")
        assert proven.exit_code == 0, proven.output
        assert proven.stdout.startswith(
            "The ledger is whole: 4 decisions, 1 anchors. Its newest row is "
        )
        listed = said(home.folder, "ledger", "list")
        assert "order 7" in listed.stdout
    return home.folder


@pytest.fixture
def home(told: Path, tmp_path: Path) -> Path:
    """Return a copy to touch, which no daemon owns."""
    return Path(shutil.copytree(told, tmp_path / "copy"))


def said(home: Path, *words: str) -> Result:
    return CliRunner().invoke(holdpoint, ["--home", str(home), *words])


def test_it_is_proven_while_the_daemon_runs_and_without(home: Path) -> None:
    proven = said(home, "ledger", "verify")
    assert proven.exit_code == 0
    assert proven.stdout.startswith("The ledger is whole: 4 decisions")


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        (
            "update decision set reason = 'order 8' where seq = 4",
            "The ledger is broken at row 4.",
        ),
        ("delete from decision where seq = 1", "The ledger is broken at row 1."),
        ("delete from decision", "The ledger is broken at row 1."),
        (
            "delete from decision where seq = 4",
            "No decision in the ledger for shipment PA-2001 by Ada Moreno.",
        ),
    ],
    ids=["changed", "removed", "cut off whole", "cut off after the backup"],
)
def test_whoever_touches_a_row_is_found_out(
    home: Path, statement: str, says: str
) -> None:
    with duckdb.connect(str(home / "data" / "holdpoint.duckdb")) as database:
        database.execute(statement)
    proven = said(home, "ledger", "verify")
    assert proven.exit_code == 1
    assert says in proven.stdout.splitlines()
