"""What goes wrong between an instrument and whoever reads it, on demand.

Some faults sit in the line (`Link`), the others in the instrument itself.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf

from numpy.random import Generator

from daemon.simulator.errors import UnfitFaultError, UnknownFaultError
from daemon.simulator.meters import Meter, MeterFault
from daemon.simulator.scpi import Instrument

__all__ = ["Delivery", "Fault", "FaultKind", "Link", "draw_fault", "fault_kind"]

OTHER_IDENTITY = "Holdpoint,another instrument,0,1"
GARBAGE_BYTES = 12


class FaultKind(StrEnum):
    """What can go wrong."""

    TIMEOUT = "timeout"
    """The answer never comes."""
    LATE = "late answer"
    """The answer comes after `size` seconds, whoever may then be waiting."""
    HALF = "half answer"
    """The first half of the answer comes, and no end of line."""
    GARBAGE = "garbage"
    """Random bytes come in place of the answer."""
    DISCONNECT = "disconnect"
    """The connection breaks in the middle of an answer."""
    CLOSED_PORT = "closed port"
    """The connection breaks and nobody listens any more."""
    POWER_CYCLE = "power cycle"
    """The instrument restarts: settings lost, connection broken."""
    WRONG_IDENTITY = "wrong identity"
    """Another instrument stands there."""
    OVERRANGE = MeterFault.OVERRANGE.value
    """A reading says overrange."""
    FROZEN = MeterFault.FROZEN.value
    """A reading repeats the one before."""
    DRIFT = MeterFault.DRIFT.value
    """The gain of the meter's range moves by `size` ppm a second."""
    STEP = MeterFault.STEP.value
    """The gain of the meter's range has moved by `size` ppm."""
    PASSING = MeterFault.PASSING.value
    """The gain of all ranges is off by `size` ppm for `times` readings."""
    SWAPPED = MeterFault.SWAPPED.value
    """The meter's leads are the wrong way round."""


