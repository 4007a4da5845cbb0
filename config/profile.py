# ruff: noqa: A005 - never first on the import path, so it cannot hide the profiler
"""How an instrument speaks: a profile is data, one generic driver speaks it all.

Commands are texts with at most one place to fill, written `{range}`, `{cycles}`,
`{level}`, `{compliance}`, `{selector}` or `{seconds}`. A command that is absent is one
that the instrument does not have: old instruments cannot say who they are, have no
error queue, or only talk. A command with a text of its own is enough for most; a table
`[exchange.COMMAND]` says more of one.
"""

import re
from collections.abc import Iterator, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Annotated, Literal

from pydantic import Field

from config.exchange import MAPS, Command, Commands, Exchange, Pattern
from config.frames import Frame
from config.near import near
from config.registers import Modbus, wrong_access
from config.strict import KeyPath, Name, Problem, Seconds, Strict, matching, where_whole

__all__ = ["TYPED", "Adapter", "Kind", "Profile", "SerialLine", "Watchdog"]

TYPED = "typed"
"""The profile name of an instrument that a person reads or sets by hand."""

NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"

Termination = Annotated[
    str, Field(max_length=2), matching(r"[\r\n]*", r"made of \r and \n")
]


Prompt = Annotated[
    str, Field(min_length=1, max_length=20), matching(r"[ -~]+", "plain ASCII")
]


class Kind(StrEnum):
    """What an instrument is, in the trade's words."""

    CURRENT_SOURCE = "current source"
    VOLTAGE_SOURCE = "voltage source"
    AMMETER = "ammeter"
    VOLTMETER = "voltmeter"
    OHMMETER = "ohmmeter"
    SWITCH = "switch"
    THERMOMETER = "thermometer"


class Watchdog(Strict):
    """A source that turns its own output off unless it is spoken to in time."""

    start: Command
    """Arms it; `{seconds}` is the longest silence."""
    stop: Command
    """Disarms it."""
    seconds: Annotated[float, Field(gt=0, le=60)]
    """The longest silence that leaves the output on."""


class Adapter(Strict):
    """One line to several instruments: who is meant is said before each exchange."""

    choose: Command
    """Fills `{addressee}`, which bench.toml says; sent before whatever follows."""
    fetch: Command | None = None
    """Sent after a query, where the answer does not come by itself."""
    acknowledge: Pattern | None = None
    """Pattern of the line that answers `choose`, and each line of `setup`."""
    setup: Commands = ()
    """Sent in this order whenever the adapter's line is opened."""


