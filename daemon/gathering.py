"""Measurements that settle a finding: typed by a person, or taken from the bench."""

from collections.abc import Sequence
from datetime import datetime
from math import hypot, sqrt
from uuid import uuid4

from config.errors import QuantityError
from config.model import Bench
from config.quantity import Unit, parse
from daemon.product import ProductModel
from daemon.proving import UNITS
from storage.records import Proof, ProofKind, RunKind, Signal
from storage.store import Store

__all__ = ["NoProofError", "of_bench", "of_person"]

USUAL_METER_PPM = 200.0
"""Limits of error of a meter whose accuracy was not said, ppm of reading."""
FARTHEST = 0.5
"""A part further than this share from its nominal value is a slip of the pen."""


class NoProofError(ValueError):
    """A measurement that cannot help to settle this finding, and why."""


def of_person(
    signal: Signal,
    kind: ProofKind,
    texts: Sequence[str],
    product: ProductModel,
    *,
    person: str,
    at: datetime,
    subject: str | None = None,
    meter: str | None = None,
) -> Proof:
    """Return what a person read, as typed: ohms, or errors in % or ppm.

    Parameters
    ----------
    texts
        One a reading: "10.031k", or "+0.02 %" from what it should read.
    meter
        The accuracy of the meter, such as "0.02 %"; its limits of error.

    Raises
    ------
    NoProofError
        Nothing was typed, a text is no such quantity, or the finding names no part.
    """
    if not texts:
        message = "nothing was read: type at least one value"
        raise NoProofError(message)
    if not person.strip():
        message = "say who measured"
        raise NoProofError(message)
    unit = UNITS[kind]
    try:
        readings = tuple(parse(one, unit) for one in texts)
        limits_ppm = USUAL_METER_PPM if meter is None else parse(meter, Unit.PPM)
    except QuantityError as exc:
        raise NoProofError(str(exc)) from exc
    if limits_ppm <= 0:
        message = f"the meter's accuracy must be above 0, and {meter} is not"
        raise NoProofError(message)
    from_value, scale = 0.0, 1.0
    if unit is Unit.OHM:
        if signal.part is None:
            message = "the finding names no part, so no part tells anything about it"
            raise NoProofError(message)
        from_value = scale = product.nominal_ohm[signal.part]
        for one in readings:
            if abs(one / from_value - 1) > FARTHEST:
                message = (
                    f"{one:g} ohm is no {signal.part} of {from_value:g} ohm; check "
                    "units and prefixes"
                )
                raise NoProofError(message)
        scale *= 1e-6
    return Proof(
        proof=uuid4().hex,
        signal=signal.signal,
        kind=kind,
        subject=subject or _usual_subject(signal, kind),
        readings=readings,
        unit=unit.value,
        from_value=from_value,
        # Limits of error, taken as a uniform distribution (JCGM 100, 4.3.7).
        uncertainty=scale * limits_ppm / sqrt(3),
        person=person.strip(),
        made_at=at,
    )


def of_bench(
    signal: Signal,
    kind: ProofKind,
    store: Store,
    bench: Bench | None,
    *,
    person: str,
    at: datetime,
    serial: str | None = None,
) -> Proof:
    """Return what the bench has measured since the finding was raised.

    Parameters
    ----------
    serial
        Of the older unit, or of the unit that a second meter read.

    Raises
    ------
    NoProofError
        The bench has measured no such thing.
    """
    if signal.range is None:
        message = "the finding is on all ranges: type what was read on one of them"
        raise NoProofError(message)
    match kind:
        case ProofKind.CHECK_STANDARD:
            return _check_standard(signal, signal.range, store, bench, person, at)
        case ProofKind.OLDER_UNIT if serial is not None:
            return _older_unit(signal, signal.range, store, serial, person, at)
        case ProofKind.SECOND_METER:
            return _second_meter(signal, signal.range, store, person, at)
        case ProofKind.OLDER_UNIT:
            message = "say which older unit was measured again"
        case _:
            message = f"the bench measures no {kind.value}: type what was read"
    raise NoProofError(message)


