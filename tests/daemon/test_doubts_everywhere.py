"""A unit of a bench in doubt stays like a held one, and every list says so."""

import doctest
from pathlib import Path

import pytest
from click.testing import CliRunner

from config.load import fingerprint
from daemon.commands.cli import holdpoint
from daemon.holds import doubts
from daemon.station.cycle import Cycle, RunHeader
from storage.access import open_store
from storage.records import Doubt, DoubtCause
from tests.daemon.making import AT, demo_settings, readings
from tests.daemon.seeded import seeded_home

PRODUCT = "photodiode-amplifier"
REASON = "check standard CS-1 reads wrong on 1 mA"
BY = ("--person", "Ada Moreno")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a home in which the bench is in doubt from the second unit to the 4th."""
    home = seeded_home(tmp_path_factory.mktemp("doubts") / "home")
    with open_store(home.data) as store:
        store.keep(
            Doubt(
                doubt="d1", product=PRODUCT, session="s", from_number=3, to_number=5,
                cause=DoubtCause.OUT_OF_CONTROL, reason=REASON, raised_at=AT,
            )
        )  # fmt: skip
    return home.folder


def said(home: Path, *words: str) -> str:
    done = CliRunner().invoke(holdpoint, ["--home", str(home), *words])
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done.stdout


def written(home: Path, into: Path, *words: str) -> str:
    said(home, "report", *words, "--as", "html", "--into", str(into))
    (page,) = into.iterdir()
    return page.read_text(encoding="utf-8")


def test_examples() -> None:
    assert doctest.testmod(doubts).failed == 0


def test_every_list_names_the_doubt_until_a_person_ends_it(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "daemon.traceability.papers.build.charts_of", lambda *_: ()
    )  # drawn elsewhere
    units = "PA-1002 to PA-1004 (3)"
    assert f"PA-1003: Must not leave: its bench is in doubt: {REASON}." in said(
        home, "ship", "PA-1003", "--check", *BY
    )
    assert f"In doubt, {units}: {REASON}." in said(home, "hold", "list").splitlines()
    assert f"In doubt: {REASON}" in said(home, "trace", "PA-1003").splitlines()
    assert "In doubt" not in said(home, "trace", "PA-1005")
    assert f"In doubt, {units}: {REASON}" in said(home, "trace", "B-1").splitlines()
    assert "In doubt: 3 units, because" in said(home, "status")
    record = written(home, tmp_path / "unit", "unit", "PA-1003")
    assert (
        "Unit PA-1003 must not leave: the bench that measured it is in doubt." in record
    )
    assert REASON in record
    release = written(home, tmp_path / "build", "build", "B-1")
    assert "Build B-1 must not leave: the bench is in doubt." in release
    assert f"{units}: {REASON}" in release
    said(home, "doubt", "end", "d1", "--reason", "a lead lay loose at the check", *BY)
    assert "PA-1003: May leave." in said(home, "ship", "PA-1003", "--check", *BY)
    for words in (
        ("hold", "list"),
        ("trace", "PA-1003"),
        ("trace", "B-1"),
        ("status",),
    ):
        assert "n doubt" not in said(home, *words), words


def test_a_unit_that_was_measured_again_since_is_in_no_list(tmp_path: Path) -> None:
    home, settings = seeded_home(tmp_path / "home"), demo_settings()
    configuration, _ = fingerprint(settings)
    with open_store(home.data) as store:
        store.keep(
            Doubt(
                doubt="d1", product=PRODUCT, session="s", from_number=1, to_number=3,
                cause=DoubtCause.OUT_OF_CONTROL, reason=REASON, raised_at=AT,
            )
        )  # fmt: skip
        cycle = Cycle(settings, store)
        cycle.resume()
        cycle.record(
            readings(cycle.product, [100.0, -50.0, 20.0, 10.0]),
            RunHeader(
                serial="PA-1001",
                build="B-1",
                session="s",
                origin="bench",
                started_at=AT,
                finished_at=AT,
                configuration=configuration,
            ),
            {},
        )
    assert "In doubt: 2 units, because" in said(home.folder, "status")
    listed = said(home.folder, "hold", "list").splitlines()
    assert f"In doubt, PA-1000, PA-1002 (2): {REASON}." in listed