class SerialLine(Strict):
    """How characters go over a serial line; what the instrument's menu shows."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9_600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "hardware", "hardware DTR/DSR", "software"] = "none"
    """Who stops the other: nobody; RTS and CTS; DTR and DSR, looked at before each
    line that is sent; characters."""
    power_from_line: bool = False
    """Whether DTR is set and RTS is cleared: it feeds the receiver of an optical
    lead."""


_PLACES = {
    "set_range": "range",
    "integrate": "cycles",
    "set_level": "level",
    "set_compliance": "compliance",
    "select": "selector",
    "selected": "selector",
}
"""What must be filled into a command; nothing may be filled into the others."""

_NUMBERS = ("set_range", "integrate", "set_level", "set_compliance")
"""Commands that a number is filled into."""
_YES_OR_NO = ("output", "selected")
_STEPS = ("before", "after")
_ANSWERED = ("expect", "lines", *_STEPS)

EXCHANGES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "identity": ("expect",),
        "errors": ("lines", "no"),
        **dict.fromkeys(_NUMBERS, (*_ANSWERED, *MAPS)),
        "read": ("lines", "unit", "factor", "offset", *_STEPS),
        "output_on": _ANSWERED,
        "output_off": _ANSWERED,
        "output": ("lines", "yes", "no", *_STEPS),
        "select": (*_ANSWERED, "texts"),
        "selected": ("lines", "yes", "no", "texts", *_STEPS),
    }
)
"""Commands of which more may be said, and what."""

PLAIN = Exchange()

_SOURCE = ("set_level", "set_compliance", "output_on", "output_off")
_NEEDED = {
    Kind.CURRENT_SOURCE: _SOURCE,
    Kind.VOLTAGE_SOURCE: _SOURCE,
    Kind.AMMETER: ("read",),
    Kind.VOLTMETER: ("read",),
    Kind.OHMMETER: ("read",),
    Kind.SWITCH: ("select",),
    Kind.THERMOMETER: ("read",),
}


class Profile(Strict):
    """The commands of one kind of instrument.

    Levels, ranges and compliance are in SI units, unless `exchange` says otherwise: a
    current source is told amperes and its compliance in volts, a voltage source volts
    and its compliance in amperes.
    """

    title: Name
    kind: Annotated[Kind, Field(strict=False)]
    write_termination: Termination = "\n"
    read_termination: Termination = "\n"
    identity: Command | None = None
    """Query; the answer is compared with the bench's `identity` where one is given."""
    errors: Command | None = None
    """Query for the oldest entry of the error queue; `0`, or `No error`, when it is
    empty."""
    complete: Command | None = None
    """Query answered with `1` once all earlier commands are done."""
    setup: Commands = ()
    """Sent in this order whenever the connection is opened, output already off."""
    set_range: Command | None = None
    """Fills `{range}` with the full scale."""
    integrate: Command | None = None
    """Fills `{cycles}` with the power-line cycles that a reading lasts."""
    read: Command | None = None
    """Query for one reading."""
    set_level: Command | None = None
    """Fills `{level}`."""
    set_compliance: Command | None = None
    """Fills `{compliance}`."""
    limit_in_circuit: bool = False
    """Whether it takes no compliance: what limits it then stands in the circuit."""
    output_on: Command | None = None
    output_off: Command | None = None
    output: Command | None = None
    """Query answered with `1` or `ON` while the output is on, `0` or `OFF` while it
    is off."""
    select: Commands = ()
    """Sent in this order to choose a range of the product; fills `{selector}`."""
    selected: Command | None = None
    """Query, fills `{selector}`; answered with `1` when that one is chosen."""
    acknowledge: Pattern | None = None
    """Pattern of the line that answers each command that asks nothing."""
    echo: bool = False
    """Whether it sends back each line before it answers."""
    prompt: Prompt | None = None
    """What it sends once it is ready for the next command; no line ends after it."""
    opening_pause_s: Seconds = 0.0
    """It starts anew when its line is opened: wait so long, and throw away what it
    says."""
    one_connection: bool = False
    """Whether it takes one connection at a time and no more."""
    exchange: dict[Name, Exchange] = Field(default={})
    """By command: how it is answered, and what becomes of its number."""
    talks_by_itself: bool = False
    """Whether it hears nothing, and sends a line whenever it pleases."""
    number: Pattern = NUMBER
    """Pattern that the whole answer matches. The value is its group named `number`,
    else its first, else all of it; a group named `prefix` is an SI prefix from f to G,
    and a comma is a decimal point."""
    beyond_range: Pattern | None = None
    """Pattern of an answer that says that its range is too small, such as OL."""
    overrange: Annotated[float, Field(gt=0, le=9.9e37)] = 9.9e37
    """An answer of this size or larger, of either sign, is no reading (SCPI-99)."""
    scale: Annotated[float, Field(gt=0, le=1e12)] = 1.0
    """The answer times this is in ampere, volt or degree Celsius."""
    silence_s: Seconds = 0.0
    """Pause that the instrument needs after each command."""
    watchdog: Watchdog | None = None
    adapter: Adapter | None = None
    """Where it stands behind an adapter, with others on the same line."""
    modbus: Modbus | None = None
    """Where it has registers: each command then says which, see `access_of`."""
    frame: Frame | None = None
    """Where its readings are frames of bytes; `number` is then a pattern of their
    hexadecimal form."""
    serial: SerialLine = SerialLine()
    """Used where the address is of a serial line."""

    def problems(self) -> Iterator[Problem]:
        """Refuse a profile that cannot do its kind's work."""
        with where_whole:
            for field in _NEEDED[self.kind]:
                if field == "set_compliance" and self.limit_in_circuit:
                    continue
                if not getattr(self, field, True) and not self._only_talks:
                    yield Problem(
                        path=(field,),
                        problem="missing; a profile of kind "
                        f"{self.kind.value!r} needs it",
                    )
        for field in _COMMANDS:
            with where_whole:
                command = getattr(self, field)
                yield from _wrong_places((field,), command, _PLACES.get(field))
        with where_whole:
            if self.adapter is not None:
                yield from _wrong_places(
                    ("adapter", "choose"), self.adapter.choose, "addressee"
                )
                for key in ("fetch", "setup"):
                    yield from _wrong_places(
                        ("adapter", key), getattr(self.adapter, key), None
                    )
        with where_whole:
            yield from self._wrong_registers()
        with where_whole:
            yield from self._commands_to_the_deaf()
        with where_whole:
            yield from self._wrong_frames()
        with where_whole:
            yield from _wrong_groups(self.number)
        with where_whole:
            if self.kind in _TOLD and self.scale != 1.0:
                yield Problem(
                    path=("scale",),
                    problem="counts for readings, and one of kind "
                    f"{self.kind.value!r} gives none; delete it",
                )
        yield from self._wrong_exchanges()
        with where_whole:
            if self.limit_in_circuit and (
                self.set_compliance is not None or self.kind not in _SOURCES
            ):
                yield Problem(
                    path=("limit_in_circuit",),
                    problem="goes with a source that has no set_compliance",
                )
        with where_whole:
            if self.acknowledge is not None and self.complete is not None:
                yield Problem(
                    path=("acknowledge",),
                    problem="a command is answered once: delete this, or complete",
                )
        with where_whole:
            if self.watchdog is not None:
                yield from _wrong_places(
                    ("watchdog", "start"), self.watchdog.start, "seconds"
                )

    def of(self, command: str) -> Exchange:
        """Return what more belongs to a command, by its key."""
        return self.exchange.get(command, PLAIN)

    def _wrong_exchanges(self) -> Iterator[Problem]:
        """Refuse what says more of commands that are not there, or says too much."""
        with where_whole:
            for command, more in self.exchange.items():
                path = ("exchange", command)
                if command not in EXCHANGES:
                    yield Problem(
                        path=path,
                        problem="no such command; allowed: " + ", ".join(EXCHANGES),
                        suggestion=near(command, EXCHANGES),
                    )
                    continue
                with where_whole:
                    if not getattr(self, command):
                        yield Problem(
                            path=path,
                            problem=f"says more of {command}, which is not there",
                        )
                with where_whole:
                    for key in more.written:
                        if key not in EXCHANGES[command]:
                            yield Problem(
                                path=(*path, key),
                                problem=f"is not for {command}; allowed: "
                                + ", ".join(EXCHANGES[command]),
                            )
                with where_whole:
                    if command in _YES_OR_NO and (more.yes is None) != (
                        more.no is None
                    ):
                        missing = "yes" if more.yes is None else "no"
                        yield Problem(
                            path=(*path, missing),
                            problem="missing; yes and no go together",
                        )
                with where_whole:
                    if command in _NUMBERS:
                        for text in more.texts:
                            if re.fullmatch(NUMBER, text) is None:
                                yield Problem(
                                    path=(*path, "texts", text),
                                    problem="its name must be the number it is sent "
                                    "for, such as 1e-3",
                                )
                with where_whole:
                    if command == "read" and self.scale != 1.0 and more.maps:
                        yield Problem(
                            path=("scale",),
                            problem="exchange.read says what becomes of the number; "
                            "delete one of both",
                        )

    def _wrong_registers(self) -> Iterator[Problem]:
        """Refuse words where registers are spoken to, and what does not fit them."""
        if self.modbus is None:
            return
        for field in ("complete", "acknowledge", "echo", "prompt", "adapter"):
            if getattr(self, field):
                yield Problem(
                    path=(field,),
                    problem="an instrument with registers has none: delete this, or "
                    "[modbus]",
                )
        said: list[tuple[KeyPath, str, str]] = []
        for field in _COMMANDS:
            texts = getattr(self, field) or ()
            said += (
                ((field,), field, text)
                for text in ((texts,) if isinstance(texts, str) else texts)
            )
            said += (
                (("exchange", field, step), "", text)
                for step in _STEPS
                for text in getattr(self.of(field), step)
            )
        if self.watchdog is not None:
            said += (
                (("watchdog", key), "", getattr(self.watchdog, key))
                for key in ("start", "stop")
            )
        for path, field, text in said:
            more = self.of(field)
            for problem in wrong_access(
                text, asks=field in _QUERIES, whole=more.whole or bool(more.texts)
            ):
                yield Problem(path=path, problem=problem)

    def _wrong_frames(self) -> Iterator[Problem]:
        """Refuse lines where frames are read, and a pattern that finds no number."""
        if self.frame is None:
            return
        if self.kind in _TOLD:
            yield Problem(
                path=("frame",),
                problem=f"is of readings, and one of kind {self.kind.value!r} gives "
                "none; delete it",
            )
        for field in (
            *("identity", "errors", "complete", "acknowledge", "echo", "prompt"),
            *("adapter", "modbus"),
        ):
            if getattr(self, field):
                yield Problem(
                    path=(field,),
                    problem="what sends frames answers no lines: delete this, or "
                    "[frame]",
                )
        for problem in self.frame.wrong_pattern(
            self.number if "number" in self.model_fields_set else ""
        ):
            yield Problem(path=("number",), problem=problem)

    @property
    def _only_talks(self) -> bool:
        return self.talks_by_itself and self.kind not in _TOLD

    def _commands_to_the_deaf(self) -> Iterator[Problem]:
        """Refuse commands for an instrument that hears none."""
        if not self.talks_by_itself:
            return
        if self.kind in _TOLD:
            yield Problem(
                path=("talks_by_itself",),
                problem=f"one of kind {self.kind.value!r} must hear commands; where it "
                "is set by hand, bench.toml says profile = 'typed'",
            )
            return
        for field in (
            *(*_COMMANDS, "acknowledge", "echo", "prompt", "exchange"),
            *("adapter", "modbus"),
        ):
            if getattr(self, field):
                yield Problem(
                    path=(field,),
                    problem="an instrument that talks by itself hears no command: "
                    "delete this, or talks_by_itself",
                )


