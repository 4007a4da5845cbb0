"""Ohms of parts without power, read with the bench's ohmmeter: leads first, then parts.

A person moves the leads, the source is off. The ohmmeter is opened for as long as it
is needed; where the bench file says that a person reads it, that person types.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from math import hypot, sqrt
from statistics import fmean, stdev

from config import (
    TYPED,
    HoldpointError,
    Instrument,
    MeterRange,
    Profile,
    QuantityError,
    Unit,
    parse,
)
from daemon.bench import (
    USUAL,
    Binding,
    Clock,
    Connect,
    InstrumentError,
    Meter,
    OverrangeError,
)
from daemon.holds import FARTHEST, USUAL_METER_PPM
from daemon.presentation import ohm
from daemon.station.desk import Desk

__all__ = [
    "Lead",
    "NotReadError",
    "PartsRead",
    "read_parts",
    "reader",
]

READINGS = 5
TRIES = 3
LARGEST_SHORT_OHM = 2.0
"""What leads and contacts of two wires may come to (common practice, no source)."""
HEADROOM = 1.2
LEADS = "leads"
"""Subject of the prompt that has the leads shorted."""
CAUTION = (
    "No ohms on anything live: power off, battery out, capacitors discharged, the "
    "source's leads taken off."
)


class NotReadError(HoldpointError):
    """The ohmmeter gave no reading that could be believed; nothing was kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """Where the leads are to be put next: in words, and what the prompt is about."""

    on: str
    subject: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsRead:
    """What parts read, the shorted leads' reading taken off each, ohm.

    `uncertainty_ohm` is standard; all readings share it.
    """

    readings_ohm: tuple[float, ...]
    null_ohm: float
    uncertainty_ohm: float


Read = Callable[[str, str], tuple[float, ...]]
"""Has a person do what a text says, about a subject; returns readings, ohm."""


@contextmanager
def reader(
    instrument: Instrument,
    profiles: Mapping[str, Profile],
    *,
    nominal_ohm: float,
    desk: Desk,
    connect: Connect,
    clock: Clock,
) -> Iterator[Read]:
    """Open the ohmmeter on the range for parts of a nominal value.

    Raises
    ------
    NotReadError
        It does not answer, is another one, or no range of it reaches so far.
    """
    if instrument.profile == TYPED:
        yield _by_person(desk)
        return
    binding = Binding(
        role="ohmmeter",
        instrument=instrument,
        profile=profiles[instrument.profile],
        connect=connect,
        clock=clock,
        retry=USUAL,
    )
    try:
        with closing(Meter(binding)) as meter:
            meter.identify()
            meter.prepare()
            if (scale := scale_for(instrument, nominal_ohm)) is not None:
                meter.configure(scale.full_scale)
            yield _by_meter(meter, desk)
    except InstrumentError as exc:
        raise NotReadError(str(exc)) from exc


def read_parts(
    read: Read, instrument: Instrument, leads: Sequence[Lead], *, nominal_ohm: float
) -> PartsRead:
    """Have the leads shorted and read, then each part; what cannot be is asked again.

    The meter's specification is taken as a rectangular bound at the nominal value
    (JCGM 100:2008, 4.3.7), the scatter of the means with it.

    Raises
    ------
    NotReadError
        Three times in a row a reading was no short, or no such part.
    """
    scale = scale_for(instrument, nominal_ohm)
    short = _tried(
        read,
        Lead(
            on=f"{CAUTION} Put the ohmmeter's leads together at their tips, of four "
            "wires all four at one point",
            subject=LEADS,
        ),
        lambda value: (
            None
            if abs(value) <= LARGEST_SHORT_OHM
            else f"The shorted leads read {ohm(value)}: they are open, or on a part"
        ),
    )
    null_ohm = fmean(short)
    read_ohm, scatter_ohm = [], [_of_mean(short)]
    for lead in leads:
        seen = _tried(
            read,
            Lead(on=f"Put the leads on {lead.on}", subject=lead.subject),
            lambda value: (
                None
                if abs((value - null_ohm) / nominal_ohm - 1) <= FARTHEST
                else f"{ohm(value - null_ohm)} is no part of {ohm(nominal_ohm)}"
            ),
        )
        read_ohm.append(fmean(seen) - null_ohm)
        scatter_ohm.append(_of_mean(seen))
    return PartsRead(
        readings_ohm=tuple(read_ohm),
        null_ohm=null_ohm,
        uncertainty_ohm=hypot(
            _bound_ohm(scale, nominal_ohm) / sqrt(3),
            scatter_ohm[0],
            max(scatter_ohm[1:]),
        ),
    )


def scale_for(instrument: Instrument, nominal_ohm: float) -> MeterRange | None:
    """Return the smallest range that holds a part; None where no range is written.

    Raises
    ------
    NotReadError
        None reaches so far.
    """
    if not instrument.ranges:
        return None
    fit = [one for one in instrument.ranges if one.full_scale >= HEADROOM * nominal_ohm]
    if not fit:
        message = (
            f"no range of the ohmmeter in bench.toml reads a part of "
            f"{ohm(nominal_ohm)}: write one of {ohm(HEADROOM * nominal_ohm)} or more"
        )
        raise NotReadError(message)
    return min(fit, key=lambda one: one.full_scale)


def _bound_ohm(scale: MeterRange | None, nominal_ohm: float) -> float:
    if scale is None:
        return nominal_ohm * USUAL_METER_PPM * 1e-6
    return (
        nominal_ohm * scale.of_reading_ppm * 1e-6
        + scale.full_scale * scale.of_range_ppm * 1e-6
        + scale.resolution / 2
    )


def _of_mean(readings: Sequence[float]) -> float:
    return stdev(readings) / sqrt(len(readings)) if len(readings) > 1 else 0.0


def _tried(
    read: Read, lead: Lead, wrong: Callable[[float], str | None]
) -> tuple[float, ...]:
    """Read until it is believed; say what is wrong with each that is not."""
    said = ""
    for _ in range(TRIES):
        try:
            seen = read(f"{said}{lead.on}", lead.subject)
        except OverrangeError:
            said = "The ohmmeter reads beyond its range: the leads are open. "
            continue
        found = wrong(fmean(seen))
        if found is None:
            return seen
        said = f"{found}. "
    message = f"{said}Nothing was kept; see to the leads and order it again"
    raise NotReadError(message)


def _by_meter(meter: Meter, desk: Desk) -> Read:
    def read(text: str, subject: str) -> tuple[float, ...]:
        desk.ask(f"{text}, then confirm.", subject=subject)
        return tuple(meter.read() for _ in range(READINGS))

    return read


def _by_person(desk: Desk) -> Read:
    def read(text: str, subject: str) -> tuple[float, ...]:
        said = ""
        while True:
            answer = desk.ask(
                f"{said}{text}, and type what the ohmmeter shows.",
                subject=subject,
                wants=Unit.OHM.value,
            )
            try:
                return (parse(answer, Unit.OHM),)
            except QuantityError as exc:
                said = f"{exc}. "

    return read