def _check_standard(
    signal: Signal,
    range_: str,
    store: Store,
    bench: Bench | None,
    person: str,
    at: datetime,
) -> Proof:
    standard = None if bench is None else bench.check_standard
    if standard is None:
        message = "bench.toml names no check standard; type what one read"
        raise NoProofError(message)
    rows = store.frame(
        "range_rows",
        product=signal.product,
        after=signal.number,
        kind=RunKind.CHECK.value,
    )
    rows = rows[rows["range"] == range_]
    if rows.empty:
        message = (
            f"the check standard was not run on range {range_} since the finding: "
            "end the session (holdpoint bench on) and measure the next unit"
        )
        raise NoProofError(message)
    last = rows.iloc[-1]
    return Proof(
        proof=f"{signal.signal}:{last['run']}",
        signal=signal.signal,
        kind=ProofKind.CHECK_STANDARD,
        subject=str(last["serial"]),
        readings=(float(last["error_ppm"]),),
        unit=Unit.PPM.value,
        from_value=standard.error_ppm[range_],
        uncertainty=hypot(float(last["uncertainty_ppm"]), standard.uncertainty_ppm),
        person=person,
        made_at=at,
    )


def _older_unit(
    signal: Signal,
    range_: str,
    store: Store,
    serial: str,
    person: str,
    at: datetime,
) -> Proof:
    rows = store.frame("unit_runs", serial=serial)
    rows = rows[rows["range"] == range_]
    before = rows[rows["number"] < signal.number]
    after = rows[rows["number"] > signal.number]
    if before.empty or after.empty:
        when = "before" if before.empty else "since"
        message = f"unit {serial} was not measured on range {range_} {when} the finding"
        raise NoProofError(message)
    if signal.build == str(before["build"].iloc[0]):
        message = f"unit {serial} is of build {signal.build} itself; take an older one"
        raise NoProofError(message)
    first, last = before.iloc[-1], after.iloc[-1]
    return Proof(
        proof=f"{signal.signal}:{last['run']}",
        signal=signal.signal,
        kind=ProofKind.OLDER_UNIT,
        subject=serial,
        readings=(float(last["error_ppm"]),),
        unit=Unit.PPM.value,
        from_value=float(first["error_ppm"]),
        uncertainty=hypot(float(first["uncertainty_ppm"]), last["uncertainty_ppm"]),
        person=person,
        made_at=at,
    )


def _second_meter(
    signal: Signal, range_: str, store: Store, person: str, at: datetime
) -> Proof:
    rows = store.frame("cross_checks", product=signal.product)
    rows = rows[(rows["signal"] == signal.signal) & (rows["range"] == range_)]
    if rows.empty:
        message = f"no second meter was read on range {range_} for this finding"
        raise NoProofError(message)
    last = rows.iloc[-1]
    # What the bench's meter reads too high, the unit truly has less.
    sign = 1.0 if last["role"] == "output" else -1.0
    high_ppm = sign * 1e6 * (last["value"] - last["other"]) / abs(last["other"])
    both = hypot(last["expanded"], last["other_expanded"]) / 2
    return Proof(
        proof=f"{signal.signal}:{last['cross_check']}",
        signal=signal.signal,
        kind=ProofKind.SECOND_METER,
        subject=str(last["meter"]),
        readings=(signal.size_ppm - float(high_ppm),),
        unit=Unit.PPM.value,
        from_value=0.0,
        uncertainty=float(1e6 * both / abs(last["other"])),
        person=person,
        made_at=at,
    )


def _usual_subject(signal: Signal, kind: ProofKind) -> str | None:
    match kind:
        case ProofKind.LOOSE_PARTS:
            return signal.reel
        case ProofKind.FOUR_WIRE:
            return signal.first_serial
        case _:
            return None
