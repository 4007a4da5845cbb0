"""The instrument's side of SCPI-99: headers, parameters, status and error queue.

An instrument is a class whose methods carry the headers they answer to; this module
turns those headers into a table of every long and short spelling.
"""

import re
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from inspect import signature
from itertools import product
from typing import Any, ClassVar, Self, TypeVar

__all__ = ["ERROR_TEXTS", "Instrument", "ScpiError", "boolean", "command", "number"]

ERROR_TEXTS = {
    0: "No error",
    -101: "Invalid character",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -131: "Invalid suffix",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
}
"""Numbers and texts of SCPI-99 volume 2, SYSTem:ERRor."""

QUEUE_LENGTH = 16
CACHED_LINES = 512
LONGEST_LINE = 4096

# IEEE 488.2, 11.2 and 11.5.1, and SCPI-99 volume 1, chapter 9.
POWER_ON = 128
OPERATION_COMPLETE = 1
ERROR_AVAILABLE = 4
EVENT_SUMMARY = 32
MASTER_SUMMARY = 64
EVENT_OF_CLASS = {1: 32, 2: 16, 3: 8, 4: 4}
LAST_COMMAND_ERROR = -199

_NODE = re.compile(r"(\[?):?([A-Za-z]+):?\]?")
_SUFFIXED = re.compile(r"([A-Z]+)(\d*)")
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z]*)")
_COMMA = re.compile(r",(?![^(]*\))")
_PREFIX = {"": 1.0, "P": 1e-12, "N": 1e-9, "U": 1e-6, "M": 1e-3, "K": 1e3, "MA": 1e6}

_Method = TypeVar("_Method", bound=Callable[..., str | None])
_Call = tuple[Callable[..., str | None], tuple[str, ...]]


class ScpiError(Exception):
    """What an instrument puts into its error queue."""

    def __init__(self, code: int, detail: str = "") -> None:
        self.code = code
        self.detail = detail
        super().__init__(code, detail)

    def __str__(self) -> str:
        """Return the entry as the error query answers it."""
        text = ERROR_TEXTS[self.code]
        if self.detail:
            text += ";" + self.detail.replace('"', "'")
        return f'{self.code},"{text}"'


def command(*headers: str) -> Callable[[_Method], _Method]:
    """Let a method answer `headers`, written ``[SOURce:]CURRent[:LEVel]?``.

    Capitals are the short form, brackets what may be left out.
    """

    def note(method: _Method) -> _Method:
        method.headers = headers  # type: ignore[attr-defined]
        return method

    return note


def number(text: str, lowest: float, highest: float, unit: str) -> float:
    """Return a numeric parameter, with or without prefix and unit.

    Raises
    ------
    ScpiError
        -104 for no number, -131 for another unit, -222 outside the limits.

    Examples
    --------
    >>> number("250 mA", 0.0, 1.0, "A"), number("MAX", 0.0, 1.0, "A")
    (0.25, 1.0)
    """
    special = {"MIN": lowest, "MINIMUM": lowest, "MAX": highest, "MAXIMUM": highest}
    if (named := special.get(text.upper())) is not None:
        return named
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ScpiError(-104, text)
    prefix = match[2].upper()
    if prefix:
        if not prefix.endswith(unit) or prefix.removesuffix(unit) not in _PREFIX:
            raise ScpiError(-131, text)
        prefix = prefix.removesuffix(unit)
    value = float(match[1]) * _PREFIX[prefix]
    if not lowest <= value <= highest:
        raise ScpiError(-222, text)
    return value


def boolean(text: str) -> bool:
    """Return a boolean parameter: ON, OFF, 1 or 0."""
    try:
        return {"ON": True, "1": True, "OFF": False, "0": False}[text.upper()]
    except KeyError:
        raise ScpiError(-224, text) from None


@dataclass(frozen=True, slots=True)
class _Answering:
    """A method that answers a header, and how many parameters it takes."""

    name: str
    fewest: int
    most: int

    @classmethod
    def of(cls, name: str, method: Callable[..., Any]) -> Self:
        _, *taken = signature(method).parameters.values()
        return cls(name, sum(one.default is one.empty for one in taken), len(taken))

    def parameters(self, text: str) -> tuple[str, ...]:
        """Split parameters at commas outside a channel list, and count them."""
        parts = tuple(one.strip() for one in _COMMA.split(text) if one.strip())
        if len(parts) < self.fewest:
            raise ScpiError(-109)
        if len(parts) > self.most:
            raise ScpiError(-108, parts[-1])
        return parts


