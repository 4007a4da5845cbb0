"""Mistakes are mended: nothing that was recorded is lost, and who did it is said."""

import json
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import duckdb
import pytest

from daemon.presentation.to_copy import BY_PERSON
from daemon.service.home import Home
from storage import amending
from storage.amending import row_text
from storage.local import LocalStore
from storage.records import Decision, Fitting, Reel, Unit
from storage.records_amending import Amended, Amendment
from tests.daemon.commanding import Done, holdpoint
from tests.daemon.seeded import BAD_REEL, seeded_home

ADA = ("--person", "Ada Moreno", "--reason", "typed wrong")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return seeded_home(tmp_path / "home")


def said(home: Home, *arguments: str) -> Done:
    done = holdpoint(*arguments, home=home.folder)
    assert done.returncode == 0, done.stderr
    return done


def refused(home: Home, *arguments: str) -> str:
    done = holdpoint(*arguments, home=home.folder)
    assert done.returncode in {1, 2}
    assert "Traceback" not in done.stderr
    return done.stderr


def listed(home: Home, *arguments: str) -> Any:
    return json.loads(said(home, *arguments, "--json").stdout)


def amendments(home: Home) -> list[Amendment]:
    with LocalStore(home.store) as store:
        return store.rows(Amendment)


def test_a_reel_is_corrected_and_what_it_said_is_kept(home: Home) -> None:
    before = {one["reel"]: one for one in listed(home, "reel", "list")}
    again = ("--nominal", "6k", "--tolerance", "0.1%")
    told = refused(home, "reel", "add", BAD_REEL, *again)
    assert "datetime" not in told
    edit = f"holdpoint reel edit {BAD_REEL} --nominal '6 kΩ' {BY_PERSON}"
    assert f"Correct it with `{edit}`" in told
    asked = ("--nominal", "6k", "--supplier", "Birk Parts", "--quantity", "5000")
    done = said(home, "reel", "edit", BAD_REEL.lower(), *asked, *ADA)
    assert f"{BAD_REEL}: nominal value was 5 kΩ, is 6 kΩ." in done.stderr
    now = {one["reel"]: one for one in listed(home, "reel", "list")}[BAD_REEL]
    assert (now["nominal_ohm"], now["supplier"], now["quantity"]) == (
        6000.0, "Birk Parts", 5000,
    )  # fmt: skip
    kept = {one.kind: one for one in amendments(home)}
    assert json.loads(kept[Amended.REEL_RECEIPT].before) == {}
    was = json.loads(kept[Amended.REEL].before)["nominal_ohm"]
    assert was == before[BAD_REEL]["nominal_ohm"] != 6000.0
    line, *_ = [o for o in listed(home, "ledger", "list") if o["subject"] == BAD_REEL]
    assert (line["person"], line["action"]) == ("Ada Moreno", "correct reel")
    assert (
        line["reason"].endswith("is 6 kΩ: typed wrong")
        or "typed wrong" in line["reason"]
    )
    said(home, "ledger", "verify")


