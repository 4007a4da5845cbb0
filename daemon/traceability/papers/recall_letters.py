"""A containment as documents: the report to the supplier, the notices to customers."""

from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from math import isnan
from typing import Any

from config import ErrorLimit
from daemon.judging import ProductModel
from daemon.presentation import concerns_nobody, figures, sentences
from daemon.presentation.documents import (
    Correction,
    NoSupplierError,
    ToleranceClass,
    UnitValue,
    WithdrawnError,
)
from daemon.presentation.documents.customer import CustomerNotice
from daemon.presentation.documents.supplier import SupplierReport, outside_label
from daemon.traceability.containment import (
    Concerned,
    Containment,
    contain,
    records_about,
)
from daemon.traceability.tracing import Records
from storage import (
    LatestResult,
    Reel,
    Signal,
    Store,
    UnitRow,
    Verdict,
    serial_order,
)

METHOD = (
    "Each finished unit was driven with a known current or voltage on every range. A "
    "reference meter reads what goes in, an output meter what comes out. The error is "
    "how far the output is off, as a share of the reading. Where the output was read "
    "at zero too, that reading is taken off."
)
OWN_PART = (
    "Of the parts that differ between ranges, range {range} has {part} alone: what "
    "moves this range and no other is {part}."
)
EITHER = (
    "Of the parts that differ between ranges, range {range} has {parts}: the readings "
    "cannot tell which of them is off."
)
ASKED_OF_EITHER = (
    "Nothing yet. We measure {parts} one by one first, and write again if it is yours.",
)
ASKED = (
    "Replace the parts of reel {reel}{lot}.",
    "Say which other reels of {the_lot} were delivered, and whether they are off too.",
    "Say how the parts came to differ from their label.",
)
ASKED_OF_DOUBT = (
    "Say whether something changed in how the parts of reel {reel}{lot} were made.",
)
NOT_ASKED = ("Nothing. If you had this report before, take it as withdrawn.",)
BEFORE = 12
"""Units with earlier reels that stand beside those with the suspect one."""
LIKELY = 0.5


def report_of_finding(
    records: Records,
    product: ProductModel,
    signal: Signal,
    *,
    issued_at: datetime,
    issuer: str,
    before_rework: Collection[UnitRow] = (),
) -> SupplierReport:
    """Return what a finding on a reel says to whoever supplied it.

    Of a finding that was withdrawn it says that first, and asks for nothing.

    Parameters
    ----------
    before_rework
        What units read last with the part that was replaced since.

    Raises
    ------
    daemon.presentation.documents.errors.NoSupplierError
        The finding names no reel that was received.
    daemon.presentation.documents.errors.WithdrawnError
        It was withdrawn without ever naming one.
    """
    reel = next((one for one in records.reels if one.reel == signal.reel), None)
    if reel is None or signal.part is None:
        if not signal.standing:
            raise WithdrawnError(why=concerns_nobody(signal))
        raise NoSupplierError(finding=signal.signal)
    receipt = next((o for o in records.receipts if o.reel == signal.reel), None)
    basis = signal.basis
    claim = basis.claim
    titles = [] if signal.range is None else [product.range(signal.range).title]
    ends = basis.implied_interval_ohm
    measured, others = (
        _measured(records, product, signal, before_rework)
        if signal.standing
        else ((), 0)
    )
    return SupplierReport(
        number=f"{signal.signal}-S",
        issued_at=issued_at,
        issuer=issuer,
        supplier=reel.supplier or "",
        reel=reel.reel,
        part=signal.part,
        either=sentences.possible_parts(signal) if signal.standing else "",
        nominal_ohm=float(reel.nominal_ohm),
        tolerance_ppm=float(reel.tolerance_ppm),
        product=product.settings.title,
        contact=product.settings.contact,
        method=(METHOD, *_own_part(product, signal)),
        asked=_asked(signal, reel),
        ranges=tuple(titles or basis.range_titles),
        received_at=reel.received_at,
        lot_code=reel.lot_code,
        marking=None if receipt is None else receipt.marking,
        quantity=None if receipt is None else receipt.quantity,
        date_code=None if receipt is None else receipt.date_code,
        invoice=None if receipt is None else receipt.invoice,
        claim_until=None if receipt is None else receipt.claim_until,
        units=signal.units,
        first_serial=signal.first_serial,
        size_ppm=signal.size_ppm,
        low_ppm=signal.low_ppm,
        high_ppm=signal.high_ppm,
        part_ohm=signal.implied_ohm,
        part_low_ohm=ends[0] if ends else None,
        part_high_ohm=ends[-1] if ends else None,
        spread_factor=basis.spread_factor,
        cause=signal.probability if signal.standing else None,
        incompatible=None if claim is None else claim.incompatible,
        classes=tuple(
            ToleranceClass(tolerance_ppm=tolerance_ppm, probability=share)
            for tolerance_ppm, share in _classes(signal)
        ),
        other_value=_other_value(signal) if signal.standing else "",
        measured=measured,
        others=others,
        elsewhere=len(
            {
                one.serial
                for one in measured
                if one.reel == signal.reel
                and records.unit(one.serial).build != signal.build
            }
        ),
        withdrawn=None if signal.standing else sentences.withdrawn(signal),
    )


