"""A meter that a person reads: asked for one value at a time, the source kept on.

It takes the place of one that the bench reads. What is typed is doubted once where it
is far from what is expected: the same value again is kept, since a part of the wrong
decade is read like any other.
"""

from collections.abc import Callable
from math import isclose

from config import Kind, Profile, QuantityError, Unit, parse, spell
from daemon.bench.connection import Connection
from daemon.bench.driver import ANYTHING, Binding, Meter, Window
from daemon.bench.errors import OverrangeError, RefusedError, UnansweredError
from daemon.bench.person import ANSWER_S, Ask

__all__ = ["HandMeter", "Patience", "read_by_hand"]

FAR = 0.5
"""A value that is off by more than this share of what is expected is asked again."""
FAR_FROM_ZERO = 0.05
"""What the level makes, times this, is never far: a display's last digits."""
SAME = 1e-9
"""Two values so close, relatively, are one."""
BEYOND = frozenset({"ol", "o.l", "0l", "o l", "overload", "over"})
"""What a display shows beyond its range, in small letters."""
HOLDS_S = 900.0
"""A temperature that was typed stands so long (common practice, no source)."""
UNITS = {
    Kind.AMMETER: Unit.AMPERE,
    Kind.VOLTMETER: Unit.VOLT,
    Kind.THERMOMETER: Unit.CELSIUS,
}


def read_by_hand(kind: Kind) -> Profile:
    """Return the profile of a meter whose display a person reads."""
    return Profile(title=f"{kind.value} read by hand", kind=kind, read="read")


class Patience:
    """How long a person is waited for with the source on.

    Parameters
    ----------
    keep_on : Callable
        Called again and again meanwhile: the source stays on, and is seen to be.
    now_s : Callable
        The time, s.
    within_s : float
        How long; infinite where a person turns the source off anyway.
    """

    def __init__(
        self,
        keep_on: Callable[[], None],
        now_s: Callable[[], float],
        within_s: float = ANSWER_S,
    ) -> None:
        self._keep_on = keep_on
        self.now_s = now_s
        self._within_s = within_s

    def meanwhile(self) -> Callable[[], None]:
        """Return what is called until there is an answer; it ends a wait too long.

        It raises `UnansweredError`.
        """
        until_s = self.now_s() + self._within_s

        def wait() -> None:
            if self.now_s() > until_s:
                raise UnansweredError(within_s=self._within_s)
            self._keep_on()

        return wait


class HandMeter(Meter):
    """A meter whose display a person reads.

    Parameters
    ----------
    ask : Ask
        Where the person is asked.
    patience : Patience
        How long.
    divide_by : float
        What a reading is divided by, as for any meter.
    """

    by_hand = True

    def __init__(
        self,
        binding: Binding,
        *,
        ask: Ask,
        patience: Patience,
        divide_by: float = 1.0,
    ) -> None:
        super().__init__(binding, divide_by=divide_by)
        self._person = ask
        self._patience = patience
        self._unit = UNITS[self.profile.kind]
        self._full_scale: float | None = None
        self._where = ""
        self._expected: tuple[float, float] | None = None
        self._typed: tuple[float, float] | None = None

    def configure(self, full_scale: float, *, cycles: float = 1.0) -> None:
        """Note which range the person is to choose, in the meter's own unit."""
        del cycles
        self._full_scale = full_scale

    def expect(self, where: str, value: float, level: float) -> None:
        """Say what the next value is read at, and about what it will be.

        Parameters
        ----------
        where : str
            Range and setting, as the prompt begins.
        value, level : float
            What is expected now, and at the range's level, as `read` returns them.
        """
        self._where = f"{where}. "
        self._expected = (value, level)

    def read(self, window: Window = ANYTHING) -> float:
        """Return what the person types, in ampere, volt or degree Celsius.

        Raises
        ------
        OverrangeError
            The display says that its range is too small.
        ImplausibleError
            What is typed, twice, lies outside `window`.
        UnansweredError
            Nobody typed anything for too long.
        StoppedError
            Nobody will.
        """
        if self.profile.kind is Kind.THERMOMETER:
            return self._temperature()
        doubted: float | None = None
        said = ""
        while True:
            answer = self._asked_for(f"{said}{self._where}{self._what()}")
            if answer.strip().casefold() in BEYOND:
                raise self._fault(OverrangeError, "", "its display shows an overload")
            try:
                shown = parse(answer, self._unit)
            except QuantityError as exc:
                said = f"{exc}. "
                continue
            value = shown / self._divide_by
            again = doubted is not None and isclose(shown, doubted, rel_tol=SAME)
            if not again and (doubt := self._doubt(shown, value, window)):
                doubted, said = shown, doubt
                continue
            self.believe(value, window)
            return value

    def _doubt(self, shown: float, value: float, window: Window) -> str:
        """Return why a value is asked for once more; empty where it is not."""
        typed = self._spelled(shown)
        if not window.low <= value <= window.high:
            return (
                f"{typed} cannot be there: look at the prefix and the leads, and type "
                "it again. "
            )
        if self._expected is None:
            return ""
        expected, level = self._expected
        far = max(FAR * abs(expected), FAR_FROM_ZERO * abs(level))
        if abs(value - expected) <= far:
            return ""
        about = "zero" if expected == 0 else self._spelled(expected * self._divide_by)
        return (
            f"{typed} is far from {about}, which is expected. Look again and type it "
            "again; the same value is kept. "
        )

    def _what(self) -> str:
        scale = (
            ""
            if self._full_scale is None
            else f" on its {self._spelled(self._full_scale)} range"
        )
        return f"Type what the {self.role} meter shows{scale}"

    def _temperature(self) -> float:
        """Return the temperature that was typed last, asked for when it is old."""
        now_s = self._patience.now_s()
        if self._typed is not None and now_s - self._typed[0] < HOLDS_S:
            return self._typed[1]
        said = ""
        while True:
            answer = self._asked_for(f"{said}Type the temperature beside the unit")
            try:
                value = parse(answer, self._unit)
            except QuantityError as exc:
                said = f"{exc}. "
            else:
                self._typed = (now_s, value)
                return value

    def _asked_for(self, text: str) -> str:
        return self._person(
            text,
            subject=f"the {self.role} meter",
            wants=self._unit.value,
            meanwhile=self._patience.meanwhile(),
        )

    def _spelled(self, value: float) -> str:
        return spell(float(f"{value:.4g}"), self._unit)


class Display:
    """The line to a display: nothing is sent and nothing comes by itself.

    Parameters
    ----------
    role, address : str
        For messages.
    """

    def __init__(self, role: str, address: str) -> None:
        self._role = role
        self._address = address

    def write(self, text: str) -> None:
        """Do nothing: a person sets it."""

    def query(self, text: str, lines: int = 1) -> str:
        """Refuse: a person is asked, not the instrument."""
        del lines
        raise self._refused(text)

    def listen(self) -> str:
        """Refuse, as `query` does."""
        nothing = ""
        raise self._refused(nothing)

    def close(self) -> None:
        """Do nothing: a person stays."""

    def descriptor(self) -> None:
        """Return nothing: no other process reaches it."""

    def _refused(self, text: str) -> RefusedError:
        return RefusedError(
            role=self._role,
            address=self._address,
            command=text,
            reason="not sent: a person reads it",
        )


def display(role: str, address: str) -> Connection:
    """Return the line to a display that a person reads."""
    return Display(role, address)
