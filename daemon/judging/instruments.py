"""Which instruments a session is measured with, and what to know of them.

A meter that was swapped or is out of calibration still reads, so it does not stop the
bench: it is said on every result of the session.
"""

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from config import Bench, Instrument
from storage import BenchInstrument

if TYPE_CHECKING:  # its tables take longer to load than all else
    from storage import Store

__all__ = [
    "TITLES",
    "due_remark",
    "line_of",
    "meet",
    "met",
    "remark_on",
    "remarks",
    "serial_number_of",
]

TITLES = {
    "source": "source",
    "reference": "reference meter",
    "output": "output meter",
    "selector": "switch",
    "ambient": "thermometer",
    "ohmmeter": "ohmmeter",
}
"""What a person calls a role."""

SERIAL_PLACE = 2
"""In an answer to ``*IDN?``: maker, model, serial number, firmware (IEEE 488.2)."""
MADE_UP = {"", "0"}
"""What instruments without a serial number say in its place."""


def meet(
    store: "Store",
    session: str,
    bench: Bench,
    said: Mapping[str, str],
    at: datetime,
) -> list[BenchInstrument]:
    """Keep the instruments of a session just opened, and return them.

    Parameters
    ----------
    said : mapping
        What each role's instrument says it is; left out or empty where it cannot say.

    Raises
    ------
    storage.errors.StorageError
        They could not be kept.
    """
    before = store.table("latest_instruments", bench=bench.name).to_pylist()
    found = met(session, bench, said, before, at.date())
    store.keep(*found)
    return found


def met(
    session: str,
    bench: Bench,
    said: Mapping[str, str],
    before: Iterable[Mapping[str, Any]],
    on: date,
) -> list[BenchInstrument]:
    """Return the instruments of a session, each with its remark.

    Parameters
    ----------
    before : iterable of mapping
        The rows of the session before.
    """
    earlier = {str(one["role"]): one for one in before}
    return [
        _met(session, role, one, said.get(role, ""), earlier.get(role), on)
        for role, one in bench.instruments.items()
    ]


def remarks(instruments: Iterable[BenchInstrument], on: date) -> tuple[str, ...]:
    """Return a sentence for each instrument that a reader must know of on a day.

    A session may outlast a calibration: what was met in order is not for ever.
    """
    found = ((one.role, remark_on(one.remark, one.due_at, on)) for one in instruments)
    return tuple(f"The {TITLES[role]}: {remark}." for role, remark in found if remark)


def standards_past_due(bench: Bench, on: date) -> tuple[str, ...]:
    """Return a sentence for each check standard whose calibration has ended."""
    return tuple(
        f"Check standard {one.serial}: {due_remark(one.calibration_due, on)}"
        f"{'' if one is bench.check_standard else '; it is not run'}."
        for one in bench.standards
        if one.past_due(on)
    )


def remark_on(remark: str | None, due_at: str | None, on: date) -> str | None:
    """Return what to know of an instrument of a session on a day of the session.

    Parameters
    ----------
    remark, due_at
        As they were kept when the session was opened.

    Examples
    --------
    >>> remark_on(None, "2026-03-01", date(2026, 3, 1)) is None
    True
    >>> remark_on(None, "2026-03-01", date(2026, 3, 2))
    'out of calibration, which was due on 2026-03-01'
    """
    late = due_remark(None if due_at is None else date.fromisoformat(due_at), on)
    if remark is None or late is None:
        return remark or late
    return remark if remark.startswith(late) else f"{late}; {remark}"


def line_of(row: Mapping[str, Any]) -> str:
    """Return one instrument of a session in a line.

    Examples
    --------
    >>> line_of(
    ...     {
    ...         "role": "output",
    ...         "identity": "Workshop,bench meter,4711,1.0",
    ...         "serial_number": "4711",
    ...         "due_at": "2026-03-01",
    ...     }
    ... )
    'Output meter: Workshop bench meter, serial number 4711, calibration due 2026-03-01'
    """
    parts = str(row["identity"] or "identity unknown").split(",")
    said = [" ".join(one.strip() for one in parts[:SERIAL_PLACE])]
    if row["serial_number"]:
        said.append(f"serial number {row['serial_number']}")
    if row["due_at"]:
        said.append(f"calibration due {row['due_at']}")
    return f"{TITLES[row['role']].capitalize()}: {', '.join(said)}"


def serial_number_of(answer: str) -> str | None:
    """Return the serial number in an answer to ``*IDN?``; None where it has none.

    Examples
    --------
    >>> serial_number_of("Workshop,bench meter,4711,1.0")
    '4711'
    >>> serial_number_of("Workshop,bench meter,0,1.0") is None
    True
    """
    fields = [one.strip() for one in answer.split(",")]
    if len(fields) <= SERIAL_PLACE or fields[SERIAL_PLACE] in MADE_UP:
        return None
    return fields[SERIAL_PLACE]


def due_remark(due: date | None, on: date) -> str | None:
    """Say that a calibration is out of date; None while it is not, or nothing known.

    Examples
    --------
    >>> due_remark(date(2026, 3, 1), date(2026, 3, 1)) is None
    True
    >>> due_remark(date(2026, 3, 1), date(2026, 3, 2))
    'out of calibration, which was due on 2026-03-01'
    """
    if due is None or on <= due:
        return None
    return f"out of calibration, which was due on {due:%Y-%m-%d}"


def _met(
    session: str,
    role: str,
    instrument: Instrument,
    answer: str,
    before: Mapping[str, Any] | None,
    on: date,
) -> BenchInstrument:
    serial_number = serial_number_of(answer) or instrument.serial_number
    identity = answer or instrument.identity
    notes = (
        due_remark(instrument.calibration_due, on),
        _swapped(instrument, identity, serial_number, before),
    )
    return BenchInstrument(
        session=session,
        role=role,
        address=instrument.address,
        identity=identity,
        serial_number=serial_number,
        calibrated_at=_day(instrument.calibrated_at),
        due_at=_day(instrument.calibration_due),
        remark="; ".join(one for one in notes if one) or None,
    )


def _swapped(
    instrument: Instrument,
    identity: str | None,
    serial_number: str | None,
    before: Mapping[str, Any] | None,
) -> str | None:
    """Say that another one stands there than is written, else than did before."""
    written = instrument.serial_number
    if written is not None:
        if serial_number == written:
            return None
        return (
            f"serial number {serial_number}, but bench.toml says {written}: connect "
            "that one, or write the new one with its calibration"
        )
    if before is None:
        return None
    if before["serial_number"] != serial_number:
        return (
            f"serial number {serial_number or 'unknown'}, in the session before "
            f"{before['serial_number'] or 'unknown'}: another one was put there"
        )
    if serial_number is None and before["identity"] != identity:
        return (
            f"{identity or 'unknown'}, in the session before "
            f"{before['identity'] or 'unknown'}: another one was put there"
        )
    return None


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
