"""A containment as documents: the report to the supplier, the notices to customers."""

from datetime import datetime

from daemon.judging import ProductModel
from daemon.presentation import sentences
from daemon.presentation.documents import (
    Correction,
    NoSupplierError,
    ToleranceClass,
    WithdrawnError,
)
from daemon.presentation.documents.customer import CustomerNotice
from daemon.presentation.documents.supplier import SupplierReport
from daemon.traceability.containment import (
    NO_ERROR_KNOWN,
    Concerned,
    Containment,
    contain,
)
from daemon.traceability.tracing import Records
from storage import Signal, Store

METHOD = (
    "Each finished unit was driven with a known input on every range; the error of a "
    "range follows from reference and output meter, offset removed."
)
OWN_PART = (
    "Range {range} depends on {part} alone among the parts that differ between "
    "ranges: its error is that of {part}."
)
REQUEST = "Replace the parts and say how they came to differ from their label."
NO_REQUEST = "Nothing. If you had this report before, take it as withdrawn."


def report_of_finding(
    records: Records,
    product: ProductModel,
    signal: Signal,
    *,
    issued_at: datetime,
    issuer: str,
) -> SupplierReport:
    """Return what a finding on a reel says to whoever supplied it.

    Of a finding that was withdrawn it says that first, and asks for nothing.

    Raises
    ------
    daemon.presentation.documents.errors.NoSupplierError
        The finding names no reel that was received.
    """
    reel = next((one for one in records.reels if one.reel == signal.reel), None)
    if reel is None or signal.part is None:
        raise NoSupplierError(finding=signal.signal)
    receipt = next((o for o in records.receipts if o.reel == signal.reel), None)
    saying = sentences.finding(signal)
    claim = signal.basis.claim
    return SupplierReport(
        number=f"{signal.signal}-S",
        issued_at=issued_at,
        issuer=issuer,
        supplier=reel.supplier or "the supplier of this reel",
        reel=reel.reel,
        part=signal.part,
        nominal_ohm=float(reel.nominal_ohm),
        tolerance_ppm=float(reel.tolerance_ppm),
        product=product.settings.title,
        finding=(saying.headline, *saying.lines),
        method=(METHOD, *_own_part(product, signal)),
        requested_action=REQUEST if signal.standing else NO_REQUEST,
        received_at=reel.received_at,
        lot_code=reel.lot_code,
        marking=None if receipt is None else receipt.marking,
        quantity=None if receipt is None else receipt.quantity,
        date_code=None if receipt is None else receipt.date_code,
        invoice=None if receipt is None else receipt.invoice,
        claim_until=None if receipt is None else receipt.claim_until,
        units=signal.units,
        size_ppm=signal.size_ppm,
        low_ppm=signal.low_ppm,
        high_ppm=signal.high_ppm,
        incompatible=None if claim is None else claim.incompatible,
        classes=tuple(
            ToleranceClass(tolerance_ppm=tolerance_ppm, probability=share)
            for tolerance_ppm, share in (() if claim is None else claim.classes)
        ),
        withdrawn=None if signal.standing else sentences.withdrawn(signal),
    )


def _own_part(product: ProductModel, signal: Signal) -> tuple[str, ...]:
    """Return how a range's error is its part's; nothing of a part of all ranges."""
    if signal.range is None:
        return ()
    title = product.range(signal.range).title
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
    records = Records.of(store, product.settings.name, product.keys)
    found = contain(store, records, subject)
    if found.withdrawn is not None:
        raise WithdrawnError(why=found.headline())
    return notices(found, product, issued_at=issued_at, issuer=issuer)


def notices(
    containment: Containment,
    product: ProductModel,
    *,
    issued_at: datetime,
    issuer: str,
) -> tuple[CustomerNotice, ...]:
    """Return a notice for every unit that left and may carry what was found."""
    return tuple(
        _notice(containment, one, product, issued_at=issued_at, issuer=issuer)
        for one in containment.noticed
    )


def _notice(
    containment: Containment,
    one: Concerned,
    product: ProductModel,
    *,
    issued_at: datetime,
    issuer: str,
) -> CustomerNotice:
    key = containment.range or product.keys[0]
    title = product.range(key).title
    known = one.verdict not in NO_ERROR_KNOWN
    return CustomerNotice(
        number=f"{containment.subject}-{one.serial}",
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        serial=one.serial,
        destination=one.destination or "",
        contact=product.settings.contact,
        corrections=(
            Correction(
                range=title,
                error_ppm=one.error_ppm,
                uncertainty_ppm=(one.high_ppm - one.low_ppm) / 4,
                measured=one.measured,
            ),
        )
        if known
        else (),
        only_compared=() if known else (title,),
        right=tuple(o.title for o in product.ranges if o.key != key),
        probability=None if one.probability > 1 - 1e-9 else one.probability,
        cause=f"Part {containment.part} comes from a reel that is not as it must be."
        if containment.reel
        else "",
        advice=(
            "Multiply readings of this range by the factor, or send the unit back."
            if known
            else f"Do not rely on {title}; send the unit back.",
        ),
    )
