"""The reference of settings beside the settings: every key, its default, its bounds.

In `config/README.md` a heading of level two names a file and one of level three a
table. A row is a key; where a table of keys says nothing new, its keys stand in words.
"""

import re
from collections.abc import Iterator
from enum import Enum
from pathlib import Path

import pytest
from pydantic.fields import FieldInfo

import config
from config.mapping import SheetMapping
from config.model import Alerts, Bench, Plan, Product
from config.profile import NUMBER, Profile
from config.shape import Shape

README = Path(config.__file__).with_name("README.md")
FILES = {
    "product.toml": Product,
    "bench.toml": Bench,
    "plan.toml": Plan,
    "alerts.toml": Alerts,
    "profiles/NAME.toml": Profile,
    "A mapping file": SheetMapping,
}
NAMES = {
    "parts": "PART",
    "ranges": "RANGE",
    "checks": "CHECK",
    "error_ppm": "RANGE",
    "reels": "PART",
    "columns": "HEADING",
    "exchange": "COMMAND",
    "texts": "VALUE",
    "factors": "BYTES",
    "ohm": "RANGE",
}
"""What the maker's own name stands for, in a table of names."""
ROLES = ("source", "reference", "output", "selector", "ambient", "ohmmeter")
Row = tuple[str, str]
"""Default and what is allowed."""


def default(field: FieldInfo) -> str:
    """Return a default as it stands in a cell."""
    if field.is_required():
        return "needed"
    value = field.get_default(call_default_factory=True)
    if value is None:
        return "left out"
    if value == NUMBER:
        return "a plain number"
    return f"`{toml(value)}`"


def toml(value: object) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\n", r"\n").replace("\r", r"\r") + '"'
    if isinstance(value, tuple):
        return f"[{', '.join(toml(one) for one in value)}]"
    return repr(value)


def allowed(shape: Shape) -> str:
    """Return what may be written, as it stands in a cell."""
    if shape.choices:
        return " or ".join(f"`{toml(one)}`" for one in shape.choices)
    if shape.kind is tuple:
        child = shape.child(0)
        assert child is not None
        how_many = "" if shape.repeats else f" of {len(shape.args)}"
        return f"list{how_many}, each {allowed(child)}"
    if shape.kind is str:
        longest = next(
            one.max_length for one in shape.bounds if hasattr(one, "max_length")
        )
        return f"text, {longest} at most"
    if shape.kind is float:
        return shape.interval
    return f"whole, {shape.interval}" if shape.kind is int else shape.allowed


def tables(shape: Shape, path: str = "") -> Iterator[tuple[str, dict[str, Row]]]:
    """Walk over the tables of a file, each with its keys that are no tables."""
    keys: dict[str, Row] = {}
    below = []
    for key, field in shape.fields.items():
        child = shape.child(key)
        assert child is not None
        here = f"{path.strip('[]')}.{key}" if path else key
        inner = child.child(0) if child.repeats else None
        if child.fields:
            if not path and key in ROLES:
                here = "ROLE"
            below.append((child, here))
        elif inner is not None and inner.fields:
            below.append((inner, f"[{here}]"))
        elif child.kind is dict:
            of = child.child("")
            assert of is not None
            if of.fields:
                below.append((of, f"{here}.{NAMES[key]}"))
            else:
                needed = "needed" if field.is_required() else "left out"
                yield f"[{here}]", {NAMES[key]: (needed, allowed(of))}
        else:
            keys[key] = (default(field), allowed(child))
    yield (f"[{path}]" if path else ""), keys
    for child, here in below:
        yield from tables(child, here)


def written() -> dict[tuple[str, str], dict[str, Row | None]]:
    """Return what the reference says, by file and table."""
    found: dict[tuple[str, str], dict[str, Row | None]] = {}
    file = ""
    rows: dict[str, Row | None] = {}
    for line in README.read_text(encoding="utf-8").splitlines():
        if heading := re.match(r"## `?([^`]+)`?", line):
            file = heading[1]
            rows = found.setdefault((file, ""), {}) if file in FILES else {}
        elif heading := re.match(r"### `([^`]+)`", line):
            rows = found.setdefault((file, heading[1]), {})
        elif file in FILES and line.startswith("| `"):
            cells = [one.strip() for one in line.split("|")[1:-1]]
            assert len(cells) == 5, line
            rows[cells[0].strip("` ")] = (cells[3], cells[4])
        elif line.startswith("Its keys: "):
            rows |= dict.fromkeys(re.findall(r"`([^`]+)`", line))
    return found


@pytest.mark.parametrize("file", FILES)
def test_every_key_is_explained_and_none_that_is_not_there(file: str) -> None:
    said = {table: rows for (of, table), rows in written().items() if of == file}
    there = dict(tables(Shape.of(FILES[file])))
    assert {name: set(rows) for name, rows in said.items()} == {
        name: set(rows) for name, rows in there.items()
    }


@pytest.mark.parametrize("file", FILES)
def test_defaults_and_bounds_are_those_of_the_settings(file: str) -> None:
    said = {table: rows for (of, table), rows in written().items() if of == file}
    for name, rows in tables(Shape.of(FILES[file])):
        for key, row in rows.items():
            if (told := said[name][key]) is not None:
                assert told == row, f"{file} {name} {key}"


def test_keys_in_words_have_neither_default_nor_bounds_of_their_own() -> None:
    """A range's own words on reading may all be left out, with the bounds of all."""
    plan = dict(tables(Shape.of(Plan)))
    everywhere, own = plan["[reading]"], plan["[reading.ranges.RANGE]"]
    for key, (stands, bounds) in own.items():
        assert stands == "left out"
        assert bounds == everywhere[key][1]


def test_each_kind_of_instrument_is_named() -> None:
    kinds = Shape.of(Profile).child("kind")
    assert kinds is not None
    assert issubclass(kinds.kind, Enum)
    text = README.read_text(encoding="utf-8")
    assert all(f'`"{one}"`' in text for one in kinds.choices)
