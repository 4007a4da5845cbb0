"""Units leave, and come back, by the command."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from daemon.commands.cli import holdpoint
from tests.daemon.seeded import seeded_home

BY = ("--person", "Ada Moreno")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a home in which build B-3 is held from its sixth unit on."""
    return seeded_home(tmp_path_factory.mktemp("leaving") / "home").folder


def said(home: Path, *words: str) -> Result:
    return CliRunner().invoke(holdpoint, ["--home", str(home), *words])


def test_a_range_of_serials_leaves_and_one_comes_back(home: Path) -> None:
    left = said(home, "ship", "PA-1001..PA-1003", "--to", "order 7", *BY)
    assert left.exit_code == 0, left.output
    assert left.stdout.splitlines() == ["PA-1001 to PA-1003 (3): Has left."]
    again = said(home, "ship", "PA-1002", "--to", "order 8", *BY)
    assert again.exit_code == 1
    assert "PA-1002: Must not leave:" in again.stdout
    assert "order 7" in said(home, "trace", "PA-1002").stdout
    back = said(home, "return", "PA-1002", "--reason", "lid bent", *BY)
    assert back.exit_code == 0, back.output
    assert "lid bent" in said(home, "trace", "PA-1002").stdout


def test_what_is_held_stays_unless_somebody_answers_for_it(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stays = said(home, "ship", "PA-3006", "PA-1005", "--to", "order 9", *BY)
    assert stays.exit_code == 1
    lines = stays.stdout.splitlines()
    assert lines[0].startswith("PA-3006: Must not leave: held (build B-3)")
    assert lines[-1] == "PA-1005: Has left."
    many = said(home, "ship", "PA-3001..PA-3010", "--check").stdout.splitlines()
    # What is true of all of them is said once, with who they are.
    (held,) = [one for one in many if ": Must not leave: held (build B-3)" in one]
    assert held.startswith("PA-3001 to PA-3009 (9): ")
    why = "customer accepts the range as it is"
    left = said(home, "ship", "PA-3006", "--to", "order 9", "--override", why, *BY)
    assert left.exit_code == 0, left.output
    # The hold was placed at +0.3 %; everywhere else the finding says what it says now.
    now = "range 100 µA, reel K-900, reads +0.30 % since unit PA-3005"
    assert now in said(home, "status").stdout
    assert f"although held (build B-3): {now}; " in left.stdout
    assert why in said(home, "trace", "PA-3006").stdout
    said(home, "return", "PA-3006", "--reason", "not wanted after all", *BY)
    once_more = "another customer accepts it"
    left = said(
        home, "ship", "PA-3006", "--to", "order 10", "--override", once_more, *BY
    )
    assert "Has left by override" in left.stdout, left.output
    assert once_more in said(home, "trace", "PA-3006").stdout
    # Whoever looks for the reel's units, or reads the build's record, sees who let it.
    decided = "PA-3006 left by decision of Ada Moreno, "
    assert decided in said(home, "contain", "K-900").stdout
    monkeypatch.setattr(
        "daemon.traceability.papers.build.charts_of", lambda *_: ()
    )  # drawn elsewhere
    record = said(
        home, "report", "build", "B-3", "--as", "html", "--into", str(tmp_path)
    )
    assert record.exit_code == 0, record.output
    written = Path(record.stdout.splitlines()[0]).read_text(encoding="utf-8")
    assert decided in written
    assert written.index(once_more) > written.index(decided)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (
            ("NOPE", "--to", "o", *BY),
            1,
            "NOPE: Must not leave: no unit has this serial.",
        ),
        (("PA-1..B-3", "--to", "o", *BY), 2, "begin the same"),
        (("PA-9..PA-1", "--to", "o", *BY), 2, "counts up"),
        (("PA-1004", *BY), 2, "say for which order with --to"),
        (("--to", "o", *BY), 2, "say which units: name their serials"),
        (("PA-1004", "--to", "o"), 2, "--person"),
        (("PA-1004", "--to", "o", "--person", "Nobody"), 1, "listed are Ada Moreno"),
        (("--past", "3", "--to", "o", *BY), 2, "--past goes with --to, --build"),
    ],
)
def test_misuse_is_told(
    home: Path, words: tuple[str, ...], code: int, says: str
) -> None:
    done = said(home, "ship", *words)
    assert done.exit_code == code
    assert says in f"{done.output}{done.exception}"


def test_a_shops_list_ships_every_row(home: Path, tmp_path: Path) -> None:
    orders = tmp_path / "orders.csv"
    orders.write_text("Unit,No\nPA-2001,14\nPA-2002,15\nPA-7777,16\n")
    columns = ("--serial-column", "Unit", "--order-column", "No")
    done = said(home, "ship", "--orders", str(orders), *columns, *BY)
    assert done.exit_code == 1
    assert done.stdout.splitlines() == [
        "PA-2001, PA-2002 (2): Has left.",
        "PA-7777: Must not leave: no unit has this serial.",
    ]
    assert "15" in said(home, "trace", "PA-2002").stdout


def test_units_of_the_past_are_kept_as_a_count(home: Path) -> None:
    when = ("--build", "B-1", "--on", "2024-03-01", "--to", "fair")
    done = said(home, "ship", "--past", "12", *when, *BY)
    assert done.exit_code == 0, done.output
    assert "12" in said(home, "trace", "B-1").stdout
