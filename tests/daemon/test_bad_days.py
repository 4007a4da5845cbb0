"""Days that go wrong, by command: a look before all, damage, the way back."""

import json
import os
import re
import socket
import stat
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest
from openpyxl import load_workbook

from daemon.service import doctor
from daemon.service.doctor import Look, State, looks
from daemon.service.home import Home
from storage.local import LocalStore
from tests.daemon.commanding import Done, holdpoint
from tests.daemon.seeded import empty_home, seeded_home

ROOT = Path(__file__).parents[2]
ADA = ("--person", "Ada Moreno")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return seeded_home(tmp_path / "home")


def told(home: Home, *words: str, code: int = 0) -> Done:
    done = holdpoint(*words, home=home.folder)
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done


def of(home: Home, what: str, **more: Any) -> Look:
    """Return what a look at one thing came to."""
    return next(one for one in looks(home, **more) if one.what == what)


def test_from_the_first_look_over_a_damaged_file_to_the_next_build(
    home: Home, tmp_path: Path
) -> None:
    home.data.chmod(0o755)  # as it was made by an earlier version
    said = told(home, "doctor", "--json", code=1).stdout
    found = {one["what"]: one for one in json.loads(said)["looks"]}
    assert found["permissions"]["state"] == State.WRONG
    assert found["permissions"]["mend"].startswith("chmod -R go= ")
    assert found["records"]["says"].startswith("they can be read; the ledger is whole")
    for path in (home.data, *home.data.rglob("*")):
        path.chmod(0o700 if path.is_dir() else 0o600)

    with LocalStore(home.store) as store:
        copy = Path(store.backup(str(home.backups)))
    assert of(home, "permissions").state is State.GOOD
    before = json.loads(told(home, "build", "list", "--json").stdout)

    data = bytearray(home.store.read_bytes())
    data[12_288 + 200 : 12_288 + 300] = bytes(100)  # in the first block
    home.store.write_bytes(data)
    refused = told(home, "status", code=1).stderr
    assert refused.count("\n") == 1
    assert str(home.store) in refused
    assert "`holdpoint restore FILE --aside` puts a copy back" in refused
    sick = of(home, "records")
    assert sick.state is State.WRONG
    assert sick.mend.startswith("`holdpoint restore FILE --aside`")

    told(home, "restore", str(copy), "--aside")
    assert json.loads(told(home, "build", "list", "--json").stdout) == before
    told(home, "build", "open", "B-4", "--units", "3")
    told(home, "ledger", "verify")

    out = tmp_path / "out.csv"
    told(home, "export", str(out), "--build", "B-3", "--range", "10uA")
    rows = pd.read_csv(out)
    assert set(rows["build"]) == {"B-3"}
    assert set(rows["range"]) == {"10uA"}


