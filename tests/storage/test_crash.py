"""What was acknowledged is there after a crash, and nothing is there by half."""

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from random import Random
from threading import Event

import pytest

from storage import archive
from storage.ledger import LedgerRow, verify
from storage.local import LocalStore
from tests.storage.samples import RANGES, record, results, run, unit

# Keeps runs from a number on and says each as soon as it is acknowledged.
WRITER = """
import sys
from pathlib import Path
from storage.local import LocalStore
from tests.storage.samples import furnish, results, run, unit
with LocalStore(Path(sys.argv[1])) as store:
    furnish(store)
    for number in range(int(sys.argv[2]), 100_000):
        one = run(number)
        store.record_run(one, results(one, readings=50), unit(one))
        print(number, flush=True)
"""

# Copies everything again and again and says when each copy is there.
BACKER = """
import sys
from pathlib import Path
from storage.local import LocalStore
from tests.storage.samples import furnish, record, run
with LocalStore(Path(sys.argv[1])) as store:
    furnish(store)
    record(store, run(1))
    while True:
        print(store.backup(sys.argv[2]), flush=True)
"""

LONG = pytest.mark.endurance

# Keeps three runs, says how long the log is after each, and dies without closing.
DYING_WRITER = """
import os, sys
from pathlib import Path
from storage.local import LocalStore
from tests.storage.samples import furnish, record, run
path = Path(sys.argv[1])
store = LocalStore(path)
furnish(store)
for number in (1, 2, 3):
    record(store, run(number))
    print(os.stat(f"{path}.wal").st_size, flush=True)
os._exit(0)
"""

# Lets no file grow beyond a size, as a full disk would; then lifts the limit.
FULL_DISK = """
import json, resource, sys
from pathlib import Path
from storage.errors import WriteError
from storage.local import LocalStore
from tests.storage.samples import furnish, results, run, unit

def keep(number):
    one = run(number)
    return store.record_run(one, results(one, readings=100), unit(one))

def limit(size):
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

store = LocalStore(Path(sys.argv[1]))
furnish(store)
if sys.argv[2] == "checkpoint":
    with store._database.reading() as cursor:
        cursor.execute("set global wal_autocheckpoint = '300KB'")
limit(900_000)
said = {"kept": [], "refused": []}
for number in range(1, 40):
    try:
        keep(number)
    except WriteError as error:
        said["refused"].append(str(error))
    else:
        said["kept"].append(number)
rows = store.table("range_rows", product="photoamp", after=0, kind="unit")
said["read while full"] = sorted(set(rows["run"].to_pylist()))
limit(resource.RLIM_INFINITY)
keep(50)
said["kept"].append(50)
store.close()
print(json.dumps(said))
"""


def runs(store: LocalStore) -> dict[str, list[str]]:
    """Return each run's ranges, asserting that it is whole."""
    rows = store.table("range_rows", product="photoamp", after=0, kind="unit")
    found: dict[str, list[str]] = {}
    for row in rows.to_pylist():
        found.setdefault(row["run"], []).append(row["range"])
    assert all(tuple(ranges) == RANGES for ranges in found.values())
    return found


@pytest.mark.parametrize("kills", [4, pytest.param(650, marks=LONG)])
def test_a_killed_writer_loses_nothing_it_acknowledged(
    tmp_path: Path, kills: int, record_property: Callable[[str, object], None]
) -> None:
    path = tmp_path / "holdpoint.duckdb"
    random = Random(20260105)  # noqa: S311 - when to kill, no secret
    acknowledged: list[int] = []
    for _ in range(kills):
        start = acknowledged[-1] + 1 if acknowledged else 1
        with subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), str(start)],
            stdout=subprocess.PIPE,
        ) as writer:
            assert writer.stdout is not None
            lines = [writer.stdout.readline() for _ in range(random.randint(3, 20))]
            writer.kill()
            lines += writer.stdout.read().splitlines()
            acknowledged += [int(line) for line in lines]
        with LocalStore(path) as store:
            kept = runs(store)
            lost = [number for number in acknowledged if f"run {number}" not in kept]
            assert lost == []
            # A run may be whole though its acknowledgement never got out: sending
            # it again changes nothing.
            assert len(kept) - len(acknowledged) in {0, 1}
            last = run(acknowledged[-1])
            rows = store.table("unit_runs", serial=last.serial)
            number = store.record_run(last, results(last, readings=50), unit(last))
            assert number == rows["number"][0].as_py()
            assert len(runs(store)) == len(kept)
            if len(kept) > len(acknowledged):
                acknowledged.append(acknowledged[-1] + 1)
    record_property(f"runs kept through {kills} kills, none lost", len(acknowledged))