def _classes(signal: Signal) -> tuple[tuple[float, float], ...]:
    """Return of which classes the parts may be; none where the label may be right.

    Nor where they are rather of another value, or nobody can tell.
    """
    claim = signal.basis.claim
    if claim is None or claim.incompatible <= LIKELY or not signal.standing:
        return ()
    if sentences.class_untold(signal) is not None:
        return ()
    if sentences.is_of_another_value(signal):
        return ()
    return claim.classes


def _other_value(signal: Signal) -> str:
    """Say which other value would explain it, and why no class stands beside it."""
    untold = sentences.class_untold(signal) or ""
    return f"{sentences.other_value(signal)}{untold}".strip()


def _asked(signal: Signal, reel: Reel) -> tuple[str, ...]:
    """Return what is asked of the supplier, in the order of what matters to us."""
    if not signal.standing:
        return NOT_ASKED
    if signal.basis.possible_parts:
        parts = sentences.part_names(signal)
        return tuple(one.format(parts=parts) for one in ASKED_OF_EITHER)
    claim = signal.basis.claim
    off = signal.low_ppm, signal.high_ppm
    plain = (
        outside_label(*off, float(reel.tolerance_ppm))
        if claim is None
        else claim.incompatible > LIKELY
    )
    lot = f" of lot {reel.lot_code}" if reel.lot_code else ""
    the_lot = f"lot {reel.lot_code}" if reel.lot_code else "the same lot"
    return tuple(
        one.format(reel=reel.reel, lot=lot, the_lot=the_lot)
        for one in (ASKED if plain else ASKED_OF_DOUBT)
    )


def _measured(
    records: Records,
    product: ProductModel,
    signal: Signal,
    before_rework: Collection[UnitRow],
) -> tuple[tuple[UnitValue, ...], int]:
    """Return what units with the reel read, after the last ones with other reels.

    Both in the order of serials; and how many units there are with other reels. Of a
    unit whose part was replaced stands what it read with the part of before.
    """
    keys = (
        [signal.range]
        if signal.range is not None
        else [
            one.key for one in product.ranges if one.title in signal.basis.range_titles
        ]
    )
    carriers = {unit.serial for unit, _ in records.carriers(str(signal.reel))}
    found = []
    then = {(one.serial, one.range): one for one in before_rework}
    for latest in records.errors:
        if latest.range not in keys:
            continue
        unit = records.unit(latest.serial)
        reels = records.reels_of(unit)
        one: LatestResult | UnitRow = latest
        if (latest.serial, latest.range) in then:
            one = then[latest.serial, latest.range]
            reels = records.reels_before_rework(unit)
            if reels.get(str(signal.part)) == signal.reel:
                carriers.add(one.serial)
        value = UnitValue(
            serial=one.serial,
            range=product.range(one.range).title,
            measured_at=one.started_at,
            reel=reels.get(str(signal.part), ""),
            error_ppm=one.error_ppm,
            uncertainty_ppm=one.uncertainty_ppm,
            limit_ppm=one.limit_ppm,
        )
        if not latest.only_compared:
            found.append((one.serial in carriers, value))
    before = [value for carries, value in found if not carries]
    # By when they were measured: rows of a sheet may come in any order.
    in_time = sorted(
        before, key=lambda one: (one.measured_at, serial_order(one.serial))
    )
    others = list(dict.fromkeys(one.serial for one in reversed(in_time)))
    last = {*others[:BEFORE]}
    shown = [one for one in before if one.serial in last]
    after = [value for carries, value in found if carries]

    def place(one: UnitValue) -> tuple[Any, ...]:
        return serial_order(one.serial)

    return (*sorted(shown, key=place), *sorted(after, key=place)), len(others)


def _own_part(product: ProductModel, signal: Signal) -> tuple[str, ...]:
    """Return how a range's error is its part's; nothing of a part of all ranges."""
    if signal.range is None:
        return ()
    title = product.range(signal.range).title
    if several := signal.basis.possible_parts:
        names = " and ".join(one.part for one in several)
        return (EITHER.format(range=title, parts=names),)
    return (OWN_PART.format(range=title, part=signal.part),)


def notices_of(
    store: Store,
    product: ProductModel,
    subject: str,
    *,
    issued_at: datetime,
    issuer: str,
) -> tuple[CustomerNotice, ...]:
    """Return a notice for every unit that left and may carry what was found.

    Parameters
    ----------
    subject
        A finding, or a reel.

    Raises
    ------
    storage.errors.NotFoundError
        There is no such finding or reel.
    daemon.presentation.documents.errors.WithdrawnError
        The finding was withdrawn.
    """
    records = records_about(store, product.settings.name, product.keys, subject)
    found = contain(store, records, subject, product)
    if found.withdrawn is not None:
        raise WithdrawnError(why=found.headline())
    return notices(records, found, product, issued_at=issued_at, issuer=issuer)