def test_a_reel_and_what_came_with_it_are_corrected_by_one_decision_or_not_at_all(
    home: Home,
) -> None:
    edit = ("reel", "edit", BAD_REEL)
    both = ("--supplier", "Birk Parts", "--invoice", "17")
    assert "say how many parts came with it" in refused(home, *edit, *both, *ADA)
    # Not recorded, though others begin so.
    assert "unknown reel 'K-90'" in refused(home, "reel", "edit", "K-90", *both, *ADA)
    assert amendments(home) == []
    for quantity, changed in (("500", 2), ("400", 4)):
        lot = ("--lot", f"lot {quantity}")
        said(home, *edit, *lot, "--quantity", quantity, *ADA)
        assert len(amendments(home)) == changed
        ledger = [o for o in listed(home, "ledger", "list") if o["subject"] == BAD_REEL]
        assert len(ledger) == changed // 2
        assert any(f"is {quantity}: typed wrong" in o["reason"] for o in ledger)
        assert {one["person"] for one in ledger} == {"Ada Moreno"}
    # What cannot be said of the receipt leaves the label as it was.
    refused(home, *edit, "--lot", "other", "--quantity", "400", *ADA)
    assert len(amendments(home)) == 4
    (now,) = [one for one in listed(home, "reel", "list") if one["reel"] == BAD_REEL]
    assert (now["lot"], now["quantity"]) == ("lot 400", 400)
    said(home, "ledger", "verify")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("reel", "edit", BAD_REEL, "--nominal", "6k", "--person", "Hugo",
          "--reason", "x"), "'Hugo' may not correct records"),
        (("reel", "edit", BAD_REEL, *ADA), "name what is to be otherwise"),
        (("reel", "edit", "K-7777", "--lot", "1", *ADA), "unknown reel 'K-7777'"),
        (("unit", "edit", "PA-9", "--serial", "PA-8", *ADA), "unknown unit 'PA-9'"),
        (("unit", "edit", "PA-1000", "--serial", "PA-1001", *ADA),
         "serial 'PA-1001' is already recorded: of a unit of build B-1"),
        (("unit", "edit", "PA-1000", "--serial", "B-2", *ADA), "the name of a build"),
        (("unit", "edit", "PA-1000", "--build", "B-99", *ADA), "unknown build 'B-99'"),
        (("shipment", "undo", "PA-1000", *ADA), "unknown shipment of unit 'PA-1000'"),
        (("fitting", "undo", "none", *ADA), "unknown fitting 'none'"),
    ],
)  # fmt: skip
def test_what_cannot_be_corrected_is_said_and_nothing_is_changed(
    home: Home, arguments: tuple[str, ...], says: str
) -> None:
    assert says in refused(home, *arguments)
    assert amendments(home) == []


def test_a_serial_typed_wrong_takes_all_that_was_measured_with_it(home: Home) -> None:
    before = said(home, "status").stdout.splitlines()[0]
    # The first unit of the bad reel, which the finding names.
    old = before.rpartition("since unit ")[2].rstrip(".")
    right = f"{old}A"
    done = said(home, "unit", "edit", old, "--serial", right, *ADA)
    assert f"serial was {old}, is {right}" in done.stderr
    after = said(home, "status").stdout.splitlines()[0]
    assert after == before.replace(old, right)
    assert right in said(home, "trace", right).stdout
    assert f"unknown serial '{old}'" in refused(home, "card", old)
    said(home, "ledger", "verify")
    # What is measured next finds the line as it is by the corrected records.
    (run,) = [o for o in listed(home, "status")["builds"] if o["build"] == "B-3"]
    assert run["units"] == 10


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("unit", "edit", "PA-3002", "--build", "B-2"), "(build B-3) would not stand"),
        # Before the unit from which the reel was fitted.
        (("unit", "edit", "PA-3007", "--serial", "PA-0307"), "(reel K-900) would"),
        # The unit from which the reel was fitted: those after it would come before.
        (("unit", "edit", "PA-3005", "--serial", "PA-7777"), "unit = PA-3006: hold"),
        (("fitting", "undo", BAD_REEL), "stands on it; end the hold first"),
    ],
)  # fmt: skip
def test_a_correction_ends_no_hold(
    home: Home, arguments: tuple[str, ...], says: str
) -> None:
    room, what, name, *more = arguments
    if room == "fitting":
        (name,) = [
            one["fitting"]
            for one in listed(home, "fitting", "list")
            if one["reel"] == name
        ]
    assert says in refused(home, room, what, name, *more, *ADA)
    assert amendments(home) == []


