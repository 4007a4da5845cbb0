"""Measurements that settle a finding: typed by a person, or taken from the bench."""

from collections.abc import Collection, Container, Iterable, Sequence
from datetime import datetime
from math import hypot, sqrt
from statistics import fmean
from typing import TYPE_CHECKING
from uuid import uuid4

from config import (
    Bench,
    HoldpointError,
    KnownStandard,
    QuantityError,
    Unit,
    parse,
)
from daemon.judging import ProductModel, StandardsThen
from daemon.watch import (
    PART_OF,
    UNITS,
    replaced_parts,
    sharpened,
    taken_from,
    unit_to_read,
)
from storage import (
    HoldState,
    Proof,
    ProofKind,
    Rework,
    ReworkOf,
    RunKind,
    Signal,
    Store,
)

if TYPE_CHECKING:
    import pandas as pd  # slow to load, and few commands ask for a frame

__all__ = [
    "FARTHEST",
    "USUAL_METER_PPM",
    "NoProofError",
    "limits_of_meter_ppm",
    "not_by_bench",
    "of_bench",
    "of_person",
    "older_units",
    "part_and_subject",
    "replaced_in",
    "replaced_on",
    "require_part",
    "sharpened_now",
    "taken",
]

USUAL_METER_PPM = 200.0
"""Limits of error of a meter whose accuracy was not said, ppm of reading."""
FARTHEST = 0.5
"""A part further than this share from its nominal value is another, or a slip."""


def sharpened_now(
    raised: Sequence[Signal],
    proofs: Sequence[Proof],
    holds: Sequence[HoldState],
    *,
    product: ProductModel,
    reworks: Iterable[Rework],
    near: Container[str] = (),
) -> list[Signal]:
    """Return findings, each after what was measured to settle it.

    What would settle one next takes long to work out: of those on builds long gone
    that hold nothing it is left out, since nobody asks for it any more.

    Parameters
    ----------
    reworks
        Nothing is asked for on a unit whose part was replaced.
    near
        Builds that are shown.
    """
    asked_of = {one.signal for one in holds if one.disposal is None}
    asked_of |= {one.signal for one in proofs}
    mine = [one for one in raised if one.build in near or one.signal in asked_of]
    after = sharpened(mine, proofs, product, replaced=replaced_parts(reworks))
    told = {one.signal: one for one in after}
    return [told.get(one.signal, one) for one in raised]


class NoProofError(HoldpointError, ValueError):
    """A measurement that cannot help to settle this finding, and why."""


