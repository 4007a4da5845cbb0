"""A command that is printed can be copied: it asks for nothing more than it says."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

import config
import daemon
import storage
from daemon.commands.cli import holdpoint

ROOTS = [Path(room.__file__ or "").parent for room in (config, daemon, storage)]
SAID = re.compile(r"`holdpoint ([^`]+)`|\bholdpoint ((?:[a-z-]+ ?)+)")
FILLED = "\N{BULLET}"
"""What stands in a sentence for a value that the program puts there."""


def sentences(tree: ast.AST) -> Iterator[str]:
    """Yield the texts of a file that are no documentation, each in one piece."""
    told = {
        id(one.body[0].value)
        for one in ast.walk(tree)
        if isinstance(one, ast.Module | ast.ClassDef | ast.FunctionDef)
        and one.body
        and isinstance(one.body[0], ast.Expr)
    }
    inside = {
        id(part)
        for one in ast.walk(tree)
        if isinstance(one, ast.JoinedStr)
        for part in ast.walk(one)
        if part is not one
    }
    for one in ast.walk(tree):
        if id(one) in told | inside:
            continue
        if isinstance(one, ast.JoinedStr):
            yield "".join(
                str(part.value) if isinstance(part, ast.Constant) else FILLED
                for part in one.values
            )
        elif isinstance(one, ast.Constant) and isinstance(one.value, str):
            yield one.value


def printed() -> Iterator[tuple[str, str]]:
    """Yield each file with each command that it names in a sentence."""
    for root in ROOTS:
        for path in sorted(root.rglob("*.py")):
            for text in sentences(ast.parse(path.read_text(encoding="utf-8"))):
                # The name of the command alone is spoken of in backquotes, too.
                for found in SAID.finditer(text):
                    words = found[1] or found[2]
                    yield f"{root.name}/{path.relative_to(root)}", words.strip()


def lacking(words: str) -> list[str]:
    """Return the options that a command needs and does not name."""
    command: click.Command = holdpoint
    context = click.Context(holdpoint)
    for word in words.split():
        if not isinstance(command, click.Group):
            break
        found = command.get_command(context, word)
        if found is None:
            return []  # no command: a sentence goes on
        command = found
    if isinstance(command, click.Group):
        return []
    return [
        one.opts[0]
        for one in command.params
        if isinstance(one, click.Option)
        and one.required
        and not any(opt in words for opt in one.opts)
    ]


def test_a_printed_command_names_all_that_it_needs() -> None:
    every = list(printed())
    assert len(every) > 40
    incomplete = [
        f"{where}: holdpoint {words} lacks {', '.join(missing)}"
        for where, words in every
        if (missing := lacking(words))
    ]
    assert incomplete == [], "\n".join(incomplete)


@pytest.mark.parametrize(
    ("words", "missing"),
    [
        ("hold end K-1", ["--by", "--person", "--reason"]),
        ("status", []),
        (f"reel edit {FILLED}", ["--person", "--reason"]),
        ("alerts ack MESSAGE --person NAME", []),
    ],
)
def test_what_is_lacking_is_seen(words: str, missing: list[str]) -> None:
    assert lacking(words) == missing