class Instrument:
    """What every conforming instrument does; no input or output of its own.

    Parameters
    ----------
    identity : str
        Answer to the identity query: maker, model, serial number, firmware.
    now_s : callable
        Returns the time, s.
    """

    _methods: ClassVar[dict[str, "_Answering"]] = {}

    def __init_subclass__(cls) -> None:
        cls._methods = {
            spelling: _Answering.of(name, getattr(cls, name))
            for name in dir(cls)
            for header in getattr(getattr(cls, name), "headers", ())
            for spelling in _spellings(header)
        }

    def __init__(self, *, identity: str, now_s: Callable[[], float]) -> None:
        self.identity = identity
        self.took_s = 0.0
        """Time that the instrument needs for the line it was last given."""
        self._now_s = now_s
        self._errors: deque[ScpiError] = deque()
        self._events = POWER_ON
        self._event_mask = 0
        self._service_mask = 0
        self._lines: dict[str, tuple[_Call | ScpiError, ...]] = {}
        self.reset()

    def handle(self, line: str) -> str | None:
        """Carry out one line; return the answers, joined by ``;``, or None."""
        self.took_s = 0.0
        calls = self._lines.get(line)
        if calls is None:
            calls = self._read(line)
        answers = []
        for call in calls:
            if isinstance(call, ScpiError):
                self.report(call)
                break
            method, parameters = call
            try:
                answer = method(*parameters)
            except ScpiError as exc:
                self.report(exc)
                if exc.code >= LAST_COMMAND_ERROR:
                    break  # a command error flushes the rest of the line
                continue
            if answer is not None:
                answers.append(answer)
        return ";".join(answers) if answers else None

    def report(self, error: ScpiError) -> None:
        """Put an error into the queue; the newest gives way when it is full."""
        self._events |= EVENT_OF_CLASS[-error.code // 100]
        if len(self._errors) < QUEUE_LENGTH:
            self._errors.append(error)
        else:
            self._errors[-1] = ScpiError(-350)

    def power_cycle(self) -> None:
        """Lose all settings, as at power-on."""
        self._errors.clear()
        self._events = POWER_ON
        self._event_mask = self._service_mask = 0
        self.reset()

    def reset(self) -> None:
        """Go to the settings of power-on; the queue and the status stay."""

    @command("*RST")
    def _reset(self) -> None:
        self.reset()

    @command("*IDN?")
    def _identity(self) -> str:
        return self.identity

    @command("*CLS")
    def _clear_status(self) -> None:
        self._errors.clear()
        self._events = 0

    @command("*OPC")
    def _note_complete(self) -> None:
        self._events |= OPERATION_COMPLETE

    @command("*OPC?")
    def _complete(self) -> str:
        return "1"  # every line is carried out before the next is read

    @command("*TST?")
    def _self_test(self) -> str:
        return "0"

    @command("*WAI")
    def _wait(self) -> None:
        """Go on: every line is carried out before the next is read."""

    @command("*ESE")
    def _set_event_mask(self, text: str) -> None:
        self._event_mask = int(number(text, 0, 255, ""))

    @command("*ESE?")
    def _get_event_mask(self) -> str:
        return str(self._event_mask)

    @command("*ESR?")
    def _take_events(self) -> str:
        events, self._events = self._events, 0
        return str(events)

    @command("*SRE")
    def _set_service_mask(self, text: str) -> None:
        self._service_mask = int(number(text, 0, 255, ""))

    @command("*SRE?")
    def _get_service_mask(self) -> str:
        return str(self._service_mask)

    @command("*STB?")
    def _status(self) -> str:
        status = ERROR_AVAILABLE if self._errors else 0
        if self._events & self._event_mask:
            status |= EVENT_SUMMARY
        if status & self._service_mask:
            status |= MASTER_SUMMARY
        return str(status)

    @command("SYSTem:ERRor[:NEXT]?")
    def _next_error(self) -> str:
        return str(self._errors.popleft() if self._errors else ScpiError(0))

    @command("SYSTem:ERRor:ALL?")
    def _all_errors(self) -> str:
        entries = [str(one) for one in self._errors] or [str(ScpiError(0))]
        self._errors.clear()
        return ",".join(entries)

    @command("SYSTem:ERRor:COUNt?")
    def _count_errors(self) -> str:
        return str(len(self._errors))

    @command("SYSTem:VERSion?")
    def _version(self) -> str:
        return "1999.0"

    def _read(self, line: str) -> tuple[_Call | ScpiError, ...]:
        """Turn a line into calls, up to its first command error."""
        if len(line) > LONGEST_LINE:
            return (ScpiError(-363),)
        if not line.isascii():
            return (ScpiError(-101),)
        calls = tuple(self._calls(line))
        if len(self._lines) >= CACHED_LINES:
            self._lines.clear()
        self._lines[line] = calls
        return calls

    def _calls(self, line: str) -> Iterator[_Call | ScpiError]:
        path = ""
        for unit in line.split(";"):
            header, _, rest = unit.strip().partition(" ")
            if not header:
                continue
            try:
                spelling = self._spelling(header.upper(), path)
                answering = self._methods[spelling]
                yield getattr(self, answering.name), answering.parameters(rest)
            except ScpiError as exc:
                yield exc
                return
            # The next header continues where this one stood (SCPI-99, 6.2.4).
            if not spelling.startswith("*"):
                path = spelling.rpartition(":")[0]

    def _spelling(self, header: str, path: str) -> str:
        if header.startswith(":"):
            full = header[1:]
        elif header.startswith("*") or not path:
            full = header
        else:
            full = f"{path}:{header}"
        if full in self._methods:
            return full
        plain = _SUFFIXED.sub(r"\1", full)
        if header.startswith("*") or plain not in self._methods:
            raise ScpiError(-113, header)
        if any(suffix not in {"", "1"} for _, suffix in _SUFFIXED.findall(full)):
            raise ScpiError(-114, header)
        return plain


def _spellings(header: str) -> Iterator[str]:
    """Yield every accepted spelling of a header, in capitals."""
    if header.startswith("*"):
        yield header
        return
    choices = []
    for bracket, node in _NODE.findall(header.removesuffix("?")):
        short = "".join(letter for letter in node if letter.isupper())
        choices.append({node.upper(), short} | ({""} if bracket else set()))
    query = "?" if header.endswith("?") else ""
    for nodes in product(*choices):
        yield ":".join(filter(None, nodes)) + query