def taken(
    signal: Signal,
    kind: ProofKind,
    texts: Sequence[str],
    product: ProductModel,
    *,
    store: Store,
    bench: Bench | None,
    person: str,
    at: datetime,
    subject: str | None = None,
    meter: str | None = None,
) -> Proof:
    """Return what a person read; where nothing was typed, what the bench measured.

    Parameters and errors are those of `of_person` and `of_bench`.
    """
    if texts:
        return of_person(
            signal, kind, texts, product,
            person=person, at=at, subject=subject, meter=meter,
            replaced=replaced_in(store, signal.product),
        )  # fmt: skip
    return of_bench(signal, kind, store, bench, person=person, serial=subject)


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
    replaced: Collection[tuple[str, str]] = (),
) -> Proof:
    """Return what a person read, as typed: ohms, or errors in % or ppm.

    Parameters
    ----------
    texts
        One a reading: "10.031k", or "+0.02 %" from what it should read.
    subject
        Which unit, reel or meter. Where the finding may be of one of several parts also
        the part: "R3", or "R3 of PA-1007"; left out, it is told by the value.
    meter
        The accuracy of the meter, such as "0.02 %"; its limits of error.
    replaced
        From `replaced_in`: a unit whose part is another one now is not meant.

    Raises
    ------
    NoProofError
        Nothing was typed, a text is no such quantity, the finding names no part, or
        loose parts are of no reel that anybody named.
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
        limits_ppm = limits_of_meter_ppm(meter)
    except QuantityError as exc:
        raise NoProofError(str(exc)) from exc
    from_value, scale = 0.0, 1.0
    if unit is Unit.OHM:
        if signal.part is None:
            message = "the finding names no part, so no part tells anything about it"
            raise NoProofError(message)
        part, subject = part_and_subject(
            signal, kind, subject, product, readings_ohm=readings, replaced=replaced
        )
        from_value = scale = product.nominal_ohm[part]
        for one in readings:
            require_part(one, from_value, what=part)
        scale *= 1e-6
    of = subject or _usual_subject(signal, kind, replaced)
    if kind is ProofKind.LOOSE_PARTS and of is None:
        message = "say with --of which reel the parts are of: the finding names none"
        raise NoProofError(message)
    if kind is ProofKind.FOUR_WIRE and of is None:
        raise NoProofError(replaced_on(signal))
    return Proof(
        proof=uuid4().hex,
        signal=signal.signal,
        kind=kind,
        subject=of,
        readings=readings,
        unit=unit.value,
        from_value=from_value,
        # Limits of error, taken as a uniform distribution (JCGM 100, 4.3.7).
        uncertainty=scale * limits_ppm / sqrt(3),
        person=person.strip(),
        made_at=at,
    )


def part_and_subject(
    signal: Signal,
    kind: ProofKind,
    subject: str | None,
    product: ProductModel,
    *,
    readings_ohm: Sequence[float] = (),
    usual: str | None = None,
    replaced: Collection[tuple[str, str]] = (),
) -> tuple[str, str | None]:
    """Return which part is measured, and what is kept of which one it was.

    Parameters
    ----------
    signal
        One that names a part.
    subject
        As it was said: a unit or a reel, with the part before it or without.
    readings_ohm
        What was read, ohm: tells the part where the subject does not.
    usual
        The part where nothing tells it.
    replaced
        From `replaced_in`.

    Raises
    ------
    NoProofError
        The finding may be of one of several parts, and nothing tells which was read;
        or none is known to be on its board as it was found.
    """
    parts = signal.basis.possible_parts
    if not parts:
        return str(signal.part), subject
    said = (subject or "").strip()
    name, _, rest = said.partition(PART_OF)
    chosen = [one for one in parts if one.part == name]
    if chosen:
        said = rest.strip()
    else:
        chosen = [one for one in parts if said and one.reel == said]
    if not chosen:
        chosen = [
            one
            for one in parts
            if readings_ohm
            and all(_near(each, product.nominal_ohm[one.part]) for each in readings_ohm)
        ]
    if not chosen:
        chosen = [one for one in parts if one.part == usual]
    if len(chosen) != 1:
        names = " or ".join(f"{one.part} ({_ohm(product, one.part)})" for one in parts)
        message = f"say which part was measured: {names}"
        if len(readings_ohm) > 1:
            message += (
                ". Readings of two parts are recorded one part after the other: first "
                f"those of {parts[0].part}, then those of {parts[1].part}"
            )
        raise NoProofError(message)
    (one,) = chosen
    loose = kind is ProofKind.LOOSE_PARTS
    usual = one.reel if loose else unit_to_read(signal, replaced)
    if loose and not (said or usual):
        message = f"say of which reel the parts {one.part} are"
        raise NoProofError(message)
    if not (said or usual):
        raise NoProofError(replaced_on(signal))
    return one.part, f"{one.part}{PART_OF}{said or usual}"


def replaced_in(store: Store, product: str) -> frozenset[tuple[str, str]]:
    """Return which parts of which units are others now than they were measured with."""
    return replaced_parts(store.rows(ReworkOf, product=product))


def replaced_on(signal: Signal) -> str:
    """Say that no unit is known that still has the part as it was found."""
    return (
        f"part {signal.part} of unit {signal.first_serial} was replaced since: say "
        "which other unit was measured"
    )


def _near(value_ohm: float, nominal_ohm: float) -> bool:
    return abs(value_ohm / nominal_ohm - 1) <= FARTHEST


def _ohm(product: ProductModel, part: str) -> str:
    return f"{product.nominal_ohm[part]:g} ohm"


def require_part(value_ohm: float, nominal_ohm: float, *, what: str) -> None:
    """Refuse what is so far from nominal that it is another part, or a slip.

    Raises
    ------
    NoProofError
        It is.
    """
    if not _near(value_ohm, nominal_ohm):
        message = (
            f"{value_ohm:g} ohm is no {what} of {nominal_ohm:g} ohm; check units and "
            "prefixes"
        )
        raise NoProofError(message)


def limits_of_meter_ppm(text: str | None) -> float:
    """Return a meter's limits of error as they were typed; the usual ones if not.

    Raises
    ------
    config.errors.QuantityError
        The text is no share.
    NoProofError
        No meter is so good.
    """
    if text is None:
        return USUAL_METER_PPM
    limits_ppm = parse(text, Unit.PPM)
    if limits_ppm <= 0:
        message = f"the meter's accuracy must be above 0, and {text} is not"
        raise NoProofError(message)
    return limits_ppm


def not_by_bench(signal: Signal, kind: ProofKind, bench: Bench | None) -> str | None:
    """Return why the bench cannot make a measurement; None where it can."""
    ohms = UNITS[kind] is Unit.OHM
    lacking = None
    if bench is None:
        lacking = "no instruments are connected"
    elif ohms and bench.ohmmeter is None:
        lacking = "bench.toml names no ohmmeter"
    elif not ohms and signal.range is None and signal.part is not None:
        lacking = "several ranges feel the part, each otherwise"
    elif not ohms and bench.all_typed:
        lacking = "this bench is read by hand"
    elif kind is ProofKind.SECOND_METER and {"reference", "output"} & {*bench.typed}:
        lacking = "a meter of this bench is read by hand"
    elif kind is ProofKind.CHECK_STANDARD and bench.check_standard is None:
        lacking = "bench.toml names no check standard"
    return lacking and f"{lacking}: type what was read"


def older_units(signal: Signal, store: Store) -> list[str]:
    """Return units of other builds that were good before a finding, the newest first.

    Those that have left are none: they are not in the house.
    """
    found = store.table(
        "good_before",
        product=signal.product,
        build=signal.build,
        before=signal.number,
        range=signal.range,
    )
    return [str(one) for one in found.column("serial").to_pylist()]


def of_bench(
    signal: Signal,
    kind: ProofKind,
    store: Store,
    bench: Bench | None,
    *,
    person: str,
    serial: str | None = None,
) -> Proof:
    """Return what the bench has measured since the finding was raised.

    A finding on all ranges is settled by the mean over them.

    Parameters
    ----------
    serial
        Of the older unit.

    Raises
    ------
    NoProofError
        The bench has measured no such thing.
    """
    reason = not_by_bench(signal, kind, bench)
    match kind:
        case _ if reason is not None:
            raise NoProofError(reason)
        case ProofKind.CHECK_STANDARD if bench and bench.check_standard:
            return _check_standard(signal, store, bench.check_standard, person)
        case ProofKind.OLDER_UNIT if serial is not None:
            return _older_unit(signal, store, serial, person)
        case ProofKind.SECOND_METER:
            return _second_meter(signal, store, person)
        case ProofKind.OLDER_UNIT:
            message = "say which older unit was measured again"
        case _:
            message = f"{kind.value}: have the bench run it, or type what was read"
    raise NoProofError(message)


def _check_standard(
    signal: Signal, store: Store, standard: KnownStandard, person: str
) -> Proof:
    rows = store.frame(
        "range_rows",
        product=signal.product,
        after=signal.number,
        kind=RunKind.CHECK.value,
    )
    rows = _on(signal, rows)
    if rows.empty:
        message = (
            f"the check standard was not run on {_where(signal)} since the finding: "
            "run it (holdpoint bench check)"
        )
        raise NoProofError(message)
    last = rows[rows["number"] == rows["number"].max()]
    configuration, serial = last["configuration"].iloc[0], last["serial"].iloc[0]
    standard = StandardsThen(store).of(configuration, serial) or standard
    known_ppm = [standard.error_ppm[one] for one in last["range"]]
    return Proof(
        proof=taken_from(signal, str(last["run"].iloc[0])),
        signal=signal.signal,
        kind=ProofKind.CHECK_STANDARD,
        subject=str(last["serial"].iloc[0]),
        readings=(float(last["error_ppm"].mean()),),
        unit=Unit.PPM.value,
        from_value=fmean(known_ppm),
        uncertainty=hypot(
            float(last["uncertainty_ppm"].mean()), standard.uncertainty_ppm
        ),
        person=person,
        made_at=last["started_at"].iloc[0].to_pydatetime(),
    )


def _older_unit(signal: Signal, store: Store, serial: str, person: str) -> Proof:
    rows = _on(signal, store.frame("unit_runs", serial=serial))
    before = rows[rows["number"] < signal.number]
    after = rows[rows["number"] > signal.number]
    if before.empty or after.empty:
        when = "before" if before.empty else "since"
        message = (
            f"unit {serial} was not measured on {_where(signal)} {when} the finding"
        )
        raise NoProofError(message)
    if signal.build == str(before["build"].iloc[0]):
        message = f"unit {serial} is of build {signal.build} itself; take an older one"
        raise NoProofError(message)
    last = after[after["number"] == after["number"].max()]
    before = before[before["range"].isin(last["range"])]
    first = before.groupby("range").last().loc[list(last["range"])]
    return Proof(
        proof=taken_from(signal, str(last["run"].iloc[0])),
        signal=signal.signal,
        kind=ProofKind.OLDER_UNIT,
        subject=serial,
        readings=(float(last["error_ppm"].mean()),),
        unit=Unit.PPM.value,
        from_value=float(first["error_ppm"].mean()),
        uncertainty=hypot(
            float(first["uncertainty_ppm"].mean()),
            float(last["uncertainty_ppm"].mean()),
        ),
        person=person,
        made_at=last["started_at"].iloc[0].to_pydatetime(),
    )


def _second_meter(signal: Signal, store: Store, person: str) -> Proof:
    rows = store.frame("cross_check", product=signal.product)
    rows = _on(signal, rows[rows["signal"] == signal.signal])
    if rows.empty:
        message = f"no second meter was read on {_where(signal)} for this finding"
        raise NoProofError(message)
    last = rows.iloc[-1]
    # What the bench's meter reads too high, the unit truly has less.
    sign = 1.0 if last["role"] == "output" else -1.0
    high_ppm = sign * 1e6 * (last["value"] - last["other"]) / abs(last["other"])
    both = hypot(last["expanded"], last["other_expanded"]) / 2
    return Proof(
        proof=taken_from(signal, str(last["cross_check"])),
        signal=signal.signal,
        kind=ProofKind.SECOND_METER,
        subject=str(last["meter"]),
        readings=(signal.size_ppm - float(high_ppm),),
        unit=Unit.PPM.value,
        from_value=0.0,
        uncertainty=float(1e6 * both / abs(last["other"])),
        person=person,
        made_at=last["measured_at"].to_pydatetime(),
    )


def _on(signal: Signal, rows: "pd.DataFrame") -> "pd.DataFrame":
    """Return the rows of the range that a finding is on, or of all."""
    return rows if signal.range is None else rows[rows["range"] == signal.range]


def _where(signal: Signal) -> str:
    return (
        "any range"
        if signal.range is None
        else f"range {signal.basis.range_title or signal.range}"
    )


def _usual_subject(
    signal: Signal, kind: ProofKind, replaced: Collection[tuple[str, str]]
) -> str | None:
    match kind:
        case ProofKind.LOOSE_PARTS:
            return signal.reel
        case ProofKind.FOUR_WIRE:
            return unit_to_read(signal, replaced)
        case _:
            return None
