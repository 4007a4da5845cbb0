"""What the letters to a supplier and to a customer say."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from itertools import count

from daemon.judging import ProductModel
from daemon.presentation.documents import (
    PAPER,
    Image,
    Sample,
    drawn,
)
from daemon.presentation.documents.customer import CustomerNotice
from daemon.presentation.documents.supplier import SupplierReport
from daemon.presentation.plots import parts_against_claim
from daemon.traceability.containment import contain, of_records, records_about
from daemon.traceability.papers.charts import by_age, charts_of
from daemon.traceability.papers.of_bench import (
    instruments_of,
    settings_of,
    standards_of,
)
from daemon.traceability.papers.recall_letters import notice, report_of_finding
from daemon.traceability.tracing import Records
from daemon.watch import narrowed
from storage import (
    Cause,
    LatestResult,
    NotFoundError,
    Proof,
    ProofKind,
    ReworkKind,
    Signal,
    Store,
    UnitRow,
    finding_of,
    proofs_on,
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
    proofs = proofs_on(store, signal)
    signal = narrowed(signal, proofs, product)
    builds = [*by_age(store, name)]
    place = builds.index(signal.build)
    # Units of the build before show how it was, whatever reel they carry.
    near = builds[max(0, place - 1) : place + 1]
    records = Records.of(store, name, product.keys, about=[signal.reel or "", *near])
    before_rework = _before_rework(store, records, signal)
    made = report_of_finding(
        records,
        product,
        signal,
        issued_at=issued_at,
        issuer=issuer,
        before_rework=before_rework,
    )
    sessions = _sessions(store, name, signal)
    body = settings_of(store, _configuration(store, signal))
    seen = replace(
        made,
        asked=(ask,) if ask else made.asked,
        label=label,
        photos=photos,
        instruments=instruments_of(store, sessions, body),
        standards=standards_of(store, product, body, sessions),
        charts=charts_of(
            store,
            product,
            near,
            ranges=[one.key for one in product.ranges if one.title in made.ranges],
            before_rework=before_rework,
        )
        if signal.standing
        else (),
    )
    return _with_samples(seen, proofs)


def _before_rework(
    store: Store, records: Records, signal: Signal
) -> tuple[UnitRow, ...]:
    """Return what units read last before the suspect part was replaced in them."""
    replaced: dict[str, datetime] = {}
    for one in records.reworks:
        if one.part == signal.part and one.kind is ReworkKind.REPLACE:
            known = replaced.get(one.serial, one.reworked_at)
            replaced[one.serial] = min(known, one.reworked_at)
    last: dict[tuple[str, str], UnitRow] = {}
    for serial, at in replaced.items():
        for row in store.rows(UnitRow, serial=serial):
            if row.started_at < at:
                last[serial, row.range] = row.judged_last()
    return tuple(last.values())


def _sessions(store: Store, product: str, signal: Signal) -> dict[str, date]:
    """Return the sessions in which a finding's build was measured, with their day."""
    rows = store.rows(LatestResult, product=product, build=signal.build)
    return {
        one.session: one.started_at.date()
        for one in sorted(rows, key=lambda one: one.number)
    }


def _configuration(store: Store, signal: Signal) -> str:
    """Return by which settings the finding's first unit was judged."""
    runs = store.rows(UnitRow, serial=signal.first_serial)
    return runs[-1].configuration


def _with_samples(report: SupplierReport, proofs: Sequence[Proof]) -> SupplierReport:
    """Add the parts that were measured to settle a finding, and their chart."""
    samples = []
    loose_parts = count(1)
    for proof in proofs:
        if proof.unit != "ohm":
            continue
        loose = proof.kind is ProofKind.LOOSE_PARTS
        for place, value in enumerate(proof.readings, 1):
            samples.append(
                Sample(
                    subject=f"loose part {next(loose_parts)}"
                    if loose
                    else f"{proof.subject} {place}",
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
    return replace(report, samples=tuple(samples), charts=(strip, *report.charts))


def customer_notice(
    store: Store,
    product: ProductModel,
    serial: str,
    *,
    issued_at: datetime,
    issuer: str,
) -> CustomerNotice:
    """Return what the holder of a unit must know: what is measured, what is predicted.

    Raises
    ------
    storage.errors.NotFoundError
        The unit was never measured, and nothing that was found concerns it.
    """
    name = product.settings.name
    concerned = []
    for signal in store.rows(Signal, "signals", product=name):
        if not signal.standing or signal.cause is Cause.CHART:
            continue
        about = [serial, signal.build, *([signal.reel] if signal.reel else [])]
        records = Records.of(store, name, product.keys, about=about)
        if not records.is_unit(serial):
            continue
        found = of_records(
            records,
            signal.signal,
            narrowed(signal, proofs_on(store, signal), product),
        )
        mine = [one for one in found.concerned if one.serial == serial]
        if any(not one.measured for one in mine):
            # Predicted as the containment does: one unit, one number.
            found = contain(
                store,
                records_about(store, name, product.keys, signal.signal),
                signal.signal,
                product,
            )
            mine = [one for one in found.concerned if one.serial == serial]
        concerned += [(found, one) for one in mine]
    records = Records.of(store, name, product.keys, about=[serial])
    if not records.is_unit(serial) or not (concerned or records.errors_of(serial)):
        raise NotFoundError(kind="unit", key=serial)
    return notice(
        records,
        product,
        serial,
        concerned,
        number=f"CN-{serial}",
        issued_at=issued_at,
        issuer=issuer,
    )
