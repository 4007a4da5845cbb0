"""Every command: what its help loads, how it shows names and numbers, how it ends."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from math import inf, nan
from pathlib import Path
from typing import Any, NoReturn

import click
import duckdb
import numpy as np
import pytest
from click.testing import CliRunner, Result

from config.errors import QuantityError
from daemon.commands import cli, completing
from daemon.commands.cli import ListedGroup, exit_code, holdpoint
from daemon.commands.every_command import SECTIONS, Several
from daemon.commands.orders import NotMeasuredError
from daemon.commands.showing import Headline, Table, show, to_json
from storage.access import open_store
from storage.errors import NotFoundError
from storage.records import Build, Unit
from tests.daemon.bench.fakes import FakeBench, no_answer
from tests.daemon.making import AT
from tests.daemon.seeded import empty_home, seeded_home

HEAVY = (
    "pandas",
    "numpy",
    "numba",
    "scipy",
    "duckdb",
    "altair",
    "streamlit",
    "pydantic",
)
MOST_MODULES = 200
"""Of ours, the command library and Python itself; all commands together take 1700."""

MARKED = "B[/x]"
"""A name that a markup language would take for the end of something."""

REASON = "[bold]lid[/nothing] :key:"


def leaves(group: ListedGroup, *words: str) -> Iterator[tuple[tuple[str, ...], str]]:
    """Walk over all commands with the sentence that the table says of each."""
    for name, entry in group.entries.items():
        if isinstance(entry, Several):
            inside = group.get_command(click.Context(group), name)
            assert isinstance(inside, ListedGroup)
            yield from leaves(inside, *words, name)
        else:
            yield (*words, name), entry.says


EVERY = list(leaves(holdpoint))


@pytest.mark.parametrize(("words", "says"), EVERY, ids=str)
def test_the_table_names_each_command_and_says_what_its_own_help_says(
    words: tuple[str, ...], says: str
) -> None:
    group: Any = holdpoint
    for word in words:
        group = group.get_command(click.Context(group), word)
    assert isinstance(group, click.Command)
    assert group.name == words[-1]
    assert (group.help or "").partition("\n")[0] == says


def test_every_sentence_is_one_short_sentence_and_stands_whole_in_the_help() -> None:
    said = [one.says for entries in SECTIONS.values() for one in entries.values()]
    for sentence in [*said, *(sentence for _, sentence in EVERY)]:
        assert sentence.endswith(".")
        assert sentence.count(". ") == 0
        assert len(sentence) <= 50
    shown = CliRunner().invoke(holdpoint, ["--help"]).stdout
    assert all(any(line.endswith(one) for line in shown.splitlines()) for one in said)
    assert [line[:-1] for line in shown.splitlines() if line in {
        f"{heading}:" for heading in SECTIONS
    }] == ["Set up", "Measure", "Decide", "Ship", "Look back", "Keep"]  # fmt: skip


def loaded(*arguments: str, **variables: str) -> tuple[set[str], str]:
    """Run the command; return what it loaded and what it said."""
    code = (
        "import sys, atexit\n"
        "atexit.register(lambda: print('\\n'.join(sys.modules), file=sys.stderr))\n"
        "from daemon.commands.cli import main\n"
        "sys.argv[0] = 'holdpoint'\n"
        "main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env={**os.environ, **variables}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return set(done.stderr.split()), done.stdout


def completed(*words: str) -> tuple[set[str], str]:
    """Press TAB after these words; return what that loaded and offered."""
    return loaded(
        _HOLDPOINT_COMPLETE="bash_complete",
        COMP_WORDS=" ".join(("holdpoint", *words)),
        COMP_CWORD=str(len(words)),
    )


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--help",), "Measure units, one after another."),
        (("--version",), "holdpoint, version"),
        (("hold", "--help"), "End holds, by a named person."),
    ],
    ids=" ".join,
)
def test_help_loads_no_command(arguments: tuple[str, ...], says: str) -> None:
    modules, said = loaded(*arguments)
    assert says in said
    assert not modules & set(HEAVY)
    assert len(modules) < MOST_MODULES


@pytest.mark.parametrize(
    ("words", "offers"),
    [
        (("ho",), "plain,hold"),
        (("",), "plain,completion"),
        (("hold", "e"), "plain,end"),
        (("--ho",), "plain,--home"),
    ],
    ids=" ".join,
)
def test_completing_a_name_loads_no_command(
    words: tuple[str, ...], offers: str
) -> None:
    modules, said = completed(*words)
    assert offers in said.splitlines()
    assert not modules & set(HEAVY)
    assert len(modules) < MOST_MODULES


@pytest.mark.parametrize(
    ("words", "offers"),
    [
        (("hold", "end", "--"), "plain,--by"),
        (("hold", "end", "H-1", "--by", ""), "plain,concession"),
        (("ship", "--orders", ""), "file,"),
        (("report", "unit", "--into", ""), "dir,"),
        (("dashboard", "--no"), "plain,--no-open"),
    ],
    ids=" ".join,
)
def test_completing_what_follows_a_command_does_not_load_it(
    words: tuple[str, ...], offers: str
) -> None:
    modules, said = completed(*words)
    assert offers in said.splitlines()
    assert not modules & set(HEAVY)
    assert len(modules) < MOST_MODULES


def test_what_is_written_for_completion_is_what_each_command_takes() -> None:
    """Else: python -m daemon.commands.completing."""
    written = json.loads(completing.WRITTEN.read_text(encoding="utf-8"))
    taken = {
        " ".join(words): completing.described(one)
        for words, one in completing.leaves(holdpoint)
    }
    assert written == taken
    for name, described in taken.items():
        assert completing.described(completing.stand_in(name)) == described


def test_turning_the_source_off_loads_neither_database_nor_statistics() -> None:
    modules, _ = loaded("bench", "off", "--help")
    assert not modules & (set(HEAVY) - {"pydantic"})


# Names and numbers as they are shown


@pytest.fixture(scope="module")
def marked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a home where a build, its units and a hold have square brackets."""
    home = seeded_home(tmp_path_factory.mktemp("marked") / "home")
    with open_store(home.data) as store:
        product = str(store.frame("product")["product"].iloc[0])
        store.keep(
            Build(build=MARKED, product=product, planned_units=None, opened_at=AT)
        )
        store.keep(*[Unit(serial="PA[/9]", product=product, build=MARKED)])
    placed = run(
        home.folder, "hold", "place", "--build", MARKED, "--person", "Ada Moreno",
        "--reason", REASON,
    )  # fmt: skip
    assert placed.exit_code == 0, placed.output
    return home.folder


