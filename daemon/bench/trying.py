"""Every instrument of a bench met once, each on its own, the source off throughout."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from config import TYPED, Kind, Profile, model
from daemon.bench.clock import Clock
from daemon.bench.connection import Connect, Connection
from daemon.bench.driver import Binding, Driver, Meter, Selector
from daemon.bench.errors import InstrumentError, StoppedError
from daemon.bench.retry import NEVER
from daemon.bench.source import Source

__all__ = ["Found", "Tried", "find", "try_out"]

READINGS = 10
LONGEST_WAIT_S = 2.0
"""An address where nothing answers must not keep a person waiting."""

ANYBODY = Profile(
    title="whoever answers", kind=Kind.VOLTMETER, identity="*IDN?", read="*IDN?"
)
UNITS = {
    Kind.AMMETER: "A",
    Kind.VOLTMETER: "V",
    Kind.OHMMETER: "ohm",
    Kind.THERMOMETER: "degC",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What one role's instrument showed.

    `values` are in `unit`, read with the source off on the range `full_scale`;
    `complaints` are what its error queue held, None where it has no queue.
    `state` says what is no reading; `fault` why it could not be tried to the end.
    """

    role: str
    address: str
    identity: str = ""
    unit: str = ""
    full_scale: float | None = None
    values: tuple[float, ...] = ()
    complaints: tuple[str, ...] | None = None
    state: str = ""
    fault: str = ""

    @property
    def value(self) -> float | None:
        """Mean of the readings."""
        return fmean(self.values) if self.values else None

    @property
    def noise(self) -> float | None:
        """Standard deviation of one reading."""
        return stdev(self.values) if len(self.values) > 1 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """An address: the role it has in the bench file, and what answers there.

    `fault` says why nothing was heard.
    """

    address: str
    role: str = ""
    identity: str = ""
    fault: str = ""


def try_out(
    settings: model.Bench,
    profiles: Mapping[str, Profile],
    *,
    connect: Connect,
    clock: Clock,
    selectors: Mapping[str, str] | None = None,
) -> Iterator[Tried]:
    """Yield what each role shows, the source first, which is turned off and stays so.

    Parameters
    ----------
    selectors : mapping, optional
        What the switch is told for each range of the product.
    """
    for role, instrument in settings.instruments.items():
        if instrument.profile == TYPED:
            yield Tried(role=role, address=instrument.address, state=_by_hand(role))
            continue
        binding = Binding(
            role=role,
            instrument=instrument,
            profile=profiles[instrument.profile],
            connect=connect,
            clock=clock,
            retry=NEVER,
        )
        try:
            yield _tried(binding, settings, selectors or {})
        except InstrumentError as exc:
            yield Tried(role=role, address=instrument.address, fault=str(exc))


def find(
    settings: model.Bench | None,
    profiles: Mapping[str, Profile],
    shown: Sequence[str],
    *,
    connect: Connect,
) -> Iterator[Found]:
    """Yield what answers, at the addresses of the bench file and at those shown.

    Parameters
    ----------
    shown : sequence of str
        Addresses that the machine's buses and the network show. A serial port among
        them is not spoken to: who listens there, and how fast, is not known.
    """
    known = {} if settings is None else settings.instruments
    for role, one in known.items():
        if one.profile == TYPED:
            yield Found(address=one.address, role=role, identity=one.identity or "")
        else:
            yield _found(role, one, profiles[one.profile], connect)
    for address in shown:
        if address in {one.address for one in known.values()}:
            continue
        if address.upper().startswith("ASRL"):
            yield Found(
                address=address,
                fault="a serial port; give it a role in bench.toml to ask there",
            )
        else:
            one = model.Instrument(address=address, profile="anybody")
            yield _found("", one, ANYBODY, connect)


def _found(
    role: str, instrument: model.Instrument, profile: Profile, connect: Connect
) -> Found:
    address = instrument.address
    soon = min(instrument.timeout_s, LONGEST_WAIT_S)
    try:
        line = connect(
            role or "found", instrument.model_copy(update={"timeout_s": soon}), profile
        )
        try:
            return Found(address=address, role=role, identity=_who(line, profile))
        finally:
            line.close()
    except InstrumentError as exc:
        return Found(address=address, role=role, fault=exc.reason)


def _who(line: Connection, profile: Profile) -> str:
    if profile.identity is not None:
        return line.query(profile.identity).strip()
    if profile.talks_by_itself:
        return f"talks by itself: {line.listen().strip()}"
    if profile.read is not None:
        return f"cannot say who it is; reads {line.query(profile.read).strip()}"
    return "opens; cannot say who it is"


def _tried(
    binding: Binding, settings: model.Bench, selectors: Mapping[str, str]
) -> Tried:
    role, kind = binding.role, binding.profile.kind
    if kind in {Kind.CURRENT_SOURCE, Kind.VOLTAGE_SOURCE}:
        return _try_source(binding, settings)
    if kind is Kind.SWITCH:
        return _try_switch(binding, selectors)
    meter = Meter(binding)
    try:
        identity, complaints = _meet(meter)
        scales = [one.full_scale for one in binding.instrument.ranges]
        full_scale = max(scales, default=None)
        if full_scale is not None:
            meter.configure(full_scale)
        return Tried(
            role=role,
            address=binding.instrument.address,
            identity=identity,
            unit=UNITS[kind],
            full_scale=full_scale,
            values=tuple(meter.read() for _ in range(READINGS)),
            complaints=_queue(meter, complaints),
        )
    finally:
        meter.close()


def _try_source(binding: Binding, settings: model.Bench) -> Tried:
    source = Source(
        binding, limit=settings.source_limit, permit=_never, step=lambda: None
    )
    try:
        source.output_off()
        identity, complaints = _meet(source)
        says = "" if binding.profile.output else "; it cannot say so itself"
        return Tried(
            role=binding.role,
            address=binding.instrument.address,
            identity=identity,
            complaints=_queue(source, complaints),
            state=f"off, and stays off{says}",
        )
    finally:
        source.close()


def _try_switch(binding: Binding, selectors: Mapping[str, str]) -> Tried:
    switch = Selector(binding)
    try:
        identity, complaints = _meet(switch)
        chosen = [key for key, told in selectors.items() if switch.is_selected(told)]
        state = f"chooses {', '.join(chosen)}" if chosen else "chooses no range"
        return Tried(
            role=binding.role,
            address=binding.instrument.address,
            identity=identity,
            complaints=_queue(switch, complaints),
            state=state if binding.profile.selected else "cannot say what it chooses",
        )
    finally:
        switch.close()


def _meet(driver: Driver) -> tuple[str, list[str]]:
    """Return who it is and what its error queue held; then send its set-up."""
    identity = driver.identify()
    complaints = driver.complaints()
    driver.prepare()
    return identity, complaints


def _queue(driver: Driver, before: list[str]) -> tuple[str, ...] | None:
    """Return what the error queue held before and holds after the trial."""
    if driver.profile.errors is None:
        return None
    return (*before, *driver.complaints())


def _never() -> None:
    raise StoppedError


def _by_hand(role: str) -> str:
    return "set by hand: leave it at zero" if role == "source" else "read by hand"
