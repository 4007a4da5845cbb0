"""Every sentence that the program can say is made of words that its readers know."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from daemon.commands.cli import holdpoint
from daemon.presentation.terms import INNER, TERMS

ROOT = Path(__file__).parents[2]
ROOMS = ("config", "storage", "daemon", "dashboard")
NOT_FOR_USERS = {"daemon/presentation/terms.py"}
NAMES_OF_DATA = re.compile(r"[a-z_0-9.]+")


def sentences_in(path: Path) -> Iterator[tuple[int, str]]:
    """Yield what a file may say: texts with a blank in them that are no docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    whole: set[int] = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            whole |= {id(one.value) for one in body if _is_text(one)}
    in_pieces: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            in_pieces |= {id(one) for one in ast.walk(node)}
            yield (
                node.lineno,
                "".join(
                    str(one.value) if isinstance(one, ast.Constant) else "{}"
                    for one in node.values
                ),
            )
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in in_pieces
            and id(node) not in whole
        ):
            yield node.lineno, node.value


def _is_text(one: ast.stmt) -> bool:
    return isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant)


def every_sentence() -> Iterator[tuple[str, str]]:
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            name = path.relative_to(ROOT).as_posix()
            if name in NOT_FOR_USERS:
                continue
            for line, text in sentences_in(path):
                if " " in text.strip() and not NAMES_OF_DATA.fullmatch(text):
                    yield f"{name}:{line}", text
    yield from helps(holdpoint, "holdpoint")


def helps(command: click.Command, name: str) -> Iterator[tuple[str, str]]:
    """Yield what --help says of a command, of its options and of those below it."""
    yield f"{name} --help", command.help or ""
    for one in command.params:
        if isinstance(one, click.Option):
            yield f"{name} {one.name}", one.help or ""
    if isinstance(command, click.Group):
        context = click.Context(command)
        for below in command.list_commands(context):
            found = command.get_command(context, below)
            assert found is not None
            yield from helps(found, f"{name} {below}")


@pytest.fixture(scope="module")
def said() -> list[tuple[str, str]]:
    return list(every_sentence())


def test_there_are_many_sentences_to_read(said: list[tuple[str, str]]) -> None:
    """The reader finds them: in files, in pages, in help."""
    assert len(said) > 1500
    where = {one.partition("/")[0] for one, _ in said}
    assert {*ROOMS, "holdpoint --help"} <= where


@pytest.mark.parametrize("inner", INNER)
def test_no_sentence_says_an_inner_word(
    inner: str, said: list[tuple[str, str]]
) -> None:
    found = [
        f"{where}: {text!r} (say: {INNER[inner]})"
        for where, text in said
        if re.search(inner, text)
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize("text", [
    "The shipped limit serves.", "Stays: PA-1", "carries 1.0", "reel K-1 is fitted",
    "12 rows are shown", "PA-1 and PA-2 read alike", "builds held against B-1",
    "49.9999 kOhm", "of 10 uA",
])  # fmt: skip
def test_an_inner_word_would_be_seen(text: str) -> None:
    assert any(re.search(one, text) for one in INNER)


def test_each_term_is_used_and_told_once(said: list[tuple[str, str]]) -> None:
    names = [one.name for one in TERMS]
    assert len(names) == len(set(names))
    texts = " ".join(text.lower() for _, text in said)
    assert [one for one in names if one not in texts] == []


def test_the_readme_shows_every_term() -> None:
    """The table in README is this very list."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| \*([^*]+)\* \| (.+) \| (.+) \|$", text, re.MULTILINE)
    assert rows == [(one.name, one.means, one.where) for one in TERMS]
