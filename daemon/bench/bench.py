"""The bench: its instruments by role, opened carefully and left with the source off."""

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from math import inf
from threading import Event
from types import TracebackType
from typing import Self

from config import TYPED, Kind, Profile, Unit, model
from daemon.bench.clock import Clock
from daemon.bench.connection import Connect, Connection
from daemon.bench.driver import Binding, Driver, Meter, Selector
from daemon.bench.errors import ByHandError, OutputNotOffError, StoppedError
from daemon.bench.guard import Guard, Orders
from daemon.bench.hand_meter import HandMeter, Patience, display, read_by_hand
from daemon.bench.hand_source import PersonLine, set_by_hand
from daemon.bench.measuring_plan import (
    RangeSetup,
    check_limits,
    compliance,
    range_setups,
)
from daemon.bench.person import ANSWER_S, SECONDS_A_MINUTE, Ask
from daemon.bench.retry import USUAL, Retry
from daemon.bench.source import Source

__all__ = ["Bench", "cautions", "identify"]

BY_HAND_CAUTION = (
    "The source is set by hand: nothing but you turns its output off. Have a hardware "
    "disconnect within reach."
)
READ_BY_HAND_CAUTION = (
    "While you read a meter the source stays on, "
    f"{ANSWER_S / SECONDS_A_MINUTE:.0f} min at most. Touch no lead before it is off."
)
HALT_PATIENCE_S = 0.3
"""How long "off now" waits for whoever is speaking to the source just then."""
STEP_S = 2.0
"""Between two exchanges a measurement waits a second at most, and does little else."""
EXCHANGE_TIMEOUTS = 2
"""An exchange may have to open its line anew, with a question who is there."""


