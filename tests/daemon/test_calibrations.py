"""An instrument out of tolerance: what rests on it, the doubt, and who ends it."""

from collections.abc import Callable
from datetime import timedelta
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner

from daemon.commands.cli import holdpoint
from daemon.holds import NotAllowedError
from daemon.service.home import Home
from daemon.traceability import instruments
from storage import (
    BenchInstrument,
    Calibration,
    Doubt,
    RefusedValueError,
    open_store,
)
from tests.daemon.making import AT
from tests.daemon.seeded import seeded_home

PERSON = "Ada Moreno"
SERIAL = "MY-77"
PRODUCT = "photodiode-amplifier"
Run = Callable[..., str]


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """Return a home whose one session was read by two instruments."""
    found = seeded_home(tmp_path / "home")
    with open_store(found.data) as store:
        store.keep(
            BenchInstrument(
                session="s", role="output", address="a", identity="A meter",
                serial_number=SERIAL, calibrated_at="2026-01-05", due_at="2027-01-05",
            ),
            BenchInstrument(
                session="s", role="reference", address="b", identity="Another",
                serial_number="MY-78",
            ),
        )  # fmt: skip
    return found


@pytest.fixture
def run(home: Home) -> Run:
    def call(*words: str) -> str:
        done = CliRunner().invoke(
            holdpoint, ["--home", str(home.folder), *words], catch_exceptions=False
        )
        assert done.exit_code == 0, done.output
        return done.output

    return call


def day(days: int) -> str:
    return (AT + timedelta(days=days)).date().isoformat()


def test_instruments_are_listed_and_a_unit_names_its_own(run: Run) -> None:
    said = run("instruments", "list")
    assert SERIAL in said
    assert "2026-01-05" in said
    assert "MY-78" in run("instruments", "list", "--unit", "PA-1001")


def test_a_good_calibration_doubts_nothing_and_is_the_latest(
    home: Home, run: Run, tmp_path: Path
) -> None:
    paper = tmp_path / "certificate.pdf"
    paper.write_bytes(b"good")
    run(
        "instruments", "calibrated", SERIAL, "--on", "2026-06-01", "--due",
        "2027-06-01", "--certificate", str(paper), "--person", PERSON,
    )  # fmt: skip
    with open_store(home.data) as store:
        (row,) = store.rows(Calibration)
        assert store.rows(Doubt, product=PRODUCT) == []
        known = {one.serial_number: one for one in instruments.instruments(store)}
    assert row.certificate_sha256 == sha256(b"good").hexdigest()
    assert (known[SERIAL].calibrated_on, known[SERIAL].due_on) == (
        "2026-06-01",
        "2027-06-01",
    )
    assert known[SERIAL].certificate == "certificate.pdf"


def test_what_was_read_since_the_last_good_calibration_is_in_doubt(
    home: Home, run: Run
) -> None:
    said = run(
        "instruments", "calibrated", SERIAL, "--on", day(30), "--since", day(-30),
        "--found", "+120 ppm at 1 V", "--person", PERSON,
    )  # fmt: skip
    assert "In doubt: 30 units of 1 session" in said
    with open_store(home.data) as store:
        (doubt,) = store.rows(Doubt, product=PRODUCT)
    assert doubt.to_number - doubt.from_number == 29
    assert "+120 ppm at 1 V" in run("doubt", "list")
    ship = ["ship", "PA-1001", "--to", "order 1", "--person", PERSON]
    stays = CliRunner().invoke(holdpoint, ["--home", str(home.folder), *ship])
    assert stays.exit_code != 0
    assert "its bench is in doubt" in stays.output
    run(
        "doubt",
        "end",
        doubt.doubt,
        "--person",
        PERSON,
        "--reason",
        "small beside 0.5 %",
    )
    leaves = CliRunner().invoke(holdpoint, ["--home", str(home.folder), *ship])
    assert "+120 ppm" not in leaves.output


def test_days_before_and_after_are_left_alone(home: Home, run: Run) -> None:
    for since, until in ((day(1), day(30)), (day(-30), day(-1))):
        said = run("instruments", "rests", SERIAL, "--since", since, "--until", until)
        assert "PA-" not in said
    said = run("instruments", "rests", SERIAL, "--since", day(0), "--until", day(0))
    assert "PA-1001" in said
    with open_store(home.data) as store:
        assert store.rows(Doubt, product=PRODUCT) == []


def test_nobody_unlisted_and_no_unknown_instrument(home: Home, run: Run) -> None:
    with pytest.raises(NotAllowedError):
        run("instruments", "calibrated", SERIAL, "--person", "Nobody")
    with pytest.raises(LookupError, match="no session was measured with"):
        run(
            "instruments", "calibrated", "none", "--found", "high", "--since", day(-9),
            "--on", day(0), "--person", PERSON,
        )  # fmt: skip
    with pytest.raises(RefusedValueError, match="must be"):
        run(
            "instruments", "calibrated", SERIAL, "--on", "2026-06-01", "--due",
            "2026-01-01", "--person", PERSON,
        )  # fmt: skip
    with open_store(home.data) as store:
        assert store.rows(Calibration) == []