def run(home: Path, *words: str, **variables: str) -> Result:
    return CliRunner(env=variables).invoke(holdpoint, ["--home", str(home), *words])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("status",), MARKED),
        (("build", "list"), MARKED),
        (("hold", "list"), MARKED),
        (("hold", "list"), REASON),
        (("ledger", "list"), REASON),
        (("trace", MARKED), MARKED),
        (("trace", "PA[/9]"), MARKED),
    ],
    ids=str,
)
def test_square_brackets_in_a_name_are_only_that(
    marked: Path, words: tuple[str, ...], says: str
) -> None:
    done = run(marked, *words)
    assert done.exit_code == 0, done.exception
    assert says in done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("status",),
        ("build", "list"),
        ("hold", "list", "--all"),
        ("doubt", "list", "--all"),
        ("ledger", "list"),
        ("alerts", "list", "--all"),
        ("rework", "list"),
        ("trace", "PA-3001"),
        ("card", "PA-3001"),
        ("contain", "B-3-F1"),
        ("prove", "B-3-F1"),
        ("variance",),
        ("capability",),
    ],
    ids=" ".join,
)
def test_what_a_program_reads_is_json(marked: Path, words: tuple[str, ...]) -> None:
    """RFC 8259 knows no NaN and no Infinity."""

    def no_number(name: str) -> NoReturn:
        raise AssertionError(name)

    done = run(marked, *words, "--json")
    assert done.exit_code == 0, done.exception
    json.loads(done.stdout, parse_constant=no_number)


def test_a_unit_that_was_never_measured_has_no_card(marked: Path) -> None:
    for form in ((), ("--json",)):
        done = run(marked, "card", "PA[/9]", *form)
        assert done.exit_code == 1
        assert done.stdout == ""
        assert "PA[/9]" in str(done.exception)


def test_an_unmeasured_build_has_no_yield(marked: Path) -> None:
    listed = json.loads(run(marked, "build", "list", "--json").stdout)
    mine = next(one for one in listed if one["build"] == MARKED)
    assert mine["first_pass_yield"] is None