class Bench:
    """Instruments by role, ready to measure one product.

    Opening it checks the plan against the limits, turns the source off and meets
    every instrument, in this order. Use it as a context: whichever way it is left,
    the source is off.

    Parameters
    ----------
    settings, product, reading
        What the maker wrote.
    profiles : mapping
        Profile by the name that the instruments' settings use.
    nominal_transfer : mapping
        Nominal output over input by range, V/A or V/V.
    connect : Connect
        Opens the line of a role.
    clock : Clock
        For pauses between commands.
    retry : Retry
        When to ask an instrument again.
    guarded : bool
        Whether a process of its own turns the source off should this one die; a
        bench in memory has no source that could stay on.
    lost : Callable, optional
        Told when the guard acted or ended while it was needed, from its own thread.
    ask : Ask, optional
        Puts a request to a person, so that the source may be set by hand, and meters
        be read by hand. Nothing but that person turns off a source set by hand.
    goes_on : Callable, optional
        Told at each step of a measurement how long it may take, s of the machine's own
        clock.

    Raises
    ------
    LimitError
        A level or the compliance exceeds a limit; nothing was sent.
    NoRangeError
        No range of a meter holds what it must read.
    ByHandError
        A person reads or sets one of the instruments, and cannot be asked.
    InstrumentError
        An instrument is absent, is another one, or complains.
    GuardLostError
        The guard cannot reach the source over a line of its own.
    """

    def __init__(
        self,
        settings: model.Bench,
        product: model.Product,
        reading: model.Reading,
        *,
        profiles: Mapping[str, Profile],
        nominal_transfer: Mapping[str, float],
        connect: Connect,
        clock: Clock,
        retry: Retry = USUAL,
        guarded: bool = True,
        lost: Callable[[str], None] | None = None,
        ask: Ask | None = None,
        goes_on: Callable[[float], None] = lambda _: None,
    ) -> None:
        typed = settings.typed
        if typed and ask is None:
            raise ByHandError(role=typed[0])
        by_hand = "source" in typed
        self.source_by_hand = by_hand
        """Whether each level is set by a person, who is asked for it."""
        self.ask = ask
        """Puts a request to whoever stands at the bench; None where nobody can be
        asked."""
        self.setups: Mapping[str, RangeSetup] = range_setups(
            settings, product, reading, nominal_transfer
        )
        check_limits(settings, product, self.setups.values())
        self.compliance = compliance(settings, product)
        self._halted = Event()
        self._goes_on = goes_on
        self._guard: Guard | None = None
        self._shares = False
        self._shared: int | None = None

        def binding(role: str, instrument: model.Instrument) -> Binding:
            if role in typed:
                return Binding(
                    role=role,
                    instrument=instrument,
                    profile=_by_hand(role, product, settings),
                    connect=_to_person(ask, product),
                    clock=clock,
                    retry=retry,
                )
            return Binding(
                role=role,
                instrument=instrument,
                profile=profiles[instrument.profile],
                connect=self._stepping(connect),
                clock=clock,
                retry=retry,
            )

        def meter(
            role: str, instrument: model.Instrument, divide_by: float = 1.0
        ) -> Meter:
            if ask is None or role not in typed:
                return Meter(binding(role, instrument), divide_by=divide_by)
            return HandMeter(
                binding(role, instrument),
                ask=ask,
                patience=self.patience,
                divide_by=divide_by,
            )

        with ExitStack() as opened:
            self.source = Source(
                binding("source", settings.source),
                limit=settings.source_limit,
                permit=self._permit,
                step=self._step,
            )
            opened.callback(self.source.close)
            self.patience = Patience(
                self.source.keep_on,
                clock.now_s,
                inf if by_hand else ANSWER_S,
            )
            """How long a person is waited for while the source is on."""
            self.source.drive_through(next(iter(self.setups.values())).through_ohm)
            self.source.output_off()
            self.reference = meter(
                "reference",
                settings.reference,
                settings.reference_is.standard_ohm or 1.0,
            )
            opened.callback(self.reference.close)
            self.output = meter("output", settings.output)
            opened.callback(self.output.close)
            self.selector = None
            if settings.selector is not None and "selector" not in typed:
                self.selector = Selector(binding("selector", settings.selector))
                opened.callback(self.selector.close)
            self.ambient = None
            if settings.ambient is not None:
                self.ambient = meter("ambient", settings.ambient)
                opened.callback(self.ambient.close)
            for driver in self.drivers.values():
                driver.identify()
                driver.prepare()
            if guarded and not by_hand:
                profile = profiles[settings.source.profile]
                self._shares = profile.one_connection
                self._shared = self.source.descriptor() if self._shares else None
                self._guard = Guard(
                    Orders.of(settings.source, profile),
                    busy=lambda: self.source.is_on,
                    lost=lost,
                    shared=self._shared,
                )
                opened.callback(self._guard.close)
            self._lines = opened.pop_all()

    @property
    def drivers(self) -> dict[str, Driver]:
        """Drivers by role name, absent roles left out."""
        roles: dict[str, Driver | None] = {
            "source": self.source,
            "reference": self.reference,
            "output": self.output,
            "selector": self.selector,
            "ambient": self.ambient,
        }
        return {role: one for role, one in roles.items() if one is not None}

    @property
    def read_by_hand(self) -> bool:
        """Whether a person reads the reference or the output."""
        return self.reference.by_hand or self.output.by_hand

    @property
    def guard_pid(self) -> int | None:
        """The number of the process that turns the source off should this one die."""
        return None if self._guard is None else self._guard.pid

    @property
    def halted(self) -> bool:
        """Whether the source is kept off until `resume`."""
        return self._halted.is_set()

    def require_guarded(self) -> None:
        """Raise unless the guard is there and has left the source on.

        Raises
        ------
        GuardLostError
            It is gone, or turned the source off since it was turned on: what was read
            meanwhile means nothing.
        """
        if self._guard is not None:
            self._guard.check()

    def choose(self, setup: RangeSetup) -> None:
        """Choose a range of the product, the source at level zero."""
        if self.selector is not None and setup.selector is not None:
            self.selector.select(setup.selector)
        self.source.drive_through(setup.through_ohm)

    def source_off(self) -> None:
        """Turn the source off and see that it is."""
        if self._shares and self._guard is not None:
            self._guard.let_finish()
        self.source.output_off()

    def halt(self) -> None:
        """Turn the source off now, from any thread, and keep it off until `resume`.

        A measurement that is under way ends in `StoppedError` at its next level.
        One that holds the source's line does not keep the source on: the guard has
        a line of its own, and the bench must then be opened anew.

        Raises
        ------
        OutputNotOffError
            It could not be shown to be off over either line.
        """
        self._halted.set()
        try:
            self.source.output_off(patience_s=HALT_PATIENCE_S)
        except OutputNotOffError:
            if self._guard is None or not self._guard.fire():
                raise

    def resume(self) -> None:
        """Allow the source to be turned on again after `halt`."""
        self._halted.clear()

    def close(self) -> None:
        """Turn the source off and let go of every line."""
        with self._lines:
            self.source_off()

    def _step(self, longest_s: float = 0.0) -> None:
        """Note that the measurement goes on; what it does now may take so long."""
        self._goes_on(STEP_S + longest_s)
        if self._guard is not None:
            self._guard.step(STEP_S + longest_s)
            self._share()

    def _share(self) -> None:
        """Hand the guard the one line that a source takes, whenever it is new."""
        if not self._shares or self._guard is None:
            return
        now = self.source.descriptor()
        if now is not None and now != self._shared:
            self._guard.hand_over(now)
        self._shared = now

    def _stepping(self, connect: Connect) -> Connect:
        """Have every exchange on every line be a step."""

        def connect_stepping(
            role: str, instrument: model.Instrument, profile: Profile
        ) -> Connection:
            line = connect(role, instrument, profile)
            return _SteppingLine(line, self._step, instrument, profile)

        return connect_stepping

    def _permit(self) -> None:
        if self.halted:
            raise StoppedError
        if self._guard is not None and not self.source.is_on:
            self._guard.forget()
        self.require_guarded()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class _SteppingLine:
    """A line whose every exchange shows that the measurement goes on."""

    def __init__(
        self,
        line: Connection,
        step: Callable[[float], None],
        instrument: model.Instrument,
        profile: Profile,
    ) -> None:
        self._line = line
        self._step = step
        self._longest_s = (
            EXCHANGE_TIMEOUTS * (instrument.timeout_s + profile.opening_pause_s)
            + profile.silence_s
        )
        self._silence_s = profile.silence_s

    def write(self, text: str) -> None:
        self._step(self._longest_s)
        self._line.write(text)
        self._step(self._silence_s)

    def query(self, text: str, lines: int = 1) -> str:
        self._step(self._longest_s)
        answer = self._line.query(text, lines)
        self._step(self._silence_s)
        return answer

    def listen(self) -> str:
        self._step(self._longest_s)
        line = self._line.listen()
        self._step(self._silence_s)
        return line

    def descriptor(self) -> int | None:
        return self._line.descriptor()

    def close(self) -> None:
        self._line.close()