def test_every_table_that_names_a_unit_or_its_build_follows_a_correction(
    tmp_path: Path,
) -> None:
    """A table that is none of these, and that no correction reaches, fails here."""
    not_of_a_unit = {
        "build", "fitting", "signal", "past_shipment",
        "line_segment",  # worked out again
    }  # fmt: skip
    with LocalStore(tmp_path / "empty.duckdb"):
        pass
    with duckdb.connect(str(tmp_path / "empty.duckdb"), read_only=True) as raw:
        there = raw.execute(
            "select column_name, table_name from duckdb_columns() "
            "join duckdb_tables() using (table_oid, table_name) "
            "where column_name in ('serial', 'build')"
        ).fetchall()
    serial = {table for column, table in there if column == "serial"}
    serial -= {"standard_check", "standard_value"}  # of a check standard
    build = {table for column, table in there if column == "build"}
    assert serial == {*amending._OF_SERIAL, *amending._DECIDED_ON}
    assert build == {*amending._OF_BUILD, *not_of_a_unit}


@pytest.mark.parametrize("instead", [None, "K-104"])
def test_the_fitting_of_a_held_reel_that_no_unit_has_is_taken_back(
    home: Home, instead: str | None
) -> None:
    """Not begun, or another reel took its place: its hold stands where it stood."""
    said(home, "build", "open", "B-4")
    for reel in filter(None, (BAD_REEL, instead)):
        said(home, "reel", "fit", reel, "R13", "--build", "B-4", "--anyway")
    if instead is not None:
        assert "B-4" not in said(home, "trace", BAD_REEL).stdout
    (mine,) = [
        one
        for one in listed(home, "fitting", "list")
        if (one["build"], one["reel"]) == ("B-4", BAD_REEL)
    ]
    before = said(home, "status").stdout.splitlines()[0]
    said(home, "fitting", "undo", mine["fitting"], *ADA)
    left = [o for o in listed(home, "fitting", "list") if o["build"] == "B-4"]
    assert [one["reel"] for one in left] == ([] if instead is None else [instead])
    assert said(home, "status").stdout.splitlines()[0] == before


def test_a_fitting_recorded_by_mistake_is_taken_back(home: Home) -> None:
    said(home, "build", "open", "B-4")
    said(home, "reel", "fit", "K-104", "R14", "--build", "B-4", "--anyway")
    (mine,) = [one for one in listed(home, "fitting", "list") if one["build"] == "B-4"]
    done = said(home, "fitting", "undo", mine["fitting"][:8], *ADA)
    assert "Part R14 of build B-4 does not come from reel K-104 any more" in done.stderr
    assert "B-4" not in {one["build"] for one in listed(home, "fitting", "list")}
    (kept,) = amendments(home)
    assert kept.after is None
    assert json.loads(kept.before)["after_number"] == 30


def test_a_shipment_recorded_by_mistake_is_undone_by_a_named_person(
    home: Home,
) -> None:
    ship = ("ship", "PA-1000", "--to", "order 1", "--person", "Ada Moreno")
    told = said(home, *ship, "--override", "shown at a fair").stdout
    assert told.startswith("PA-1000: Has left")
    assert "it has left already" in holdpoint(*ship, home=home.folder).stdout
    assert "in the shipment records by this serial" in refused(
        home, "unit", "edit", "PA-1000", "--serial", "PA-7", *ADA
    )
    done = said(home, "shipment", "undo", "PA-1000", *ADA)
    assert "Unit PA-1000 is in the house" in done.stderr
    assert listed(home, "shipment", "list") == []
    # Who reads the ledger knows units, not ids.
    said(home, "hold", "place", "--unit", "PA-1001", *ADA)
    *_, undone, placed = said(home, "ledger", "list").stdout.splitlines()
    assert "shipment of unit PA-1000" in undone
    assert "unit PA-1001 (hold " in placed
    (kept,) = amendments(home)
    assert json.loads(kept.before)["override_reason"] == "shown at a fair"
    said(home, *ship, "--override", "now it has")
    said(home, "return", "PA-1000", "--person", "Ada Moreno", "--reason", "broken")
    assert "came back or left again since" in refused(
        home, "shipment", "undo", "PA-1000", *ADA
    )
    said(home, "ledger", "verify")


