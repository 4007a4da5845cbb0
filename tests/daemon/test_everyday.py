"""A maker with a sheet and no instrument: from an empty folder to judged builds."""

import json
import shutil
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import numpy as np
import pytest

from daemon.commands import import_sheet, showing
from daemon.presentation.to_copy import hold_end
from daemon.station.import_sheet import Row, understood
from tests.daemon.commanding import Done, holdpoint
from tests.daemon.making import DEMO

UNITS = 60
BAD_FROM = 40
TITLES = ("1 µA", "10 µA", "100 µA", "1 mA")
FULL_SCALE_UA = (1.0, 10.0, 100.0, 1000.0)
LEVEL = 0.9


def messy(folder: Path, *, changed: str = "") -> Path:
    """Write 60 units as a maker has them: decimal commas, titles, an old code page.

    From the 41st on range 10 µA reads 0.3 % high. Two serials are the same, and one
    cell lacks its unit.

    Parameters
    ----------
    changed
        What the first unit's first output reads in place of what it read.
    """
    chance = np.random.default_rng(5)
    head = ["S/N", "Charge"]
    for title in TITLES:
        head += [f"Eingang {title} [µA]", f"Ausgang {title} / mV"]
    lines = ["Moreno Lab;Endprüfung", "", ";".join(head)]
    for i in range(UNITS):
        errors = chance.normal(0.0, 150.0, len(TITLES)) + chance.normal(0.0, 50.0)
        if i >= BAD_FROM:
            errors[1] += 3000.0
        row = [f"PA-{2001 + i}", "B-1"]
        for place, error in enumerate(errors):
            out = f"{900.0 * (1 + error * 1e-6):.4f}"
            row += [f"{LEVEL * FULL_SCALE_UA[place]:g}", out]
        if i == 0 and changed:
            row[3] = changed
        if i == 3:
            row[3] += " V"
        if i == 5:
            row[0] = "PA-2005"
        lines.append(";".join(row).replace(".", ","))
    lines.append("Mittelwert;;;900,1")
    path = folder / "units.csv"
    path.write_bytes("\r\n".join(lines).encode("cp1252"))
    return path


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a home without a bench file."""
    folder = tmp_path_factory.mktemp("everyday")
    for name in ("product.toml", "plan.toml"):
        shutil.copy(DEMO / name, folder)
    return folder


def told(done: Done) -> Any:
    """Return what a command said for a program."""
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout, parse_constant=no_number)


def no_number(text: str) -> None:
    message = f"{text} is no JSON"
    raise AssertionError(message)


@pytest.fixture(scope="module")
def imported(home: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return what a dry run said, and what the import said after it."""
    path = messy(home)
    dry = told(holdpoint("import", str(path), "--dry-run", "--json", home=home))
    builds = told(holdpoint("build", "list", "--json", home=home))
    assert builds == []
    return dry, told(holdpoint("import", str(path), "--json", home=home))


def test_the_dry_run_says_what_the_import_does(
    imported: tuple[dict[str, Any], dict[str, Any]],
) -> None:
    dry, done = imported
    assert dry.pop("dry_run")
    assert not done["dry_run"]
    assert dry == {key: value for key, value in done.items() if key != "dry_run"}
    assert (done["new"], done["changed"], done["known"]) == (UNITS - 3, 0, 0)
    where = [(one["line"], one["cell"]) for one in done["rejected"]]
    assert where == [(7, "D7"), (8, None), (9, None)]
    assert done["held"] == ["build B-1"]
    assert any("Mittelwert" in one for one in done["remarks"])


@pytest.mark.usefixtures("imported")
def test_without_a_bench_file_units_are_judged_and_it_is_said_once(
    home: Path,
) -> None:
    done = holdpoint("status", home=home)
    assert "range 10 µA reads +0.3" in done.stdout
    assert "since unit PA-2041" in done.stdout
    assert done.stdout.count("the general one, not yet this product's own") == 1
    # What cannot be done here is not advised.
    assert "measure the check standard" not in done.stdout
    again = holdpoint("import", str(home / "units.csv"), home=home)
    assert again.stderr.count("handheld ones of 0.5 % + 2 digits") == 1
    assert "0 units new, 0 changed, 57 the same as before, 3 rejected" in again.stderr


def test_one_number_stands_for_one_thing(
    home: Path, imported: tuple[dict[str, Any], dict[str, Any]]
) -> None:
    size = "10 µA reads +0.30 %"
    assert size in holdpoint("hold", "list", home=home).stdout
    assert size in holdpoint("status", home=home).stdout
    left = holdpoint("ship", "PA-2050", "--check", "--person", "Ada Moreno", home=home)
    assert size in left.stdout
    placed = imported[1]["held_because"]
    assert [size in one for one in placed] == [True]