IN_THE_LINE = frozenset(
    {
        FaultKind.TIMEOUT,
        FaultKind.LATE,
        FaultKind.HALF,
        FaultKind.GARBAGE,
        FaultKind.DISCONNECT,
        FaultKind.CLOSED_PORT,
        FaultKind.POWER_CYCLE,
    }
)
BREAKS_THE_LINE = frozenset({FaultKind.CLOSED_PORT, FaultKind.POWER_CYCLE})
IN_A_METER = frozenset(FaultKind(one.value) for one in MeterFault)
SIZE = {
    FaultKind.LATE: 10.0,
    FaultKind.DRIFT: 10.0,
    FaultKind.STEP: 300.0,
    FaultKind.PASSING: 300.0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of one instrument.

    Parameters
    ----------
    kind : FaultKind
        What goes wrong.
    role : str
        The instrument.
    after : int
        Answers that pass unharmed before a fault in the line strikes; readings, before
        a value freezes or a step passes.
    times : int, optional
        How often a fault in the line or of a reading strikes; None is until cleared.
        Identity, drift, step and swapped leads always stay until cleared.
    size : float, optional
        Seconds of a late answer, ppm of a step, ppm a second of a drift.
    match : str
        A fault in the line strikes only lines that contain this text.
    full_scale : float, optional
        The meter range that drifts or has stepped; None is every range.
    """

    kind: FaultKind
    role: str
    after: int = 0
    times: int | None = 1
    size: float | None = None
    match: str = ""
    full_scale: float | None = None

    @property
    def amount(self) -> float:
        """`size`, or what is usual for the kind."""
        return SIZE.get(self.kind, 0.0) if self.size is None else self.size


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """What comes back on the line: `data` after `delay_s`; then it may break.

    `late` marks an answer that nobody takes back; `restarts` breaks every line.
    """

    data: bytes = b""
    delay_s: float = 0.0
    late: bool = False
    breaks: bool = False
    restarts: bool = False


NOTHING = Delivery()


@dataclass(slots=True)
class _Pending:
    fault: Fault
    wait: int
    left: float


class Link:
    """The line to one instrument, and the faults of both.

    Parameters
    ----------
    instrument : Instrument
        At the far end.
    chance : Generator
        For garbage.
    """

    def __init__(self, instrument: Instrument, chance: Generator) -> None:
        self.instrument = instrument
        self.closed = False
        """Whether the port is closed by a fault."""
        self._struck: Counter[FaultKind] = Counter()
        self._identity = instrument.identity
        self._impostors = 0
        self._chance = chance
        self._pending: list[_Pending] = []

    @property
    def struck(self) -> Counter[FaultKind]:
        """How often each kind of fault has changed what whoever reads was told."""
        if not isinstance(self.instrument, Meter):
            return self._struck
        in_it = self.instrument.struck.items()
        return self._struck + Counter({FaultKind(k.value): n for k, n in in_it})

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong with the line."""
        return not self._pending and not self.closed

    def inject(self, fault: Fault, at_s: float) -> None:
        """Let `fault` happen from `at_s` on.

        Raises
        ------
        UnfitFaultError
            If this instrument cannot have such a fault.
        """
        if fault.kind in IN_THE_LINE:
            left = inf if fault.times is None else fault.times
            self._pending.append(_Pending(fault, fault.after, left))
            return
        if fault.kind is FaultKind.WRONG_IDENTITY:
            self._impostors += 1  # counted when it is asked who it is
            self.instrument.identity = OTHER_IDENTITY
            return
        if not isinstance(self.instrument, Meter):
            raise UnfitFaultError(kind=fault.kind, role=fault.role)
        self.instrument.arm(MeterFault(fault.kind.value))  # counted when it is seen
        _disturb(self.instrument, fault, at_s)

    def clear(self) -> None:
        """Mend the line and the instrument; lost settings stay lost."""
        self.closed = False
        self._pending.clear()
        self.instrument.identity = self._identity
        self._impostors = 0
        if isinstance(self.instrument, Meter):
            self.instrument.mend()

    def exchange(self, line: str) -> Delivery:
        """Let the instrument carry out `line`; return what comes back."""
        if self.closed:
            return Delivery(breaks=True)
        struck = self._strikes(line, BREAKS_THE_LINE)
        if struck is not None:
            if struck.kind is FaultKind.POWER_CYCLE:
                self.instrument.power_cycle()
                return Delivery(breaks=True, restarts=True)
            self.closed = True
            return Delivery(breaks=True)
        answer = self.instrument.handle(line)
        if answer is not None and OTHER_IDENTITY in answer:
            self._struck[FaultKind.WRONG_IDENTITY] += self._impostors
            self._impostors = 0
        took_s = self.instrument.took_s
        if answer is None:
            return Delivery(delay_s=took_s) if took_s else NOTHING
        struck = self._strikes(line, IN_THE_LINE - BREAKS_THE_LINE)
        if struck is None:
            return Delivery(data=f"{answer}\n".encode(), delay_s=took_s)
        return self._spoilt(answer, took_s, struck)

    def _spoilt(self, answer: str, took_s: float, fault: Fault) -> Delivery:
        half = answer[: max(len(answer) // 2, 1)].encode()
        match fault.kind:
            case FaultKind.LATE:
                data = f"{answer}\n".encode()
                return Delivery(data=data, delay_s=took_s + fault.amount, late=True)
            case FaultKind.HALF:
                return Delivery(data=half, delay_s=took_s)
            case FaultKind.DISCONNECT:
                return Delivery(data=half, delay_s=took_s, breaks=True)
            case FaultKind.GARBAGE:
                # From the upper half of the code table: never a number.
                noise = self._chance.integers(128, 256, GARBAGE_BYTES).tolist()
                return Delivery(data=bytes(noise) + b"\n", delay_s=took_s)
        return Delivery(delay_s=took_s)

    def _strikes(self, line: str, kinds: frozenset[FaultKind]) -> Fault | None:
        """Count this line for the faults of `kinds`; return the first that strikes."""
        for one in self._pending:
            fault = one.fault
            if fault.kind not in kinds or fault.match.upper() not in line.upper():
                continue
            if one.wait:
                one.wait -= 1
                continue
            one.left -= 1
            if one.left <= 0:
                self._pending.remove(one)
            self._struck[fault.kind] += 1
            return fault
        return None


def draw_fault(chance: Generator, roles: Sequence[str]) -> Fault:
    """Draw a fault of any kind for one of `roles` that can have it.

    Examples
    --------
    >>> from numpy.random import default_rng
    >>> draw_fault(default_rng(1), ["source"]).role
    'source'
    """
    meters = [one for one in roles if one in {"reference", "output"}]
    kinds = [kind for kind in FaultKind if meters or kind not in IN_A_METER]
    kind = kinds[int(chance.integers(len(kinds)))]
    able = meters if kind in IN_A_METER else list(roles)
    return Fault(
        kind=kind,
        role=able[int(chance.integers(len(able)))],
        after=int(chance.integers(0, 8)),
    )


def fault_kind(name: str) -> FaultKind:
    """Return the kind that goes by `name`.

    Raises
    ------
    UnknownFaultError
        If none does.
    """
    try:
        return FaultKind(name)
    except ValueError:
        raise UnknownFaultError(name=name, known=FaultKind) from None


def _disturb(meter: Meter, fault: Fault, at_s: float) -> None:
    times = inf if fault.times is None else fault.times
    match fault.kind:
        case FaultKind.SWAPPED:
            meter.swapped = True
        case FaultKind.OVERRANGE:
            meter.overranges_left = times
        case FaultKind.FROZEN:
            meter.freeze(times, after=fault.after)
        case FaultKind.PASSING:
            meter.step_for(times, fault.amount, after=fault.after)
        case _:
            for scale in meter.scales:
                if fault.full_scale in {None, scale.full_scale}:
                    if fault.kind is FaultKind.STEP:
                        scale.step_ppm = fault.amount
                    else:
                        scale.drift_ppm_per_s = fault.amount
                        scale.drift_since_s = at_s