def _source_kind(product: model.Product) -> Kind:
    return Kind.CURRENT_SOURCE if product.input_unit == "A" else Kind.VOLTAGE_SOURCE


def _by_hand(role: str, product: model.Product, settings: model.Bench) -> Profile:
    """Return the profile of a role that a person takes."""
    if role == "source":
        return set_by_hand(_source_kind(product))
    amps = product.input_unit == "A" and settings.reference_is.kind == "meter"
    kinds = {
        "reference": Kind.AMMETER if amps else Kind.VOLTMETER,
        "ambient": Kind.THERMOMETER,
    }
    return read_by_hand(kinds.get(role, Kind.VOLTMETER))


def _to_person(ask: Ask | None, product: model.Product) -> Connect:
    """Have a line lead to a person."""
    unit = Unit(product.input_unit)
    other = Unit.VOLT if unit is Unit.AMPERE else Unit.AMPERE

    def connect_person(
        role: str, instrument: model.Instrument, profile: Profile
    ) -> Connection:
        del profile
        if role == "source" and ask is not None:
            return PersonLine(ask, unit, other)
        return display(role, instrument.address)

    return connect_person


def cautions(settings: model.Bench, profiles: Mapping[str, Profile]) -> tuple[str, ...]:
    """Return what a person must know of this bench's source before it is turned on.

    Each is a sentence; none when the source turns itself off in silence and can say
    whether it is off.
    """
    if settings.source.profile == TYPED:
        return (BY_HAND_CAUTION,)
    profile = profiles.get(settings.source.profile)
    if profile is None:
        return ()
    said = []
    if {"reference", "output"} & set(settings.typed):
        said.append(READ_BY_HAND_CAUTION)
    if profile.watchdog is None:
        said.append(
            "The source has no watchdog of its own: with its cable pulled, or this "
            "machine dead, nothing turns its output off. Have a hardware disconnect "
            "within reach."
        )
    if profile.limit_in_circuit:
        said.append(
            f"The source takes no compliance: see that the circuit itself keeps the "
            f"unit's input at or below {settings.compliance_v:g} V, an open lead too."
        )
    if settings.series_resistor is not None:
        said.append(
            "The source drives its current through a resistor: with that shorted, or "
            "another one in its place, the unit gets more than its level."
        )
    if profile.output is None:
        said.append(
            "The source cannot say whether its output is off: look at the instrument."
        )
    return tuple(said)


def identify(bench: Bench) -> dict[str, str]:
    """Return what each role's instrument says it is; empty where it cannot say."""
    return {role: one.identify() for role, one in bench.drivers.items()}
