"""The error tree of this package.

ConfigError           everything that is wrong in a folder of settings, at once
QuantityError         a text that is no quantity
"""

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["ConfigError", "Fault"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is wrong, where it stands, and what is allowed there.

    `file` is a file's name, `line` counts from 1 and is None where the whole file is
    meant; `key` is the dotted path, empty where no key is meant; `value` is what is
    written there, in TOML's spelling.
    """

    file: str
    line: int | None
    key: str
    value: str | None
    problem: str
    suggestion: str | None = None

    def __str__(self) -> str:
        """Return one line as a person reads it."""
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        what = self.key if self.value is None else f"{self.key} = {self.value}"
        text = (
            f"{where}: {what}: {self.problem}" if what else f"{where}: {self.problem}"
        )
        if self.suggestion is not None:
            text += f"; did you mean {self.suggestion!r}?"
        return text


class ConfigError(Exception):
    """The settings cannot be used; every fault of every file is in `faults`."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(one) for one in self.faults))
