"""Whatever a unit, a build or a reel is called: lists are shown, ids can be used."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from config.load import fingerprint
from daemon.service.home import Home
from storage.door import LONGEST_ID, require_id
from storage.errors import RefusedValueError
from storage.local import LocalStore
from storage.records import (
    BenchInstrument,
    Build,
    Configuration,
    Decision,
    Doubt,
    DoubtCause,
    Product,
    Reel,
    Session,
    Unit,
)
from storage.records_alerts import Alert, Severity
from storage.records_gauge import GaugeStudy
from storage.records_shipping import Rework, ReworkKind
from tests.daemon.commanding import Done, holdpoint
from tests.daemon.making import AT, demo_settings, fitting
from tests.daemon.seeded import empty_home
from tests.storage.samples import results, run

NAME = demo_settings().product.name
NAMES = 300
TRACED = 6
FORMS = (
    "[bold]{}[/bold]", "[/{}]", "[link=x]{}", "{}]", "B'{}'", 'B"{}"',
    "'; drop table {}",
    "=1+{}", "@{}", "+{}", "-{}", "--{}", "../../{}", "/{}", "C:\\{}", "{}%", "%s{}",
    "{{}}{}", "${}", "`{}`", "$({})", "a|{}", "a;{}", "a&{}", "<b>{}</b>", "&lt;{}",
    "\u0627\u0644{}", "\u05d0{}", "\u4e00{}", "\U0001f527{}", "e\u0301{}", "\u00b5{}",
    "{}_x", "a b {}", "NULL{}", "None {}", "nan{}", "{}e9", "0x{}", "\u2126{}",
    "{}" + "x" * 60, ":key:{}", "#{}", "//{}", "{}\\n", "a,b{}", "a b c{}",
)  # fmt: skip
LISTS = {
    "gauge": "study",
    "rework": "serial",
    "doubt": "doubt",
    "alerts": "alert",
    "instruments": "serial_number",
}
"""Lists of what is not named at its opening, and what names a row of each."""
REFUSED = (
    "", " ", " a", "a ", "a\nb", "a\tb", "\x1b[31m", "a\x00", "\u202eabc", "\u200bx",
    "a\u2028b", "a\u00a0b", "a\u2003b", "a  b", "a\u3164b", "a\ufe0fb",
    "x" * (LONGEST_ID + 1), "\ud800",
)  # fmt: skip


def names() -> list[str]:
    chance = np.random.default_rng(31)
    return [
        FORMS[place % len(FORMS)].replace(
            "{}", str(chance.integers(100, 999)) + str(place)
        )
        for place in range(NAMES)
    ]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Return a home with 300 builds, reels and units of such names."""
    made = empty_home(tmp_path_factory.mktemp("hostile") / "home")
    made.data.mkdir(parents=True, exist_ok=True)
    with LocalStore(made.store) as store:
        store.keep(Product(product=NAME, title=demo_settings().product.title))
        told = names()
        store.keep(
            *(
                Build(build=one, product=NAME, planned_units=None, opened_at=AT)
                for one in told
            ),
            *(
                Reel(
                    reel=one, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT,
                    supplier=one,
                )
                for one in told
            ),
            *(Unit(serial=f"S{one}", product=NAME, build=one) for one in told),
        )  # fmt: skip
    return made


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Return a home with 300 studies, reworks, doubts, messages and instruments."""
    made = empty_home(tmp_path_factory.mktemp("worked") / "home")
    made.data.mkdir(parents=True, exist_ok=True)
    told = names()
    cells = json.dumps([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)])
    first = replace(run(1), product=NAME, serial=f"S{told[0]}", build=told[0])
    with LocalStore(made.store) as store:
        store.keep(
            Product(product=NAME, title=demo_settings().product.title),
            Configuration(configuration="c0ffee", body="{}", stored_at=AT),
            Session(
                session="session 1", bench="b", opened_at=AT, configuration="c0ffee"
            ),
            Build(build=told[0], product=NAME, planned_units=None, opened_at=AT),
            *(Unit(serial=f"S{one}", product=NAME, build=told[0]) for one in told),
        )
        store.record_run(first, results(first, tuple(demo_settings().product.ranges)))
        for one in told:
            store.keep(
                Rework(
                    rework=one, serial=f"S{one}", product=NAME, person="Ada Moreno",
                    kind=ReworkKind.REGRADE, reason=one, reworked_at=AT,
                    range="10uA", limit_ppm=9e3,
                ),
                decision=Decision(
                    person="Ada Moreno", action="regrade", subject=f"S{one}",
                    reason=one, decided_at=AT,
                ),
            )  # fmt: skip
        store.keep(
            *(
                GaugeStudy(
                    gauge_study=one, product=NAME, range="10uA", unit="ppm",
                    parts=json.dumps([one, "P"]), appraisers=json.dumps([one, "A"]),
                    trials=2, cells=cells, tolerance=None, bench=None,
                    person="Ada Moreno", planned_at=AT,
                )
                for one in told
            ),
            *(
                Doubt(
                    doubt=one, product=NAME, session="session 1", from_number=1,
                    to_number=1, cause=DoubtCause.OVERDUE, reason=one, raised_at=AT,
                )
                for one in told
            ),
            *(
                Alert(
                    alert=one, target="mail", product=NAME, severity=Severity.HOLD,
                    subject=one, title=one, body=one, said=one, follows=None,
                    made_at=AT,
                )
                for one in told
            ),
            *(
                BenchInstrument(
                    session="session 1", role=f"role {place}", address="by hand",
                    identity=one, serial_number=one,
                )
                for place, one in enumerate(told)
            ),
        )  # fmt: skip
    return made


def fine(done: Done) -> Done:
    assert "Traceback" not in done.stderr
    assert done.returncode == 0, done.stderr
    return done


def listed(home: Home, *arguments: str) -> list[dict[str, object]]:
    found: Any = json.loads(
        fine(holdpoint(*arguments, "--json", home=home.folder)).stdout
    )
    rows: list[dict[str, object]] = found["reworks"] if "rework" in arguments else found
    return rows


@pytest.mark.parametrize("kind", ["build", "reel"])
def test_every_list_shows_every_name_as_it_is(home: Home, kind: str) -> None:
    rows = listed(home, kind, "list")
    assert {row[kind] for row in rows} == set(names())
    shown = fine(holdpoint(kind, "list", home=home.folder)).stdout
    for name in names():
        assert name in shown


@pytest.mark.parametrize("kind", LISTS)
def test_a_list_of_what_was_done_shows_every_name(worked: Home, kind: str) -> None:
    rows = listed(worked, kind, "list")
    prefix = "S" if kind == "rework" else ""
    found = {row[LISTS[kind]] for row in rows}
    if kind == "instruments":
        found.remove("CS-1")  # the check standard of the settings
    assert found == {f"{prefix}{one}" for one in names()}
    shown = fine(holdpoint(kind, "list", home=worked.folder)).stdout
    for name in names():
        assert name in shown


def test_what_such_a_list_names_can_be_used(worked: Home) -> None:
    """Each command that ends, notes or shows one takes the name as the list has it."""
    by = ("--person", "Ada Moreno")
    for name in names()[7 :: NAMES // 3]:
        why = ("--reason", name)
        shown = holdpoint("gauge", "show", "--", name, home=worked.folder)
        assert f"8 of 8 readings are missing, next {name} by {name}" in shown.stderr
        for given in (
            ("doubt", "end", *by, *why, "--", name),
            ("alerts", "ack", *by, "--", name),
            ("instruments", "rests", "--since", "2026-01-01", "--", name),
        ):
            fine(holdpoint(*given, home=worked.folder))
    assert len(listed(worked, "doubt", "list")) == NAMES - 3
    fine(holdpoint("ledger", "verify", home=worked.folder))


def test_a_hold_on_any_name_is_listed_said_and_ended_by_its_id(home: Home) -> None:
    chosen = names()[:: NAMES // TRACED]
    by = ("--person", "Ada Moreno", "--reason", "[/no] '; $(x)")
    for name in chosen:
        fine(holdpoint("hold", "place", f"--build={name}", *by, home=home.folder))
    rows = listed(home, "hold", "list")
    assert {row["subject"] for row in rows} == set(chosen)
    status = fine(holdpoint("status", home=home.folder)).stdout
    shown = fine(holdpoint("hold", "list", home=home.folder)).stdout
    for row in rows:
        assert str(row["subject"]) in shown
        assert str(row["subject"]) in status
        ended = holdpoint(
            "hold",
            "end",
            str(row["hold"])[:9],
            "--by",
            "release",
            *by,
            home=home.folder,
        )
        fine(ended)
    assert listed(home, "hold", "list") == []
    ledger = fine(holdpoint("ledger", "list", home=home.folder)).stdout
    assert ledger.count("[/no] '; $(x)") == 2 * len(chosen)
    fine(holdpoint("ledger", "verify", home=home.folder))


def test_a_product_that_is_called_otherwise_since_keeps_its_records(
    home: Home,
) -> None:
    path = home.folder / "product.toml"
    before = path.read_text(encoding="utf-8")
    path.write_text(before.replace('title = "Four', 'title = "New four', 1), "utf-8")
    try:
        assert len(listed(home, "build", "list")) == NAMES
    finally:
        path.write_text(before, encoding="utf-8")


def test_any_name_is_traced(home: Home) -> None:
    for name in names()[5 :: NAMES // TRACED]:
        for subject in (name, f"S{name}"):
            done = holdpoint("trace", "--", subject, home=home.folder)
            assert subject in fine(done).stdout


@pytest.mark.parametrize("name", REFUSED, ids=ascii)
def test_what_cannot_be_shown_or_typed_again_is_no_name(home: Home, name: str) -> None:
    with pytest.raises(RefusedValueError) as refused:
        require_id("serial", name)
    # It is said so that a terminal is not told to do what the name says.
    assert str(refused.value).isprintable()
    with LocalStore(home.store) as store:
        for row in (
            Build(build=name, product=NAME, planned_units=None, opened_at=AT),
            Reel(reel=name, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT),
            Unit(serial=name, product=NAME, build=names()[0]),
        ):
            with pytest.raises(RefusedValueError):
                store.keep(row)


def test_a_sheet_with_such_a_serial_is_rejected_row_by_row(
    home: Home, tmp_path: Path
) -> None:
    path = tmp_path / "units.csv"
    path.write_text(
        "serial,build,1mA in,1mA out\n\u202ePA-1,B-1,900 uA,0.9\nPA-2,B-1,900 uA,0.9\n",
        encoding="utf-8",
    )
    done = holdpoint("import", str(path), "--dry-run", home=home.folder)
    assert "cell A2: serial = '\\u202ePA-1': must not have an invisible" in done.stderr
    assert "1 unit would be new" in fine(done).stderr


@pytest.mark.endurance
@pytest.mark.parametrize("kind", ["unit", "build", "sheet", "customer"])
def test_every_paper_takes_every_name(tmp_path: Path, kind: str) -> None:
    """Three hundred units, each of a build, a reel and a box of such names."""
    made = empty_home(tmp_path / "home")
    made.data.mkdir(parents=True, exist_ok=True)
    settings = demo_settings()
    configuration, body = fingerprint(settings)
    ranges = tuple(settings.product.ranges)
    with LocalStore(made.store) as store:
        store.keep(
            Product(product=NAME, title=settings.product.title),
            Configuration(configuration=configuration, body=body, stored_at=AT),
            Session(
                session="session 1", bench="b", opened_at=AT,
                configuration=configuration,
            ),
        )  # fmt: skip
        for number, name in enumerate(names(), 1):
            store.keep(
                Build(build=name, product=NAME, planned_units=None, opened_at=AT),
                Reel(
                    reel=name, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT,
                    supplier=name, lot_code=name,
                ),
                Unit(serial=f"S{name}", product=NAME, build=name),
                replace(fitting(name, "R13", name), product=NAME),
            )  # fmt: skip
            one = replace(
                run(number), product=NAME, serial=f"S{name}", build=name,
                configuration=configuration,
            )  # fmt: skip
            store.record_run(one, results(one, ranges))
    paths = set()
    for name in names():
        subject = name if kind in {"build", "sheet"} else f"S{name}"
        into = tmp_path / "papers"
        done = holdpoint(
            "report", kind, f"--into={into}", "--issuer", name, "--", subject,
            home=made.folder,
        )  # fmt: skip
        fine(done)
        (path,) = {one for one in into.iterdir() if one not in paths}
        assert path.read_bytes().startswith(b"%PDF-")
        paths.add(path)
    assert len(paths) == NAMES
