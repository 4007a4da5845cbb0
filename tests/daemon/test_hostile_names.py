"""Whatever a unit, a build or a reel is called: lists are shown, ids can be used."""

import json
from pathlib import Path

import numpy as np
import pytest

from daemon.service.home import Home
from storage.door import LONGEST_ID, require_id
from storage.errors import RefusedValueError
from storage.local import LocalStore
from storage.records import Build, Product, Reel, Unit
from tests.daemon.commanding import Done, holdpoint
from tests.daemon.making import AT, demo_settings
from tests.daemon.seeded import empty_home

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
        for name in names():
            store.keep(
                Build(build=name, product=NAME, planned_units=None, opened_at=AT),
                Reel(
                    reel=name, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT,
                    supplier=name,
                ),
                Unit(serial=f"S{name}", product=NAME, build=name),
            )  # fmt: skip
    return made


def fine(done: Done) -> Done:
    assert "Traceback" not in done.stderr
    assert done.returncode == 0, done.stderr
    return done


def listed(home: Home, *arguments: str) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(
        fine(holdpoint(*arguments, "--json", home=home.folder)).stdout
    )
    return found


@pytest.mark.parametrize("kind", ["build", "reel"])
def test_every_list_shows_every_name_as_it_is(home: Home, kind: str) -> None:
    rows = listed(home, kind, "list")
    assert {row[kind] for row in rows} == set(names())
    shown = fine(holdpoint(kind, "list", home=home.folder)).stdout
    for name in names():
        assert name in shown


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
