"""One TOML file: its content, and a fault at the right line of it."""

import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from config.errors import ConfigError, Fault, dotted
from config.positions import Place, positions
from config.strict import KeyPath, Problem

__all__ = ["FILES", "Document", "parse", "read"]

FILES = ("product.toml", "bench.toml", "plan.toml", "alerts.toml", "sharing.toml")
LONGEST_SHOWN = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A parsed file; `root` is where its table stands in the settings as a whole.

    The values of a `secret` document are never shown. Where its keys stand is looked
    for only once something is wrong: it takes longer than all the rest.
    """

    name: str
    root: KeyPath
    table: dict[str, Any]
    text: str = field(repr=False)
    secret: bool = False

    def fault(self, problem: Problem) -> Fault:
        """Return a problem of this file's table as a fault of this file.

        A missing key is on the line of the table that it is missing in.
        """
        places = self._places()
        place = places.get(problem.path)
        value = place.text if place is not None else None
        if value is not None and (
            self.secret or not problem.valued or value.startswith("{")
        ):
            value = None
        above = problem.path
        while place is None and above:
            above = above[:-1]
            place = places.get(above)
        return Fault(
            file=self.name,
            line=None if place is None else place.line,
            key=dotted(problem.path),
            value=None if value is None else _shortened(value),
            problem=problem.problem,
            suggestion=problem.suggestion,
        )

    def _places(self) -> dict[KeyPath, Place]:
        try:
            return positions(self.text)
        except RecursionError:  # deeper than can be looked through, yet TOML
            return {}


def read(path: Path, name: str) -> str:
    """Return the text of a file.

    Raises
    ------
    ConfigError
        It cannot be read, or is not UTF-8.
    """
    try:
        content = path.read_bytes()
    except OSError as exc:
        reason = exc.strerror or type(exc).__name__
        problem = f"cannot be read: {reason}"
        raise ConfigError([Fault(file=name, problem=problem)]) from exc
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = content.count(b"\n", 0, exc.start) + 1
        problem = "not UTF-8 text"
        raise ConfigError([Fault(file=name, line=line, problem=problem)]) from exc


def parse(text: str, *, name: str, root: KeyPath, secret: bool = False) -> Document:
    """Parse the text of a TOML file.

    Raises
    ------
    ConfigError
        It is not TOML.
    """
    try:
        table = tomllib.loads(text)
    except ValueError as exc:
        raise ConfigError([_syntax_fault(name, text, str(exc))]) from exc
    except RecursionError as exc:
        fault = Fault(file=name, problem="not TOML that can be read: nested too deeply")
        raise ConfigError([fault]) from exc
    return Document(name=name, root=root, table=table, text=text, secret=secret)


def _syntax_fault(name: str, text: str, message: str) -> Fault:
    found = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", message, re.DOTALL)
    if found is None:
        line = text.count("\n") + 1
        return Fault(file=name, line=line, problem=f"not TOML: {message}")
    what, at_line, column = found.groups()
    problem = f"not TOML: {what}, at column {column}"
    return Fault(file=name, line=int(at_line), problem=problem)


def _shortened(text: str) -> str:
    one_line = re.sub(r"\s+", " ", text)
    if len(one_line) <= LONGEST_SHOWN:
        return one_line
    return one_line[: LONGEST_SHOWN - 3] + "..."
