"""The ledger is shown and proven by the command, also while the daemon owns it."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pytest
from click.testing import CliRunner, Result

from daemon.commands.cli import holdpoint
from storage.access import open_store
from storage.archive import ANCHORS
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon

CHANGED = (
    "The shipment {shipment} was changed; entry 4 of the ledger says something else."
)
REMOVED = (
    "The shipment {shipment} was removed; entry 4 of the ledger says it was recorded."
)
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
        assert proven.stdout.startswith("The ledger is whole: 4 decisions, ")
        assert ". Its newest row is " in proven.stdout
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
        (
            "delete from shipment; delete from decision where seq = 4",
            "The ledger is broken at row 4.",
        ),
        (
            "update shipment set destination = 'order 8'",
            CHANGED,
        ),
        (
            "delete from shipment",
            REMOVED,
        ),
    ],
    ids=[
        "changed",
        "removed",
        "cut off whole",
        "cut off after the backup",
        "cut off with what it decided",
        "another order",
        "the row alone",
    ],
)
def test_whoever_touches_a_row_is_found_out(
    home: Path, statement: str, says: str
) -> None:
    with duckdb.connect(str(home / "data" / "holdpoint.duckdb")) as database:
        (key,) = database.execute("select shipment from shipment").fetchall()[0]
        database.execute(statement)
    proven = said(home, "ledger", "verify")
    assert proven.exit_code == 1
    assert says.format(shipment=key) in proven.stdout.splitlines()


def test_a_restore_is_said_at_each_proof_and_hides_no_later_cut(home: Path) -> None:
    backups = home / "data" / "backups"
    (nightly,) = backups.glob("*.duckdb")  # of 3 decisions
    with open_store(home / "data") as store:
        store.backup(str(backups))  # notes the fourth
    kept = (backups / ANCHORS).read_bytes()

    refused = said(home, "restore", str(nightly))
    assert refused.exit_code != 0
    assert "ledger-anchors.txt" in str(refused.exception)
    restored = said(home, "restore", str(nightly), "--aside")
    assert "to entry 3; 1 later entry was let go." in restored.stderr
    (aside,) = home.glob("before-*")
    assert (aside / "data" / "backups" / ANCHORS).read_bytes() == kept
    assert (backups / ANCHORS).read_bytes().startswith(kept)

    proven = said(home, "ledger", "verify")
    assert proven.exit_code == 0, proven.output
    first, second = proven.stdout.splitlines()
    assert first.startswith("Restored on 20")
    assert first.endswith(" UTC to entry 3; 1 later entry was let go.")
    assert second.startswith("The ledger is whole: 3 decisions, ")

    with duckdb.connect(str(home / "data" / "holdpoint.duckdb")) as database:
        database.execute("delete from decision where seq = 3")
    cut = said(home, "ledger", "verify")
    assert cut.exit_code == 1
    assert first in cut.stdout.splitlines()
    assert "The ledger is broken at row 3." in cut.stdout.splitlines()


def test_an_older_bundle_leaves_the_newer_anchors_and_a_cut_in_it_is_found(
    home: Path, tmp_path: Path
) -> None:
    backups = home / "data" / "backups"
    older, cut = tmp_path / "older.zip", tmp_path / "cut.zip"
    assert said(home, "backup", str(older)).exit_code == 0
    with open_store(home / "data") as store:
        store.backup(str(backups))
    noted = (backups / ANCHORS).read_text(encoding="utf-8").splitlines()
    assert said(home, "restore", str(older), "--aside").exit_code == 0
    now = (backups / ANCHORS).read_text(encoding="utf-8").splitlines()
    assert set(noted) < set(now)
    proven = said(home, "ledger", "verify").stdout.splitlines()
    assert proven[0].endswith(" UTC to entry 4; no later entry was known here.")
    assert proven[1].startswith("The ledger is whole: 4 decisions")

    # Whoever cuts the ledger, then takes a copy of it and puts that back, is found.
    with duckdb.connect(str(home / "data" / "holdpoint.duckdb")) as database:
        database.execute("delete from decision where seq > 2")
    assert said(home, "backup", str(cut)).exit_code == 0
    shutil.rmtree(home / "data")
    assert said(home, "restore", str(cut), "--aside").exit_code == 0
    proven_again = said(home, "ledger", "verify")
    assert proven_again.exit_code == 1
    assert "The ledger is broken at row 3." in proven_again.stdout.splitlines()


def test_a_lone_file_of_what_was_written_last_is_kept_aside(home: Path) -> None:
    (nightly,) = (home / "data" / "backups").glob("*.duckdb")
    records = home / "data" / "holdpoint.duckdb"
    records.unlink()
    wal = records.with_name("holdpoint.duckdb.wal")
    wal.write_bytes(b"of other records")
    refused = said(home, "restore", str(nightly))
    assert "holdpoint.duckdb.wal" in str(refused.exception)
    assert not records.exists()
    restored = said(home, "restore", str(nightly), "--aside")
    assert restored.exit_code == 0, restored.output
    (aside,) = home.glob("before-*")
    assert (aside / "data" / wal.name).read_bytes() == b"of other records"
    assert not wal.exists()
