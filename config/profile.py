# ruff: noqa: A005 - never first on the import path, so it cannot hide the profiler
"""How an instrument speaks: a profile is data, one generic driver speaks it all.

Commands are texts with at most one place to fill, written `{range}`, `{level}`,
`{compliance}`, `{selector}` or `{seconds}`. A command that is absent is one that the
instrument does not have.
"""

import re
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from config.strict import Name, NonNegative, Positive, Strict

__all__ = ["TYPED", "Kind", "Profile", "Watchdog"]

TYPED = "typed"
"""The profile name of an instrument that a person reads or sets by hand."""

NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"

Command = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[ -~]+$")]
Commands = Annotated[tuple[Command, ...], Field(strict=False)]
Termination = Annotated[str, Field(max_length=2, pattern=r"^[\r\n]*$")]


class Kind(StrEnum):
    """What an instrument is, in the trade's words."""

    CURRENT_SOURCE = "current source"
    VOLTAGE_SOURCE = "voltage source"
    AMMETER = "ammeter"
    VOLTMETER = "voltmeter"
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


_PLACES = {
    "set_range": "range",
    "set_level": "level",
    "set_compliance": "compliance",
    "selected": "selector",
}

_NEEDS = {
    Kind.CURRENT_SOURCE: (
        "set_level",
        "set_compliance",
        "output_on",
        "output_off",
    ),
    Kind.VOLTAGE_SOURCE: (
        "set_level",
        "set_compliance",
        "output_on",
        "output_off",
    ),
    Kind.AMMETER: ("read",),
    Kind.VOLTMETER: ("read",),
    Kind.SWITCH: ("select",),
    Kind.THERMOMETER: ("read",),
}


class Profile(Strict):
    """The commands of one kind of instrument.

    Levels, ranges and compliance are in SI units: a current source is told amperes
    and its compliance in volts, a voltage source volts and its compliance in amperes.
    """

    title: Name
    kind: Annotated[Kind, Field(strict=False)]
    write_termination: Termination = "\n"
    read_termination: Termination = "\n"
    identity: Command | None = None
    """Query; the answer is compared with the bench's `identity` where one is given."""
    errors: Command | None = None
    """Query for the oldest entry of the error queue; `0,...` when it is empty."""
    complete: Command | None = None
    """Query answered with `1` once all earlier commands are done."""
    setup: Commands = ()
    """Sent in this order whenever the connection is opened, output already off."""
    set_range: Command | None = None
    """Fills `{range}` with the full scale."""
    read: Command | None = None
    """Query for one reading."""
    set_level: Command | None = None
    """Fills `{level}`."""
    set_compliance: Command | None = None
    """Fills `{compliance}`."""
    output_on: Command | None = None
    output_off: Command | None = None
    output: Command | None = None
    """Query answered with `1` while the output is on, `0` while it is off."""
    select: Commands = ()
    """Sent in this order to choose a range of the product; fills `{selector}`."""
    selected: Command | None = None
    """Query, fills `{selector}`; answered with `1` when that one is chosen."""
    number: Annotated[str, Field(min_length=1)] = NUMBER
    """Pattern that the whole answer must match; the first group, if any, is the value."""
    overrange: Positive = 9.9e37
    """An answer of this size or larger, of either sign, is no reading (SCPI-99)."""
    scale: Positive = 1.0
    """The answer times this is in ampere, volt or degree Celsius."""
    silence_s: NonNegative = 0.0
    """Pause that the instrument needs after each command."""
    watchdog: Watchdog | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        for field in _NEEDS[self.kind]:
            if not getattr(self, field):
                message = f"{field}: needed by a profile of kind {self.kind.value!r}"
                raise ValueError(message)
        try:
            re.compile(self.number)
        except re.error as exc:
            message = f"number = {self.number!r}: not a regular expression: {exc}"
            raise ValueError(message) from exc
        for field, place in _PLACES.items():
            text = getattr(self, field)
            if text is not None and _places(text) != {place}:
                message = (
                    f"{field} = {text!r}: must hold {{{place}}} and no other place"
                )
                raise ValueError(message)
        return self


def _places(text: str) -> set[str]:
    return set(re.findall(r"\{(.*?)\}", text))
