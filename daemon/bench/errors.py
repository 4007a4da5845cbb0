"""The error tree of this package.

BenchError
├── InstrumentError          one instrument, one command, one reason
│   ├── AbsentError          nothing is there, or it went away
│   ├── NoAnswerError        it is there and did not answer in time
│   │   └── SilentError      one that talks by itself does not talk
│   ├── BadAnswerError       it answered something else than what was asked
│   ├── OverrangeError       it says that its range is too small
│   ├── ImplausibleError     a number, but not one that this point can give
│   ├── WrongIdentityError   another instrument stands at this address
│   ├── RefusedError         its error queue holds a complaint
│   ├── OutputLostError      the source's output is off though it was turned on
│   └── OutputNotOffError    the source's output could not be shown to be off
├── LimitError               a level or compliance beyond an absolute limit
├── NoRangeError             no range of an instrument holds what it must read
├── ByHandError              a person reads or sets an instrument
├── UnknownRangeError        the product has no such range
├── NotSwitchedError         the unit does not follow the selector
├── SelectorError            several ranges are asked for and nothing can select them
├── UnsettledError           the readings of one point do not agree or come to rest
├── TooMuchOutputError       a range puts out more than its meter holds
├── FrozenError              the output shows the same digits at two levels
├── UnansweredError          a person did not answer, the source on
├── StoppedError             a person or the daemon asked to stop
└── GuardLostError           the process that would turn the source off is gone
"""

from math import isfinite
from typing import Self

from config import HoldpointError, Unit, spell

__all__ = [
    "AbsentError",
    "BadAnswerError",
    "BenchError",
    "ByHandError",
    "FrozenError",
    "GuardLostError",
    "ImplausibleError",
    "InstrumentError",
    "LimitError",
    "NoAnswerError",
    "NoRangeError",
    "NotSwitchedError",
    "OutputLostError",
    "OutputNotOffError",
    "OverrangeError",
    "RefusedError",
    "SelectorError",
    "SilentError",
    "StoppedError",
    "TooMuchOutputError",
    "UnansweredError",
    "UnknownRangeError",
    "UnsettledError",
    "WrongIdentityError",
]


def _spelled(value: float, unit: str, digits: int = 6) -> str:
    """Return a quantity in words; what is no number as it is."""
    if not isfinite(value):
        return f"{value:g} {unit}"
    return spell(float(f"{value:.{digits}g}"), Unit(unit))


def _volts(value: float, digits: int = 3) -> str:
    """Return an output in words."""
    return _spelled(value, Unit.VOLT, digits)


class BenchError(HoldpointError):
    """What the bench could not do, in one sentence for a person."""


class InstrumentError(BenchError):
    """One instrument failed at one command.

    `command` is empty where the fault is not one command's, `range` None where no
    range was measured. `advice` is a class's own: what a person does about it.
    """

    advice = "check the instrument"

    def __init__(
        self,
        *,
        role: str,
        address: str,
        command: str,
        reason: str,
        range_: str | None = None,
    ) -> None:
        self.role = role
        self.address = address
        self.command = command
        self.reason = reason
        self.range = range_
        at = f" at {command!r}" if command else ""
        on = "" if range_ is None else f"range {range_}: "
        super().__init__(f"{on}{role} ({address}){at}: {reason}; {self.advice}")

    def on_range(self, range_: str) -> Self:
        """Return it with the range of the product that was measured."""
        return type(self)(
            role=self.role,
            address=self.address,
            command=self.command,
            reason=self.reason,
            range_=range_,
        )

    def __reduce__(self) -> tuple[object, ...]:
        """Survive pickling: the constructor takes keywords alone."""
        fields = (self.role, self.address, self.command, self.reason, self.range)
        return _rebuild, (type(self), fields)


def _rebuild(
    kind: type[InstrumentError], fields: tuple[str, str, str, str, str | None]
) -> InstrumentError:
    role, address, command, reason, range_ = fields
    return kind(
        role=role, address=address, command=command, reason=reason, range_=range_
    )


class AbsentError(InstrumentError):
    """Nothing is at the address, or it went away."""

    advice = "check its power, its cable and the address in bench.toml"


class NoAnswerError(InstrumentError):
    """The instrument is there and did not answer in time."""

    advice = "check that it is idle and in remote mode, or raise timeout_s"


class SilentError(NoAnswerError):
    """A meter that talks by itself sends nothing."""

    advice = (
        "turn on its sending at the meter, see that the lead sits on it, and that the "
        "profile's baud rate and read_termination are the meter's"
    )


class BadAnswerError(InstrumentError):
    """The answer is not what was asked for."""

    advice = "check its profile and its cable"


class OverrangeError(InstrumentError):
    """The instrument says that what it reads exceeds its range."""

    advice = "check the leads and the unit before measuring again"


class ImplausibleError(InstrumentError):
    """A number that this point cannot give; it is not recorded."""

    advice = "check the leads, and that the source is not at its compliance"


class WrongIdentityError(InstrumentError):
    """Another instrument stands at this address."""

    advice = "connect the right one, or correct identity in bench.toml"


class RefusedError(InstrumentError):
    """The instrument's error queue holds a complaint."""

    advice = "check that the profile fits this instrument"