_QUERIES = ("identity", "errors", "complete", "read", "output", "selected")
_SOURCES = (Kind.CURRENT_SOURCE, Kind.VOLTAGE_SOURCE)
_TOLD = (*_SOURCES, Kind.SWITCH)
_COMMANDS = (
    *("identity", "errors", "complete", "setup", "set_range", "integrate", "read"),
    *(
        "set_level",
        "set_compliance",
        "output_on",
        "output_off",
        "output",
        "select",
        "selected",
    ),
)


def _wrong_places(
    path: KeyPath, command: str | tuple[str, ...] | None, place: str | None
) -> Iterator[Problem]:
    """Yield a problem unless `place`, and no other, is to be filled."""
    text = command if isinstance(command, str) else " ".join(command or ())
    found = set(re.findall(r"[{}][^{}]*[{}]?", text))
    wanted = set() if place is None else {f"{{{place}}}"}
    if text and found != wanted:
        what = (
            "no place to fill" if place is None else f"{{{place}}}, and no other place"
        )
        yield Problem(path=path, problem=f"must hold {what}")


def _wrong_groups(pattern: str) -> Iterator[Problem]:
    """Yield a problem where a prefix is looked for, but no number beside it."""
    groups = re.compile(pattern).groupindex
    if "prefix" in groups and "number" not in groups:
        yield Problem(
            path=("number",),
            problem="has a group named 'prefix', so the digits must be in a group "
            "named 'number': (?P<number>...)",
        )
