"""The bench: its instruments by role, opened carefully and left with the source off."""

from collections.abc import Mapping
from contextlib import ExitStack
from threading import Event
from types import TracebackType
from typing import Self

from config import model
from config.profile import Profile
from daemon.bench.connection import Connect
from daemon.bench.driver import Binding, Driver, Meter, Selector
from daemon.bench.errors import ByHandError, StoppedError
from daemon.bench.guard import Guard, Orders
from daemon.bench.plan import RangeSetup, check_limits, compliance, range_setups
from daemon.bench.retry import USUAL, Retry
from daemon.bench.source import Source
from daemon.clock import Clock

__all__ = ["Bench", "identify"]


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

    Raises
    ------
    LimitError
        A level or the compliance exceeds a limit; nothing was sent.
    NoRangeError
        No range of a meter holds what it must read.
    ByHandError
        A person reads or sets one of the instruments.
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
    ) -> None:
        for role, instrument in settings.instruments.items():
            if instrument.address == model.BY_HAND:
                raise ByHandError(role=role)
        self.setups: Mapping[str, RangeSetup] = range_setups(
            settings, product, reading, nominal_transfer
        )
        check_limits(settings, product, self.setups.values())
        self.compliance = compliance(settings, product)
        self._halted = Event()
        self._guard: Guard | None = None

        def binding(role: str, instrument: model.Instrument) -> Binding:
            return Binding(
                role=role,
                instrument=instrument,
                profile=profiles[instrument.profile],
                connect=connect,
                clock=clock,
                retry=retry,
            )

        with ExitStack() as opened:
            self.source = Source(
                binding("source", settings.source),
                limit=settings.source_limit,
                permit=self._permit,
            )
            opened.callback(self.source.close)
            self.source.output_off()
            self.reference = Meter(
                binding("reference", settings.reference),
                divide_by=settings.reference_is.standard_ohm or 1.0,
            )
            opened.callback(self.reference.close)
            self.output = Meter(binding("output", settings.output))
            opened.callback(self.output.close)
            self.selector = None
            if settings.selector is not None:
                self.selector = Selector(binding("selector", settings.selector))
                opened.callback(self.selector.close)
            self.ambient = None
            if settings.ambient is not None:
                self.ambient = Meter(binding("ambient", settings.ambient))
                opened.callback(self.ambient.close)
            for driver in self.drivers.values():
                driver.identify()
                driver.prepare()
            if guarded:
                orders = Orders.of(settings.source, profiles[settings.source.profile])
                self._guard = Guard(orders)
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
    def guard_pid(self) -> int | None:
        """The number of the process that turns the source off should this one die."""
        return None if self._guard is None else self._guard.pid

    @property
    def halted(self) -> bool:
        """Whether the source is kept off until `resume`."""
        return self._halted.is_set()

    def source_off(self) -> None:
        """Turn the source off and see that it is."""
        self.source.output_off()

    def halt(self) -> None:
        """Turn the source off now, from any thread, and keep it off until `resume`.

        A measurement that is under way ends in `StoppedError` at its next level.
        """
        self._halted.set()
        self.source.output_off()

    def resume(self) -> None:
        """Allow the source to be turned on again after `halt`."""
        self._halted.clear()

    def close(self) -> None:
        """Turn the source off and let go of every line."""
        with self._lines:
            self.source.output_off()

    def _permit(self) -> None:
        if self.halted:
            raise StoppedError
        if self._guard is not None:
            self._guard.check()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def identify(bench: Bench) -> dict[str, str]:
    """Return what each role's instrument says it is; empty where it cannot say."""
    return {role: one.identify() for role, one in bench.drivers.items()}