def notices(
    records: Records,
    containment: Containment,
    product: ProductModel,
    *,
    issued_at: datetime,
    issuer: str,
) -> tuple[CustomerNotice, ...]:
    """Return a notice for every unit that left and may carry what was found."""
    return tuple(
        notice(
            records,
            product,
            one.serial,
            [(containment, one)],
            number=f"{containment.subject}-{one.serial}",
            issued_at=issued_at,
            issuer=issuer,
        )
        for one in containment.noticed
    )


def notice(
    records: Records,
    product: ProductModel,
    serial: str,
    concerned: Sequence[tuple[Containment, Concerned]],
    *,
    number: str,
    issued_at: datetime,
    issuer: str,
) -> CustomerNotice:
    """Return what the holder of one unit must know, whoever asks for it.

    Parameters
    ----------
    records
        That know the unit.
    concerned
        What was found that concerns it, each as its containment lists the unit.
    """
    errors = records.errors_of(serial)
    moved: dict[str, Concerned] = {}
    for found, one in concerned:
        if one.measured and one.probability < LIKELY:
            continue
        keys = product.keys if found.range is None else [found.range]
        for key in keys:
            if key not in moved or one.probability > moved[key].probability:
                moved[key] = one
    corrections, right, compared, unknown = [], [], [], []
    for of_range in product.ranges:
        row, found_on = errors.get(of_range.key), moved.get(of_range.key)
        if row is None and (found_on is None or isnan(found_on.error_ppm)):
            unknown.append(of_range.title)
        elif row is None and found_on is not None:
            corrections.append(
                Correction(
                    range=of_range.title,
                    error_ppm=found_on.error_ppm,
                    uncertainty_ppm=(found_on.high_ppm - found_on.low_ppm) / 4,
                    limit_ppm=_limit_ppm(found_on.limit_ppm, of_range.settings.limit),
                    limit=figures.limit(of_range.settings.limit),
                    measured=False,
                    outside=None
                    if isnan(found_on.nonconforming)
                    else found_on.nonconforming,
                )
            )
        elif (
            row is not None
            and row.only_compared
            and not (row.verdict == Verdict.LIKE_KNOWN_GOOD and found_on is None)
        ):
            compared.append(of_range.title)
        elif row is not None:
            good = row.verdict in {Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD}
            if good and found_on is None:
                right.append(of_range.title)
                continue
            corrections.append(
                Correction(
                    range=of_range.title,
                    error_ppm=row.error_ppm,
                    uncertainty_ppm=row.uncertainty_ppm,
                    limit_ppm=row.limit_ppm,
                    limit=figures.limit(of_range.settings.limit),
                    inside=good,
                    not_inside="outside"
                    if row.verdict == Verdict.NONCONFORMING
                    else "not surely inside",
                )
            )
    predicted = [o.probability for o in moved.values() if not o.measured]
    uncertain = min(predicted, default=1.0)
    shipped, build = records.shipment_of(serial), records.unit(serial).build
    return CustomerNotice(
        number=number,
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        serial=serial,
        destination="" if shipped is None else shipped.destination,
        contact=product.settings.contact,
        corrections=tuple(corrections),
        right=tuple(right),
        only_compared=tuple(compared),
        not_measured=tuple(unknown),
        probability=None if uncertain > 1 - 1e-9 else uncertain,
        cause=" ".join(_causes(product, concerned)),
        # Of a build that left without serials nobody knows which units are gone.
        has_left=shipped is not None or any(o.build == build for o in records.past),
    )


def _limit_ppm(known_ppm: float, limit: ErrorLimit) -> float:
    """Return what a limit comes to: as judged last, else at full scale."""
    if isnan(known_ppm):
        return limit.of_reading_ppm + limit.of_full_scale_ppm
    return known_ppm


def _causes(
    product: ProductModel, concerned: Sequence[tuple[Containment, Concerned]]
) -> Iterator[str]:
    """Say in words for a customer what was found, once each."""
    said: dict[str, None] = {}
    for found, _ in concerned:
        on = (
            "every range"
            if found.range is None
            else f"range {product.range(found.range).title}"
        )
        if found.either:
            said[
                f"A part that sets {on} ({found.part}) differs from those before. We "
                "found that after units with such parts had been made."
            ] = None
        elif found.reel:
            said[
                f"Part {found.part} sets {on}. It comes from a delivery whose parts "
                "differ from those before. We found that after units with such parts "
                "had been made."
            ] = None
        elif len(found.concerned) == 1:
            said[f"This unit alone was found to read off on {on}."] = None
        else:
            said[f"Units made with this one were found to read off on {on}."] = None
    yield from said
