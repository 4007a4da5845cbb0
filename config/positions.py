"""Where each key of a TOML file stands: the standard parser does not say.

The scanner below reads only text that the standard parser has already accepted, so it
need not know what is wrong TOML, only where keys and values begin and end.
"""

import re
import tomllib
from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache

from config.strict import KeyPath

__all__ = ["Place", "positions"]

_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:[^"\\]|\\.)*"'
    r"|'[^']*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\n]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The line a key is on, from 1, and its value as written; None for a header."""

    line: int
    text: str | None = None


@lru_cache(maxsize=32)  # asked anew for each fault of a file
def positions(text: str) -> dict[KeyPath, Place]:
    r"""Map the path of each table, key and list element of valid TOML to its place.

    Examples
    --------
    >>> places = positions('[source]\nranges = [\n  { full_scale = 1e-3 },\n]')
    >>> places["source", "ranges", 0, "full_scale"]
    Place(line=3, text='1e-3')
    """
    scanner = _Scanner(text.replace("\r\n", "\n"))
    scanner.document()
    return scanner.places


class _Scanner:
    """Walks through a document once, noting the first place of each path."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line_starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self._elements: dict[KeyPath, int] = {}
        self.places: dict[KeyPath, Place] = {}

    def document(self) -> None:
        """Scan headers and key-value lines to the end."""
        table: KeyPath = ()
        while self._skip(_BLANK) < len(self._text):
            if self._text.startswith("[", self._at):
                table = self._header()
            else:
                self._pair(table)

    def _header(self) -> KeyPath:
        start = self._at
        of_tables = self._text.startswith("[[", self._at)
        self._at += 2 if of_tables else 1
        *parents, last = self._key()
        self._at += 2 if of_tables else 1
        path: KeyPath = ()
        for key in parents:
            path = self._within((*path, key), start)
        path = (*path, last)
        if of_tables:
            self._note(path, start)
            self._elements[path] = self._elements.get(path, -1) + 1
        return self._within(path, start)

    def _within(self, path: KeyPath, start: int) -> KeyPath:
        """Note a table; of a list of tables, mean the newest one."""
        self._note(path, start)
        if path in self._elements:
            path = (*path, self._elements[path])
            self._note(path, start)
        return path

    def _pair(self, table: KeyPath) -> None:
        start = self._at
        path = table
        for key in self._key():
            path = (*path, key)
            self._note(path, start)
        self._skip(_SPACE)
        self._at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(path, start)

    def _value(self, path: KeyPath, start: int) -> None:
        begin = self._at
        if self._text[begin] == "[":
            self._list(path)
        elif self._text[begin] == "{":
            self._inline_table(path)
        elif not self._take(_STRING):
            self._take(_SCALAR)
        text = self._text[begin : self._at].rstrip()
        self.places[path] = Place(line=self._line(start), text=text)

    def _list(self, path: KeyPath) -> None:
        self._at += 1
        place = 0
        while self._text[self._skip(_BLANK)] != "]":
            self._value((*path, place), self._at)
            place += 1
            self._comma()
        self._at += 1

    def _inline_table(self, path: KeyPath) -> None:
        self._at += 1
        while self._text[self._skip(_BLANK)] != "}":
            self._pair(path)
            self._comma()
        self._at += 1

    def _comma(self) -> None:
        if self._text[self._skip(_BLANK)] == ",":
            self._at += 1

    def _key(self) -> list[str]:
        """Scan a dotted key."""
        keys = []
        while True:
            self._skip(_SPACE)
            if token := self._take(_STRING):
                keys.append(tomllib.loads(f"key = {token}")["key"])
            else:
                keys.append(self._take(_BARE_KEY))
            self._skip(_SPACE)
            if not self._text.startswith(".", self._at):
                return keys
            self._at += 1

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._at)
        if found is None:
            return ""
        self._at = found.end()
        return found.group()

    def _skip(self, pattern: re.Pattern[str]) -> int:
        self._take(pattern)
        return self._at

    def _note(self, path: KeyPath, start: int) -> None:
        self.places.setdefault(path, Place(line=self._line(start)))

    def _line(self, at: int) -> int:
        return bisect_right(self._line_starts, at)
