"""No published value lies in the folder without a test that asks for it."""

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from tests.reference_values import FOLDER, entries

FILES = sorted(path.stem for path in FOLDER.glob("*.json"))


def texts(tree: ast.AST) -> set[str]:
    """Return every text that stands in a module."""
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def takes_every_entry(tree: ast.AST) -> bool:
    """Say whether a test is marked with a file alone, which gives it every entry."""
    return any(
        ast.unparse(node.func) == "pytest.mark.reference" and len(node.args) == 1
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
    )


@cache
def read_tests() -> list[tuple[set[str], bool]]:
    """Return of each module of tests its texts, and whether it takes every entry."""
    trees = [
        ast.parse(path.read_text(encoding="utf-8"))
        for path in Path(__file__).parent.rglob("test_*.py")
        if path != Path(__file__)
    ]
    return [(texts(tree), takes_every_entry(tree)) for tree in trees]


def asked_for(file: str) -> Iterator[str]:
    """Yield the entries that the tests name, in full or by a beginning with a dot."""
    for said, every in read_tests():
        if file not in said:
            continue
        beginnings = tuple(text for text in said if text.endswith("."))
        for key in entries(file):
            if every or key in said or key.startswith(beginnings):
                yield key


@pytest.mark.parametrize("file", FILES)
def test_every_entry_is_used(file: str) -> None:
    assert set(entries(file)) - set(asked_for(file)) == set()
