"""The ground every settings table stands on.

A table is checked twice over: each key by its type, and the keys together by
`problems`. Both are reported with the key they belong to, so that a loader can say
file and line.
"""

import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Annotated, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from config.errors import InconsistentError, dotted
from config.names import has_invisible

__all__ = [
    "HIGHEST_INPUT",
    "Celsius",
    "Count",
    "InputQuantity",
    "Key",
    "KeyPath",
    "Name",
    "Ohm",
    "Ppm",
    "PpmAboveZero",
    "Problem",
    "Seconds",
    "Strict",
    "Volt",
    "WithstandVolt",
    "matching",
    "problems_of",
    "where_whole",
]

KeyPath = tuple[str | int, ...]
"""Keys from a table down to one of its values; a list's element by its place."""

# Both ends are bounded: the far one catches a value written in the wrong unit.
HIGHEST_INPUT = 1_000.0
InputQuantity = Annotated[float, Field(gt=0, le=HIGHEST_INPUT)]
"""Ampere or volt, whichever the product takes in."""
Ohm = Annotated[float, Field(gt=0, le=1e12)]
Volt = Annotated[float, Field(gt=0, le=1_000)]
WithstandVolt = Annotated[float, Field(gt=0, le=100_000)]
"""What an input survives: a divider bears far more than is ever measured here."""
Seconds = Annotated[float, Field(ge=0, le=600)]
Celsius = Annotated[float, Field(ge=-60, le=150)]
Ppm = Annotated[float, Field(ge=0, le=1_000_000)]
PpmAboveZero = Annotated[float, Field(gt=0, le=1_000_000)]
Count = Annotated[int, Field(ge=1, le=1_000_000)]


def matching(pattern: str, words: str) -> AfterValidator:
    """Return a check that a text fully matches `pattern`, else says `words`."""

    def check(text: str) -> str:
        if re.fullmatch(pattern, text) is None:
            message = f"must be {words}"
            raise ValueError(message)
        return text

    return AfterValidator(check)


def _seen(text: str) -> str:
    if has_invisible(text):
        message = "must not have an invisible character"
        raise ValueError(message)
    return text


Name = Annotated[
    str,
    Field(min_length=1, max_length=60),
    matching(
        r"[^\s\x00-\x1f\x7f](?:[^\x00-\x1f\x7f]*[^\s\x00-\x1f\x7f])?",
        "one line without blanks at its ends",
    ),
    AfterValidator(_seen),
]
"""A text that a person reads."""
Key = Annotated[
    str,
    Field(min_length=1, max_length=60),
    matching(r"[A-Za-z][A-Za-z0-9_]*", "a letter, then letters, digits or _"),
]
"""A name that a formula can use or a file can have."""

where_whole = suppress(AttributeError)
"""Skips a check whose ground is missing: a faulty key is left unset, and reported."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """What is wrong at `path`, counted from the table that found it.

    `valued` says whether the value there matters to it.
    """

    path: KeyPath
    problem: str
    suggestion: str | None = None
    valued: bool = True

    def __str__(self) -> str:
        """Return one line."""
        near = "" if self.suggestion is None else f"; did you mean {self.suggestion!r}?"
        return f"{dotted(self.path)}: {self.problem}{near}"


class Strict(BaseModel):
    """A settings table: no coercion, no unknown keys, no infinities, no changes."""

    model_config = ConfigDict(
        strict=True,
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        # A table that is only ever read within another needs no reader of its own.
        defer_build=True,
    )

    def problems(self) -> Iterator[Problem]:
        """Yield what is wrong between this table's own keys."""
        yield from ()

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if found := tuple(self.problems()):
            raise InconsistentError(found)
        return self


def problems_of(value: object, path: KeyPath = ()) -> Iterator[Problem]:
    """Yield the problems of a table and of all tables in it, by their full paths.

    The table may have holes: keys that are left unset because they are faulty.
    """
    children: Iterable[tuple[str | int, object]] = ()
    if isinstance(value, Strict):
        with where_whole:
            for one in value.problems():
                yield replace(one, path=path + one.path)
        children = value.__dict__.items()
    elif isinstance(value, dict):
        children = value.items()
    elif isinstance(value, tuple):
        children = enumerate(value)
    for key, child in children:
        yield from problems_of(child, (*path, key))