@pytest.mark.usefixtures("imported")
def test_a_corrected_cell_is_a_further_run_with_its_reason(
    home: Path,
) -> None:
    path = messy(home, changed="901.5")
    dry = told(holdpoint("import", str(path), "--dry-run", "--json", home=home))
    done = told(holdpoint("import", str(path), "--json", home=home))
    assert dry["rows"] == done["rows"]
    assert (done["new"], done["changed"], done["known"]) == (0, 1, UNITS - 4)
    (changed,) = [one for one in done["rows"] if one["state"] == "changed"]
    assert changed["serial"] == "PA-2001"
    assert changed["reason"].startswith(
        "Corrected in units.csv, row 4: 1 µA out is 901.5 mV, was "
    )


@pytest.mark.usefixtures("imported")
def test_a_hold_is_ended_by_the_beginning_of_its_id(
    home: Path,
) -> None:
    (listed,) = told(holdpoint("hold", "list", "--json", home=home))
    assert listed["hold"] in holdpoint("hold", "list", home=home).stdout
    end = ("--by", "release", "--person", "Ada Moreno", "--reason", "a concession")
    missed = holdpoint("hold", "end", "X", *end, home=home)
    assert missed.returncode == 1
    assert missed.stderr == "holdpoint: unknown hold 'X'\n"
    done = holdpoint("hold", "end", listed["hold"][:6].lower(), *end, home=home)
    assert "Hold on build B-1 ended by release." in done.stderr


@pytest.mark.usefixtures("imported")
def test_holds_are_ended_by_what_is_held(home: Path) -> None:
    who = ("--person", "Ada Moreno", "--reason", "scratched")
    for serial in ("PA-2010", "PA-2011"):
        holdpoint("hold", "place", "--unit", serial, *who, home=home)
    end = ("--by", "release", *who)
    # One of them is not held: then none is ended.
    none = holdpoint("hold", "end", "PA-2010..PA-2012", *end, home=home)
    assert none.stderr == "holdpoint: unknown hold 'PA-2012'\n"
    waiting = told(holdpoint("status", "--json", home=home))["waiting"]
    asked = hold_end("PA-2010..PA-2011")
    assert asked in [one["do"] for one in waiting]
    both = holdpoint("hold", "end", "pa-2010..pa-2011", *end, home=home)
    assert "Hold on unit PA-2010 ended by release." in both.stderr
    assert "Hold on unit PA-2011 ended by release." in both.stderr
    waiting = told(holdpoint("status", "--json", home=home))["waiting"]
    assert not [one for one in waiting if "PA-20" in one["do"]]
    holdpoint("hold", "place", "--unit", "PA-2010", *who, home=home)
    holdpoint("hold", "place", "--unit", "PA-2010", *who, home=home)
    which = holdpoint("hold", "end", "PA-2010", *end, home=home)
    assert "2 stand on it; say which by its id: " in which.stderr


@pytest.mark.usefixtures("imported")
def test_a_hold_is_ended_by_the_name_of_what_it_stands_on(home: Path) -> None:
    """Whoever scraps many units is told so before it is done."""
    by = ("--person", "Ada Moreno", "--reason", "seen")
    place = ("hold", "place", "--serials", "PA-9901", "PA-9902", *by)
    assert holdpoint(*place, home=home).returncode == 0
    scrap = ("hold", "end", "PA-9901", "--by", "scrap")
    # What is refused has no consequence to tell.
    nobody = holdpoint(*scrap, "--person", "Hugo", "--reason", "seen", home=home)
    assert nobody.stderr.splitlines() == [
        "holdpoint: 'Hugo' may not end a hold; listed are Ada Moreno, Jon Birk"
    ]
    done = holdpoint(*scrap, *by, home=home)
    told_so, ended = done.stderr.splitlines()
    assert told_so.startswith("No unit of these serials leaves any more")
    assert ended == "Hold on serials PA-9901 to PA-9902 ended by scrap."
    every = told(holdpoint("hold", "list", "--all", "--json", home=home))
    (over,) = [one["hold"] for one in every if one["subject"] == "PA-9901"]
    twice = holdpoint("hold", "end", over, "--by", "release", *by, home=home)
    assert "it is ended already: scrap by Ada Moreno" in twice.stderr
    assert len(twice.stderr.splitlines()) == 1


@pytest.mark.usefixtures("imported")
def test_nobody_records_a_measurement_under_a_name_that_is_not_listed(
    home: Path,
) -> None:
    asked = ("prove", "b-1-f", "older-unit", "10ppm", "--person", "Hugo")
    done = holdpoint(*asked, home=home)
    assert done.returncode == 1
    assert "'Hugo' may not decide; listed are Ada Moreno, Jon Birk" in done.stderr


