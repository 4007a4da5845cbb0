"""Every key of a TOML file is found on the line it stands on."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, strategies as st

import config
from config.positions import positions

ROOT = Path(config.__file__).parent
FILES = sorted(ROOT.rglob("*.toml"))

HARD = '''\
# comment with ] and = "signs"
title = "a # that is no comment" # but this is
a.b."c.d" = 1
'lit"eral' = 'x]'
multi = """
first "" line \\
  ] = }
""""
literal = \'\'\'
[not.a.table]
it\'\'s\'\'\'
list = [ # opened here
  1, [2, 3], # nested
  { x = "}", y = [ { z = 4 } ] },
  "a,]", # last, with a comma behind
]
when = 1979-05-27 07:32:00
empty = []
none = {}

[ table . "sub table" ]
key = true

[[rows]]
n = 1
[rows.deep]
d = 1
[[rows.inner]]
i = 1
[[rows]]
n = 2
[[rows.inner]]
i = 2
[[rows.inner]]
i = 3
'''


def leaves(value: Any, path: tuple[str | int, ...] = ()) -> dict[Any, Any]:
    """Return every value that is not a table, by its path."""
    found: dict[Any, Any] = {}
    if isinstance(value, dict):
        for key, child in value.items():
            found |= leaves(child, (*path, key))
    elif isinstance(value, list):
        for place, child in enumerate(value):
            found |= leaves(child, (*path, place))
    else:
        found[path] = value
    return found


def check_all(text: str) -> None:
    """Each leaf's text, parsed alone, is the leaf; and it begins on its line."""
    places = positions(text)
    lines = text.replace("\r\n", "\n").split("\n")
    for path, value in leaves(tomllib.loads(text)).items():
        place = places[path]
        assert place.text is not None
        assert tomllib.loads(f"x = {place.text}")["x"] == value
        assert place.text.split("\n")[0] in "\n".join(lines[place.line - 1 :])
        named = next(one for one in reversed(path) if isinstance(one, str))
        if isinstance(path[-1], str) and named.isalnum():
            assert named in lines[place.line - 1]


@pytest.mark.parametrize(
    "path", FILES, ids=lambda path: f"{path.parent.name}/{path.name}"
)
def test_our_own_files(path: Path) -> None:
    check_all(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_all_that_toml_allows(newline: str) -> None:
    text = HARD.replace("\n", newline)
    check_all(text)
    places = positions(text)
    lines = {path: place.line for path, place in places.items()}
    assert lines["title",] == 2
    assert lines["a", "b", "c.d"] == 3
    assert lines['lit"eral',] == 4
    assert lines["multi",] == 5
    assert lines["literal",] == 9
    assert lines["list",] == 12
    assert lines["list", 1, 1] == 13
    assert lines["list", 2, "y", 0, "z"] == 14
    assert lines["when",] == 17
    assert lines["table", "sub table"] == 21
    assert lines["table", "sub table", "key"] == 22
    assert lines["rows",] == 24
    assert lines["rows", 0, "deep", "d"] == 27
    assert lines["rows", 1] == 30
    assert lines["rows", 1, "inner", 1, "i"] == 35


KEYS = st.sampled_from(["a", "b-c", "d_e", "1", '"f g"', "'h.i'", '"j\\"k"'])
SCALARS = st.sampled_from(
    ["1", "-2.5e3", "true", '"x # y"', "'z]'", '"""m\nn"""', "1979-05-27", "inf"]
)
GAPS = st.sampled_from(["", " ", "\t "])
BREAKS = st.sampled_from(["", "\n", " # note ]\n  "])


@st.composite
def lists(draw: st.DrawFn, values: st.SearchStrategy[str]) -> str:
    """Draw a list, its elements on one line or many."""
    elements = draw(st.lists(values, max_size=4))
    parts = [f"{draw(BREAKS)}{one}{draw(BREAKS)}" for one in elements]
    return f"[{','.join(parts)}{draw(BREAKS)}]"


@st.composite
def inline_tables(draw: st.DrawFn, values: st.SearchStrategy[str]) -> str:
    """Draw an inline table with dotted keys."""
    keys = draw(st.lists(KEYS, unique=True, max_size=3))
    pairs = [f"{key}.x{draw(GAPS)}={draw(GAPS)}{draw(values)}" for key in keys]
    return f"{{ {', '.join(pairs)} }}"


VALUES = st.recursive(SCALARS, lambda values: lists(values) | inline_tables(values))


@st.composite
def documents(draw: st.DrawFn) -> str:
    """Draw a document of pairs, tables and lists of tables."""
    lines = []
    for place in range(draw(st.integers(1, 5))):
        header = draw(st.sampled_from(["[t{}]", "[[l{}]]", "[t{}.sub]", "[ 't{}' ]"]))
        lines.append(header.format(place))
        lines += [
            f"{key}{draw(GAPS)}={draw(GAPS)}{draw(VALUES)}{draw(GAPS)}"
            for key in draw(st.lists(KEYS, unique=True, max_size=4))
        ]
        lines += draw(st.sampled_from([[], [""], ["# comment = [", ""]]))
    return "\n".join(lines)


@given(documents())
def test_any_document(text: str) -> None:
    check_all(text)