class OutputLostError(InstrumentError):
    """The source's output is off though it was turned on; the point is not recorded."""

    advice = "find out what turned it off before measuring again"


class OutputNotOffError(InstrumentError):
    """The source's output could not be shown to be off."""

    advice = "take it as live: switch it off at the instrument and disconnect it"


class LimitError(BenchError):
    """A value beyond an absolute limit; nothing was sent."""

    def __init__(
        self, *, what: str, value: float, limit: float, unit: str, setting: str
    ) -> None:
        self.what = what
        self.value = value
        self.limit = limit
        self.unit = unit
        self.setting = setting
        super().__init__(
            f"{what} {_spelled(value, unit)} is beyond {setting}, "
            f"{_spelled(limit, unit)}; nothing was sent: lower it"
        )


class NoRangeError(BenchError):
    """No listed range of an instrument holds what it must read."""

    def __init__(self, *, role: str, needed: float, largest: float | None) -> None:
        self.role = role
        self.needed = needed
        self.largest = largest
        have = "none is listed" if largest is None else f"the largest is {largest:g}"
        super().__init__(
            f"{role}: no range holds {needed:g}, {have}; "
            "write the range in bench.toml or lower level_of_full_scale; without "
            "bench.toml, `holdpoint init --edit` asks again how good the meters are"
        )


class ByHandError(BenchError):
    """A person reads or sets an instrument, so nothing runs by itself."""

    def __init__(self, *, role: str) -> None:
        self.role = role
        super().__init__(
            f"the {role} is read or set by hand; type the readings of each unit"
        )


class UnknownRangeError(BenchError, LookupError):
    """The product has no such range."""

    def __init__(self, *, ranges: tuple[str, ...], known: tuple[str, ...]) -> None:
        self.ranges = ranges
        self.known = known
        super().__init__(
            f"unknown range {', '.join(ranges)}; the product has {', '.join(known)}"
        )


class NotSwitchedError(BenchError):
    """The unit makes the same of its input whatever is selected."""

    def __init__(self, *, range_: str, other: str) -> None:
        self.range = range_
        self.other = other
        super().__init__(
            f"range {range_}: at the small level that proves it the unit reads as it "
            f"does with {other} selected, so it does not follow the switch, which says "
            "that it is chosen; the full level was not sent. Look at the relay, its "
            "supply and the lead to the unit"
        )


class SelectorError(BenchError):
    """Several ranges are asked for and the bench has no selector."""

    def __init__(self, *, ranges: tuple[str, ...]) -> None:
        self.ranges = ranges
        super().__init__(
            f"the bench has no range selector, so {', '.join(ranges)} cannot be "
            "measured in one go; ask for one range at a time"
        )


class UnsettledError(BenchError):
    """The readings of one point do not agree with each other, or go on moving."""

    def __init__(
        self,
        *,
        range_: str,
        level: str,
        spread: float,
        allowed: float,
        within_s: float,
    ) -> None:
        self.range = range_
        self.level = level
        self.spread = spread
        self.allowed = allowed
        self.within_s = within_s
        what = (
            f"differ by {_volts(spread)}, more than {_volts(allowed)}"
            if spread > allowed
            else f"still move, by {_volts(spread)}"
        )
        super().__init__(
            f"range {range_}, source at {level}: after {within_s:.3g} s the output's "
            f"readings {what}; check the leads, or raise settle_s"
        )


class TooMuchOutputError(BenchError):
    """A range puts out more than its meter holds, at a hundredth of its levels too."""

    def __init__(self, *, range_: str, level: str, full_scale: float) -> None:
        self.range = range_
        self.level = level
        self.full_scale = full_scale
        super().__init__(
            f"range {range_}: the output is beyond the meter's {_volts(full_scale)} "
            f"range even with the source at {level}; most likely the range's part is "
            "open, missing or wrong by decades, or the unit is in another range: "
            "look at the part, and that the unit follows the selector"
        )


class FrozenError(BenchError):
    """At another level the output shows the very same digits."""

    def __init__(self, *, range_: str, level: str, value: float) -> None:
        self.range = range_
        self.level = level
        self.value = value
        super().__init__(
            f"range {range_}, source at {level}: the output reads "
            f"{_volts(value, 6)}, to the last digit as at another level; its meter "
            "repeats an old reading or the unit's output is dead: look at the meter's "
            "own display"
        )


class UnansweredError(BenchError):
    """Nobody answered for too long while the source was on."""

    def __init__(self, *, within_s: float) -> None:
        self.within_s = within_s
        super().__init__(
            f"nobody answered within {within_s / 60:.0f} min, so the source is turned "
            "off"
        )


class StoppedError(BenchError):
    """A person or the daemon asked to stop; the source is off."""

    def __init__(
        self,
        said: str = (
            "stopped on request; `holdpoint trace` says whether this unit was kept"
        ),
    ) -> None:
        super().__init__(said)


class GuardLostError(BenchError):
    """The process that would turn the source off is gone, or cannot reach it."""

    def __init__(self, *, reason: str) -> None:
        self.reason = reason
        super().__init__(f"{reason}, so the source stays off; open the bench again")