@pytest.mark.parametrize("kills", [2, pytest.param(100, marks=LONG)])
def test_a_kill_inside_a_backup_leaves_no_copy_that_is_not_whole(
    tmp_path: Path, kills: int, record_property: Callable[[str, object], None]
) -> None:
    path, backups = tmp_path / "holdpoint.duckdb", tmp_path / "copies"
    random = Random(7)  # noqa: S311 - when to kill, no secret
    whole = inside = 0
    for _ in range(kills):
        with subprocess.Popen(
            [sys.executable, "-c", BACKER, str(path), str(backups)],
            stdout=subprocess.PIPE,
        ) as backer:
            assert backer.stdout is not None
            for _ in range(random.randint(1, 3)):
                backer.stdout.readline()
            Event().wait(random.uniform(0.0, 0.05))
            backer.kill()
        inside += any(backups.glob("*.part"))
        for copy in backups.glob("*.duckdb"):
            whole += archive.check(copy)["run"] > 0
            copy.unlink()
        with LocalStore(path) as store:
            runs(store)
            assert verify(store.rows(LedgerRow), archive.anchors(backups)) is None
    assert whole >= kills
    record_property(f"whole copies through {kills} kills, {inside} inside one", whole)


@pytest.mark.parametrize("cuts_at", [8, pytest.param(None, marks=LONG)])
def test_a_log_cut_anywhere_opens_with_whole_runs(
    tmp_path: Path,
    cuts_at: int | None,
    record_property: Callable[[str, object], None],
) -> None:
    """At some places of the last transaction, or at each of its bytes."""
    path = tmp_path / "writer" / "holdpoint.duckdb"
    path.parent.mkdir()
    answer = subprocess.run(
        [sys.executable, "-c", DYING_WRITER, str(path)], capture_output=True, check=True
    )
    sizes = [int(line) for line in answer.stdout.split()]
    log = path.with_name(f"{path.name}.wal").read_bytes()
    assert len(log) == sizes[-1]
    cuts = sorted(
        {
            *range(
                sizes[1],
                sizes[2],
                1 if cuts_at is None else (sizes[2] - sizes[1]) // cuts_at,
            ),
            sizes[1] + 1,
            sizes[2] - 1,
            sizes[2],
        }
    )
    for cut in cuts:
        copy = tmp_path / str(cut) / path.name
        copy.parent.mkdir()
        shutil.copy(path, copy)
        copy.with_name(f"{path.name}.wal").write_bytes(log[:cut])
        whole = 3 if cut == sizes[2] else 2
        with LocalStore(copy) as store:
            assert list(runs(store)) == [f"run {n}" for n in range(1, whole + 1)]
            assert record(store, run(3)) == 3
        shutil.rmtree(copy.parent)
    record_property("cuts of a log, each opened with whole runs", len(cuts))


@pytest.mark.parametrize("where", ["log", "checkpoint"])
def test_a_full_disk_refuses_whole_runs_and_heals(tmp_path: Path, where: str) -> None:
    path = tmp_path / "holdpoint.duckdb"
    answer = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(path), where],
        capture_output=True,
        check=True,
    )
    said = json.loads(answer.stdout)
    assert said["refused"]
    assert all("kept nothing of this transaction" in one for one in said["refused"])
    assert any(("FATAL" in one) == (where == "checkpoint") for one in said["refused"])
    *before, after = [f"run {number}" for number in said["kept"]]
    assert said["read while full"] == sorted(before)
    with LocalStore(path) as store:
        assert sorted(runs(store)) == sorted([*before, after])
