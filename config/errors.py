"""The root of every error of ours, and the tree of this package.

HoldpointError           one sentence for a person; see each room for its own
├── ConfigError          all that is wrong in a folder of settings, at once
├── QuantityError        a text that is no quantity of the wanted unit
├── FormulaError         a text that is no transfer formula
├── InconsistentError    keys of one table that do not go together
└── StorageError, BenchError, ... of the other rooms

The two pure rooms, which see no other, have trees of their own beside it: `SpcError`
and `MetrologyError`.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = [
    "ConfigError",
    "Fault",
    "FormulaError",
    "HoldpointError",
    "InconsistentError",
    "QuantityError",
    "dotted",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is wrong, where it stands, and what is allowed there.

    `file` is a file's name, `line` counts from 1 and is None where the whole file is
    meant; `key` is the dotted path, empty where no key is meant; `value` is what is
    written there, as it is written; `problem` says what is allowed.
    """

    file: str
    line: int | None = None
    key: str = ""
    value: str | None = None
    problem: str
    suggestion: str | None = None

    def __str__(self) -> str:
        """Return one line as a person reads it."""
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        what = self.key if self.value is None else f"{self.key} = {self.value}"
        near = "" if self.suggestion is None else f"; did you mean {self.suggestion!r}?"
        return ": ".join(part for part in (where, what, self.problem) if part) + near


class HoldpointError(Exception):
    """What went wrong, in one sentence for a person: the root of all errors of ours."""


class ConfigError(HoldpointError):
    """The settings cannot be used; every fault of every file is in `faults`."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(one) for one in self.faults))


class QuantityError(HoldpointError, ValueError):
    """A text cannot be read as a quantity."""

    def __init__(self, *, text: str, problem: str) -> None:
        self.text = text
        self.problem = problem
        super().__init__(f"{text!r}: {problem}")


class FormulaError(HoldpointError, ValueError):
    """A text cannot be read as a transfer formula."""

    def __init__(self, *, text: str, problem: str) -> None:
        self.text = text
        self.problem = problem
        super().__init__(problem)


class InconsistentError(HoldpointError, ValueError):
    """Keys of one table do not go together; `problems` says which and how."""

    def __init__(self, problems: Iterable[object]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(str(one) for one in self.problems))


def dotted(path: Iterable[str | int]) -> str:
    """Return a key path as TOML writes it, a list's element in brackets.

    Examples
    --------
    >>> dotted(("output", "ranges", 0, "full_scale"))
    'output.ranges[0].full_scale'
    >>> dotted(("ranges", "1.5 mA"))
    'ranges."1.5 mA"'
    """
    import json  # noqa: PLC0415 -- errors are known to whoever shows a help

    text = ""
    for key in path:
        if isinstance(key, int):
            text += f"[{key}]"
        else:
            bare = re.fullmatch(r"[A-Za-z0-9_-]+", key)
            text += "." * bool(text)
            text += key if bare else json.dumps(key, ensure_ascii=False)
    return text