def test_an_amendment_of_a_row_that_was_changed_meanwhile_is_refused(
    home: Home,
) -> None:
    said(home, "build", "edit", "B-1", "--units", "12", *ADA)
    (first,) = amendments(home)
    told = "build 'B-1' is already recorded: somebody corrected it meanwhile"
    with LocalStore(home.store) as store:
        later = Amendment(
            amendment="later", product=first.product, kind=first.kind,
            subject="B-1", before=first.before,
            after=row_text({**json.loads(first.before), "planned_units": 9}),
            person="Ada Moreno", reason="x", amended_at=first.amended_at,
        )  # fmt: skip
        line = Decision(
            person="Ada Moreno", action="correct build", subject="B-1", reason="x",
            decided_at=first.amended_at,
        )  # fmt: skip
        with pytest.raises(Exception, match=told):
            store.keep(later, decision=line)
        assert len(store.rows(Amendment)) == 1


def test_everything_goes_to_another_pc_as_one_file(home: Home, tmp_path: Path) -> None:
    file = tmp_path / "all.zip"
    done = said(home, "move", str(file))
    assert "units 30" in done.stdout
    with LocalStore(home.store) as store:
        kitted = f"reels {len(store.rows(Reel))}, fittings {len(store.rows(Fitting))}, "
    assert kitted in done.stdout
    closed = refused(home, "status")
    assert "were moved on" in closed
    assert "move FILE --back" in closed
    there = Home(tmp_path / "there")
    dry = said(there, "restore", str(file), "--dry-run")
    assert "is free for it" in dry.stderr
    assert not there.store.exists()
    back = said(there, "restore", str(file)).stderr
    assert "The settings and all records are put back" in back
    assert "Not in a backup: documents" in back
    assert said(there, "status").stdout.startswith("Hold build B-3")
    said(there, "ledger", "verify")
    again = refused(there, "restore", str(file))
    assert "nothing is written over" in again
    before = there.store.read_bytes()
    kept = said(there, "restore", str(file), "--aside").stderr
    (aside,) = there.folder.glob("before-*")
    assert str(aside) in kept
    assert (aside / "data" / "holdpoint.duckdb").read_bytes() == before
    said(home, "move", str(file), "--back")
    said(home, "status")


def test_a_nightly_copy_is_put_back_after_damage(home: Home) -> None:
    with LocalStore(home.store) as store:
        copy = store.backup(str(home.backups))
        units = len(store.rows(Unit))
    home.store.write_bytes(b"damaged" * 4096)
    told = refused(home, "status")
    assert f"those of each night are in {home.backups}" in told
    back = said(home, "restore", copy, "--aside").stderr
    assert "All records are put back" in back
    assert "the settings stay as they were" in back
    with LocalStore(home.store) as store:
        assert len(store.rows(Unit)) == units
        assert store.rows(Fitting)


def test_a_file_that_is_not_whole_is_never_put_back(home: Home, tmp_path: Path) -> None:
    file = tmp_path / "all.zip"
    said(home, "backup", str(file))
    assert "is there already" in refused(home, "backup", str(file))
    data = file.read_bytes()
    there = Home(tmp_path / "there")
    bad = tmp_path / "bad.zip"
    for at in range(0, len(data), max(1, len(data) // 40)):
        bad.write_bytes(data[:at] + bytes([data[at] ^ 0xFF]) + data[at + 1 :])
        done = holdpoint("restore", str(bad), home=there.folder)
        assert "Traceback" not in done.stderr
        if done.returncode == 0:  # a byte that says nothing of what is in it
            said(there, "restore", str(bad), "--aside")
        else:
            assert "damaged" in done.stderr or "cannot be read" in done.stderr
    with ZipFile(bad, "w") as packed:
        packed.writestr(
            "contents.json",
            '{"made_at": "", "program": "", "rows": {}, "files": {"../x.toml": ""}}',
        )
        packed.writestr("../x.toml", "")
    assert "which no backup of this program has" in refused(there, "restore", str(bad))
    assert not (tmp_path / "x.toml").exists()
