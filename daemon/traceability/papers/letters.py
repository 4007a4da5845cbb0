"""What the letters to a supplier and to a customer say."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from daemon.judging import ProductModel
from daemon.presentation.documents import (
    PAPER,
    Correction,
    Image,
    Sample,
    drawn,
)
from daemon.presentation.documents.customer import CustomerNotice
from daemon.presentation.documents.supplier import SupplierReport
from daemon.presentation.plots import parts_against_claim
from daemon.traceability.papers.recall_letters import (
    report_of_finding,
)
from daemon.traceability.tracing import Records
from storage import (
    Cause,
    LatestResult,
    NotFoundError,
    Proof,
    ProofKind,
    Shipment,
    Signal,
    Store,
    Verdict,
    finding_of,
    proofs_on,
    serial_order,
)


def supplier_report(
    store: Store,
    product: ProductModel,
    finding: str,
    *,
    issued_at: datetime,
    issuer: str,
    ask: str | None = None,
    label: Image | None = None,
    photos: tuple[Image, ...] = (),
) -> SupplierReport:
    """Return what a finding says to whoever supplied the reel that it names.

    Parameters
    ----------
    ask
        What is asked of the supplier, in place of what its finding asks.
    label, photos
        Of the reel's label, and whatever else is to be seen.

    Raises
    ------
    storage.errors.NotFoundError
        There is no such finding.
    daemon.presentation.documents.errors.NoSupplierError
        The finding names no reel that was received.
    """
    name = product.settings.name
    signal = finding_of(store, name, finding)
    made = report_of_finding(
        Records.of(store, name, product.keys, about=[signal.reel or ""]),
        product,
        signal,
        issued_at=issued_at,
        issuer=issuer,
    )
    seen = replace(
        made,
        requested_action=ask or made.requested_action,
        label=label,
        photos=photos,
    )
    return _with_samples(seen, proofs_on(store, signal))


def _with_samples(report: SupplierReport, proofs: Sequence[Proof]) -> SupplierReport:
    """Add the parts that were measured to settle a finding, and their chart."""
    samples = []
    for proof in proofs:
        if proof.unit != "ohm":
            continue
        loose = proof.kind is ProofKind.LOOSE_PARTS
        for place, value in enumerate(proof.readings, 1):
            samples.append(
                Sample(
                    subject=f"{'loose part' if loose else proof.subject} {place}",
                    ohm=value,
                    uncertainty_ohm=proof.uncertainty,
                    method="loose, unpowered" if loose else "four-wire, on the board",
                )
            )
    if not samples:
        return report
    chart = parts_against_claim(
        [(one.ohm / report.nominal_ohm - 1) * 1e6 for one in samples],
        report.tolerance_ppm,
        look=PAPER,
    )
    strip = drawn(
        chart,
        caption=f"Measured parts of reel {report.reel}; one dot a part.",
        words=f"{len(samples)} parts against their claim",
    )
    return replace(report, samples=tuple(samples), charts=(strip,))


def _concerns(found: Signal, serial: str) -> bool:
    """Whether a unit of the finding's build is one of those that it is about."""
    if found.cause is Cause.UNIT:
        return serial == found.first_serial
    return serial_order(serial) >= serial_order(found.first_serial)


def customer_notice(
    store: Store,
    product: ProductModel,
    serial: str,
    *,
    issued_at: datetime,
    issuer: str,
) -> CustomerNotice:
    """Return what the holder of a unit must know, from its own latest errors.

    Raises
    ------
    storage.errors.NotFoundError
        The unit was never measured.
    """
    name = product.settings.name
    errors = store.rows(LatestResult, product=name, serial=serial)
    mine = {one.range: one for one in errors}
    if not mine:
        raise NotFoundError(kind="measured unit", key=serial)
    first = next(iter(mine.values()))
    moved = {
        one.range
        for one in store.rows(Signal, "signals", product=name)
        if one.standing and one.build == first.build and _concerns(one, serial)
    }
    wrong, right, compared = [], [], []
    for one in product.ranges:
        row = mine.get(one.key)
        if row is None:
            continue
        good = row.verdict in {Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD}
        if good and one.key not in moved and None not in moved:
            right.append(one.title)
            continue
        if row.only_compared:
            compared.append(one.title)
            continue
        wrong.append(
            Correction(
                range=one.title,
                error_ppm=row.error_ppm,
                uncertainty_ppm=row.uncertainty_ppm,
            )
        )
    shipped = store.rows(Shipment, product=name, serial=serial)
    return CustomerNotice(
        number=f"CN-{serial}",
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        serial=serial,
        destination=shipped[-1].destination if shipped else "",
        corrections=tuple(wrong),
        contact=product.settings.contact,
        right=tuple(right),
        only_compared=tuple(compared),
        advice=_advice(factors=bool(wrong), compared=compared),
    )


def _advice(*, factors: bool, compared: Sequence[str]) -> tuple[str, ...]:
    said = []
    if factors:
        said.append("Multiply readings by the factor above, or send the unit back.")
    if compared:
        said.append(f"Do not rely on {', '.join(compared)}; send the unit back.")
    return tuple(said)