def test_values_become_json() -> None:
    text = to_json(
        {"a": [nan, inf, 1.5], "at": AT, "n": np.int64(3), "x": np.float64("nan")}
    )
    assert json.loads(text) == {
        "a": [None, None, 1.5], "at": AT.isoformat().replace("+00:00", "Z"),
        "n": 3, "x": None,
    }  # fmt: skip


def test_a_hold_is_named_whole_on_a_narrow_terminal(marked: Path) -> None:
    narrow = {"COLUMNS": "30", "TTY_COMPATIBLE": "1", "NO_COLOR": "1"}
    named = [
        one["hold"] for one in json.loads(run(marked, "hold", "list", "--json").stdout)
    ]
    lines = run(marked, "hold", "list", **narrow).stdout.splitlines()
    assert named
    for one in named:
        assert any(line.startswith(one) for line in lines)
    assert "…" not in "".join(lines)


def test_a_table_is_said_as_its_columns_ask(
    capsys: pytest.CaptureFixture[str],
) -> None:
    rows = [{"name": "A", "ppm": 12.6}, {"name": "B", "ppm": nan}, {"name": "C"}]
    show(
        Headline("Two:"),
        Table(rows, {"who": "name", "ppm": ("ppm", "+.0f"), "": len}),
    )
    assert [line.split() for line in capsys.readouterr().out.splitlines()] == [
        ["Two:"], ["who", "ppm"], ["A", "+13", "2"], ["B", "-", "2"], ["C", "-", "1"],
    ]  # fmt: skip


# How a command ends


def ended(monkeypatch: pytest.MonkeyPatch, home: Path, *words: str) -> int | str | None:
    """Run the command as a shell does; return its exit code."""
    monkeypatch.setattr(sys, "argv", ["holdpoint", "--home", str(home), *words])
    monkeypatch.setattr("daemon.commands.cli.signal.signal", lambda *_: None)
    with pytest.raises(SystemExit) as end:
        cli.main()
    return end.value.code


def test_what_stays_or_is_broken_reaches_the_shell(
    monkeypatch: pytest.MonkeyPatch, marked: Path
) -> None:
    person = ("--person", "Ada Moreno")
    assert ended(monkeypatch, marked, "ship", "PA[/9]", "--check", *person) == 1
    assert not ended(monkeypatch, marked, "ship", "PA-1001", "--check", *person)
    assert not ended(monkeypatch, marked, "ledger", "verify")


def test_a_broken_ledger_reaches_the_shell(
    monkeypatch: pytest.MonkeyPatch, marked: Path, tmp_path: Path
) -> None:
    home = Path(shutil.copytree(marked, tmp_path / "home"))
    with duckdb.connect(str(home / "data" / "holdpoint.duckdb")) as database:
        database.execute("update decision set reason = 'none' where seq = 1")
    assert ended(monkeypatch, home, "ledger", "verify") == 1


def test_a_meter_that_is_not_read_reaches_the_shell(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    home = empty_home(tmp_path / "home")
    fake = FakeBench()
    monkeypatch.setattr("daemon.bench.connect", fake.connect)
    assert not ended(monkeypatch, home.folder, "bench", "try")
    fake.answers["ambient", "MEAS:TEMP?"] = no_answer("ambient")
    assert ended(monkeypatch, home.folder, "bench", "try") == 1


@pytest.mark.parametrize(
    ("fault", "code", "says"),
    [
        (click.UsageError("not so"), 2, "Error: not so\n"),
        (click.ClickException("no channel"), 1, "holdpoint: no channel\n"),
        (click.Abort(), 130, "Stopped.\n"),
        (KeyboardInterrupt(), 130, "Stopped.\n"),
        (NotMeasuredError("no unit"), 1, "holdpoint: no unit\n"),
        (NotFoundError(kind="reel", key="K"), 1, "holdpoint: "),
        (QuantityError(text="5 x", problem="no unit"), 1, "holdpoint: "),
        (OSError(28, "No space left"), 1, "holdpoint: [Errno 28] No space left\n"),
        (ValueError("a mistake"), None, ""),
    ],
    ids=lambda one: type(one).__name__ if isinstance(one, BaseException) else "",
)
def test_each_fault_has_its_exit_code_and_one_sentence(
    fault: BaseException,
    code: int | None,
    says: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert exit_code(fault) == code
    said = capsys.readouterr()
    assert said.err.startswith(says)
    assert said.err.count("\n") == (code is not None)
    assert not said.out