def test_what_is_made_is_for_its_owner_alone_whoever_makes_it(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        home = empty_home(tmp_path / "home")
        told(home, "build", "open", "B-1", "--units", "3")
        told(home, "hold", "place", "--build", "B-1", "--reason", "lid", *ADA)
        told(home, "backup", str(tmp_path / "kept" / "all.zip"))
    finally:
        os.umask(before)
    made = [one for one in (tmp_path / "kept", home.folder) for one in one.rglob("*")]
    made += [tmp_path / "kept", home.folder]
    modes = (
        {stat.S_IMODE(one.stat().st_mode) for one in made if not one.is_dir()},
        {stat.S_IMODE(one.stat().st_mode) for one in made if one.is_dir()},
    )
    assert modes == ({0o600}, {0o700})


def test_a_doctor_names_what_is_wrong_and_how_to_mend_it(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = datetime.now(UTC)
    assert of(home, "clock").state is State.GOOD
    early = of(home, "clock", now=now - timedelta(days=900))
    assert early.state is State.WRONG
    assert "set the clock" in early.mend

    with LocalStore(home.store) as store:
        store.backup(str(home.backups))
    assert of(home, "backup", now=now + timedelta(hours=1)).state is State.GOOD
    old = of(home, "backup", now=now + timedelta(hours=40))
    assert (old.state, old.says) == (State.WRONG, "the newest copy is 40 hours old")
    # A copy by command is one, wherever its file is.
    home.note_backup(Path("another disk.zip"))
    os.utime(home.backed_up, (later := (now + timedelta(hours=39)).timestamp(), later))
    newer = of(home, "backup", now=now + timedelta(hours=40))
    assert (newer.state, newer.says) == (State.GOOD, "the newest copy is 1 hour old")

    with socket.create_server(("127.0.0.1", 0)) as busy:
        monkeypatch.setattr(doctor, "DASHBOARD_PORT", busy.getsockname()[1])
        assert of(home, "screens").state is State.MIND
    assert of(home, "screens").state is State.GOOD

    monkeypatch.setattr(doctor, "ENOUGH_BYTES", 10**18)
    assert of(home, "disk").state is State.WRONG

    with duckdb.connect(str(home.store)) as database:
        database.execute("update hold set reason = 'another' where true")
    assert of(home, "records").mend == "`holdpoint ledger verify` names each"
    verified = told(home, "ledger", "verify", code=1).stdout
    assert "was changed; entry 1 of the ledger says something else." in verified

    (home.folder / "plan.toml").write_text("people = 1\n")
    assert of(home, "settings").says.startswith("1 fault; the first: plan.toml:1")


def test_no_instrument_is_told_anything(home: Home) -> None:
    """A meter's address is dialled and let go; the source's is not even dialled."""
    with socket.create_server(("127.0.0.1", 0)) as meter:
        port = meter.getsockname()[1]
        assert doctor._dial("127.0.0.1", port) is None
        line, _ = meter.accept()
        with line:
            line.settimeout(10.0)
            assert line.recv(100) == b""
    assert doctor._dial("127.0.0.1", port) == "connection refused"
    assert of(home, "instrument source").says == "left alone, as is right"
    assert of(home, "instrument output").state is State.WRONG


@pytest.mark.parametrize("kind", ["csv", "xlsx", "parquet"])
def test_all_results_come_out_as_they_are_kept(
    home: Home, tmp_path: Path, kind: str
) -> None:
    out = tmp_path / f"out.{kind}"
    told(home, "export", str(out))
    read: dict[str, Any] = {
        "csv": pd.read_csv,
        "xlsx": partial(pd.read_excel, engine="openpyxl"),
        "parquet": pd.read_parquet,
    }
    rows = read[kind](out)
    with LocalStore(home.store) as store:
        (product,) = store.table("product").to_pylist()
        kept = store.frame("range_rows", product=product["product"], after=0, kind=None)
    assert list(rows["serial"]) == list(kept["serial"])
    assert list(rows["error_ppm"]) == pytest.approx(list(kept["error_ppm"]))
    assert list(rows["standard_uncertainty_ppm"]) == pytest.approx(
        list(kept["uncertainty_ppm"])
    )
    of_units = kept["kind"] == "unit"
    latest = kept[of_units].drop_duplicates(["serial", "range"], keep="last").index
    assert list(rows.index[rows["counts"].astype(bool)]) == list(latest)
    when = "started_at_utc" if kind == "xlsx" else "started_at"
    moments = pd.to_datetime(rows[when], utc=True)
    assert list(moments) == list(kept["started_at"])
    assert "is there already" in told(home, "export", str(out), code=2).stderr


def test_no_cell_of_an_export_runs_as_a_formula(home: Home, tmp_path: Path) -> None:
    with duckdb.connect(str(home.store)) as database:
        database.execute("update run set origin = '=1+1'")
    told(home, "export", str(tmp_path / "out.csv"), "--build", "B-1")
    told(home, "export", str(tmp_path / "out.xlsx"), "--build", "B-1")
    assert set(pd.read_csv(tmp_path / "out.csv")["origin"]) == {"'=1+1"}
    book = load_workbook(tmp_path / "out.xlsx")
    kinds = {one.data_type for column in book.active.columns for one in column}
    assert "f" not in kinds


def test_the_example_of_a_notebook_runs_and_draws(
    home: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    (tmp_path / "my-line").symlink_to(home.folder)
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "README.md", "exec"), {})  # noqa: S102 -- our own page
    assert (tmp_path / "errors.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    "words",
    [
        ("label", "PA-1", "--into", "{}"),
        ("export", "{}/o.csv"),
        ("export", "{}/o.xlsx"),
        ("export", "{}/o.parquet"),
        ("backup", "{}/all.zip"),
    ],
    ids=" ".join,
)
def test_a_full_disk_leaves_nothing_that_is_not_whole_and_is_named(
    home: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    out = tmp_path / "out"
    out.mkdir()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("config.files.os.fsync", full)
    done = holdpoint(*(one.format(out) for one in words), home=home.folder)
    assert done.returncode == 1
    assert str(out) in done.stderr
    assert "o space left on device" in done.stderr
    assert "Traceback" not in done.stderr
    assert list(out.iterdir()) == []


def test_what_cannot_be_exported_is_one_sentence(home: Home, tmp_path: Path) -> None:
    for words, says in (
        ((str(tmp_path / "out.txt"),), "must end in .csv, .xlsx, .parquet"),
        ((str(tmp_path / "o.csv"), "--build", "B-9"), "no build 'B-9'; there are B-1"),
        ((str(tmp_path / "o.csv"), "--range", "9uA"), "no range '9uA'; there are "),
    ):
        assert says in told(home, "export", *words, code=2).stderr
    assert list(tmp_path.glob("o*.*")) == []