@pytest.mark.usefixtures("imported")
def test_the_watched_folder_survives_what_is_dropped_into_it(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    messy(tmp_path, changed="901.5").rename(tmp_path / "z.csv")
    (tmp_path / "a.xlsx").write_bytes(b"PK\3\4 no workbook")
    (tmp_path / "b.csv").write_bytes(b"")
    (tmp_path / "c.parquet").write_bytes(b"PAR1PAR1")
    (tmp_path / "d.csv").mkdir()
    (tmp_path / "e.csv").write_text("serial,1uA in,1uA out\nPA-1,1,1\n")
    (tmp_path / "gone.csv").symlink_to(tmp_path / "nowhere.csv")
    (tmp_path / "~$z.xlsx").write_bytes(b"open elsewhere")

    def mistaken(path: Path, *_: object, **__: object) -> object:
        if path.name == "e.csv":
            message = "a mistake of the program"
            raise ZeroDivisionError(message)
        return real(path, *_, **__)  # type: ignore[arg-type]

    real = understood
    monkeypatch.setattr(import_sheet, "understood", mistaken)
    looks = count(1)

    def look(_: float) -> None:
        if next(looks) > 3:
            raise KeyboardInterrupt

    monkeypatch.setattr("daemon.commands.import_sheet.time.sleep", look)
    done = holdpoint("import", str(tmp_path), "--watch", home=home)
    assert done.returncode == 130
    said = done.stderr
    assert "a.xlsx is no Excel file, or it is damaged" in said
    assert "b.csv is empty" in said
    assert "c.parquet is no Parquet file" in said
    assert "d.csv cannot be opened" in said
    assert "e.csv was not imported: the program made a mistake with it" in said
    assert "57 the same as before, 3 rejected" in said
    assert said.count("a.xlsx") == 1
    assert "gone.csv" not in said


ANSWERS = {
    "What is the product": "Photodiode amplifier",
    "Full scale": "1u, 10u, 100u, 1m",
    "Gain": "1 + R3 / R4",
    "The part that": "R11, R12, R13, R14",
    "Values": "500k, 50k, 5k, 500, 10k, 10k",
    "How good": "0.02 % + 2 digits, 60000 counts",
    "Who may": "Ada Moreno",
}


def test_from_an_empty_folder_to_judged_builds_in_four_commands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a new user does who has a sheet of 60 units and no instrument."""
    monkeypatch.setattr("daemon.commands.settings.interactive", lambda: True)
    monkeypatch.setattr(
        "daemon.commands.settings.click.prompt",
        lambda question, **_: next(
            (said for start, said in ANSWERS.items() if question.startswith(start)), ""
        ),
    )
    line = tmp_path / "my-line"
    path = messy(tmp_path)
    walk = [
        ("init",),
        ("import", str(path), "--dry-run"),
        ("import", str(path)),
        ("status",),
    ]
    done = [holdpoint(*words, home=line) for words in walk]
    assert [one.returncode for one in done] == [0, 0, 0, 0], done
    assert not any("Traceback" in one.stderr for one in done)
    assert "57 units would be new" in done[1].stderr
    assert "57 units new" in done[2].stderr
    assert "A hold stands on build B-1" in done[2].stderr
    assert done[3].stdout.startswith("Hold build B-1: range 10 µA reads +0.3")
    assert "since unit PA-2041" in done[3].stdout
    # Good enough meters judge; what they judge can leave once somebody decides.
    (hold,) = told(holdpoint("hold", "list", "--json", home=line))
    by = ("--person", "Ada Moreno", "--reason", "accepted")
    ended = holdpoint("hold", "end", hold["hold"], "--by", "release", *by, home=line)
    assert ended.returncode == 0
    left = holdpoint("ship", "PA-2002", "--to", "order 1", *by[:2], home=line)
    assert left.stdout == "PA-2002: Has left.\n"


def test_an_import_of_which_nothing_is_of_use_fails(home: Path, tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text("serial,build,1uA in,1uA out\nPA-1,B-1,900,0.9\n")
    for how in ((), ("--dry-run",)):
        done = holdpoint("import", str(path), *how, home=home)
        assert done.returncode == 1
        assert "cell C2: range 1 µA: 900 A is too much" in done.stderr
        # Whoever has poor meters hears it before a build of theirs must not leave.
        assert "These meters are too poor for the error limit of ranges" in done.stderr
    plan = home / "plan.toml"
    before = plan.read_text()
    try:
        plan.write_text(f'meters = "0.01 %, 100000 counts"\n{before}')
        assert "too poor" not in holdpoint("import", str(path), home=home).stderr
    finally:
        plan.write_text(before)


def test_a_row_of_a_time_that_is_still_to_come_is_asked_about() -> None:
    now = datetime(2026, 3, 2, 12, tzinfo=UTC)
    rows = [
        Row(
            line=line,
            serial=f"PA-{line}",
            build="B-1",
            measured_at=now + timedelta(days=days),
            readings=(),
            reels=(),
        )
        for line, days in ((2, 0), (3, 30), (4, 31))
    ]
    asked = (
        "Row 3 and 1 more: the time is still to come, 2026-04-01. Is the date right?"
    )
    assert import_sheet.still_to_come(rows, now) == asked
    assert import_sheet.still_to_come(rows[:1], now) is None


def test_what_lasts_longer_than_usual_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told: SimpleQueue[str] = SimpleQueue()
    monkeypatch.setattr(showing, "say", told.put)
    with showing.if_it_lasts(lambda: "never said", after_s=1e6):
        assert told.empty()
    with showing.if_it_lasts(lambda: "it lasts", after_s=0.0):
        assert told.get(timeout=60.0) == "it lasts"
    assert told.empty()
