"""What the record of a unit says."""

import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from config import Bench
from daemon.holds import doubted
from daemon.judging import ProductModel, RangeModel
from daemon.presentation import capital, sentences, share
from daemon.presentation.documents import (
    BudgetLine,
    CheckLine,
    JudgedBefore,
    RangeLine,
)
from daemon.presentation.documents.unit import UnitRecord
from daemon.presentation.figures import day_of
from daemon.traceability import who_carries
from daemon.traceability.held import holds_of
from daemon.traceability.papers.of_bench import (
    instruments_of,
    limit_of,
    settings_of,
    standards_of,
)
from daemon.traceability.tracing import Records
from daemon.traceability.who_carries import NEGLIGIBLE
from storage import (
    Cause,
    CheckRow,
    Fitting,
    NotFoundError,
    RangeResult,
    Rework,
    ReworkKind,
    RunKind,
    Session,
    ShipmentState,
    Signal,
    Store,
    UnitRow,
    concerns,
    reels_of,
)

Row = Mapping[str, Any]
ANY_ROOM = {"ambient_c": Bench.model_fields["ambient_c"].default}
"""Where readings are judged that nobody wrote a bench file for."""


def unit_record(
    store: Store,
    product: ProductModel,
    serial: str,
    *,
    issued_at: datetime,
    issuer: str,
) -> UnitRecord:
    """Return what the latest run of a unit found.

    Raises
    ------
    storage.errors.NotFoundError
        The unit was never measured.
    """
    rows = store.rows(UnitRow, serial=serial)
    measured = [one for one in rows if one.kind is RunKind.UNIT]
    if not measured:
        raise NotFoundError(kind="unit", key=serial)
    last = measured[-1]
    run = [one for one in measured if one.run == last.run]
    closed = [one for one in run if one.again_number is not None]
    closed_by = [str(one.again_number) for one in closed[:1]]
    body = settings_of(store, last.configuration)
    kept = {one.range: one for one in store.rows(RangeResult, run=last.run)}
    checks = store.rows(CheckRow, product=product.settings.name, after=last.number - 1)
    return UnitRecord(
        number="-".join(["UTR", serial, str(last.number), *closed_by]),
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        serial=serial,
        build=str(last.build),
        run=last.number,
        measured_at=last.started_at,
        origin=last.origin,
        bench=_bench(store, last.session),
        session=last.session,
        ambient_c=last.ambient_c,
        assumed_ambient_c=_assumed(body),
        configuration=last.configuration,
        guard_band_factor=body["plan"]["judging"]["guard_band_factor"],
        ranges=tuple(
            RangeLine(
                title=product.range(one.range).title,
                unit=product.settings.input_unit,
                reference=one.reference,
                output=_output(kept[one.range], product.range(one.range)),
                output_unit=product.settings.output_unit,
                zero_read=_zero_read(kept[one.range]),
                error_ppm=one.error_ppm,
                offset_ppm=one.offset_ppm,
                uncertainty_ppm=one.uncertainty_ppm,
                limit_ppm=one.limit_ppm,
                verdict=one.verdict,
                conformance_probability=one.conformance_probability,
                points=one.judged_points,
                limit=limit_of(body, one.range),
            )
            for one in (each.judged_last() for each in run)
        ),
        judged_before=tuple(
            JudgedBefore(
                title=product.range(one.range).title,
                closed_by=one.again_number or 0,
                drift_ppm=one.again_drift_ppm or 0.0,
                error_ppm=one.error_ppm,
                uncertainty_ppm=one.uncertainty_ppm,
                verdict=one.verdict,
            )
            for one in closed
        ),
        checks=tuple(
            CheckLine(
                name=one.check, value=one.value, unit=one.unit,
                low=one.low, high=one.high, verdict=one.verdict,
            )
            for one in checks
            if one.run == last.run
        ),
        instruments=instruments_of(
            store, {last.session: last.started_at.date()}, body
        ),
        standards=standards_of(store, product, body, [last.session]),
        holds=_holds_of_unit(store, product.settings.name, serial, str(last.build)),
        doubts=doubted(store, product.settings.name).get(serial, ()),
        findings=_findings(store, product, serial),
        left=_left(store, product.settings.name, serial),
        note=last.note,
        budget=_budget(product, kept.values()),
    )  # fmt: skip


def _output(row: RangeResult, own: RangeModel) -> float | None:
    """Return what the output reads at rest, zero with it, as the error has it.

    Readings may have been taken while it still came to rest: their mean is another.
    """
    if not row.output_readings:
        return None
    zero_ppm = row.offset_ppm if _zero_read(row) else 0.0
    zero = zero_ppm * 1e-6 * own.settings.full_scale
    return (row.indicated + zero) * own.nominal_transfer


def _zero_read(row: RangeResult) -> bool:
    """Whether somebody read zero, or reversed the level, which removes it too."""
    return not row.level or len({*row.level}) > 1


def _budget(
    product: ProductModel, rows: Iterable[RangeResult]
) -> tuple[BudgetLine, ...]:
    """Return what made each range unsure when it was judged."""
    return tuple(
        BudgetLine(
            title=product.range(one.range).title,
            largest=tuple((str(name), float(part)) for name, part in json.loads(found)),
        )
        for one in rows
        if (found := one.budget) is not None
    )


def _assumed(body: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return between which temperatures the room is taken where nobody reads it."""
    low_c, high_c = (body.get("bench") or ANY_ROOM)["ambient_c"]
    return float(low_c), float(high_c)


def _bench(store: Store, session: str) -> str:
    """Return the name of the bench that a session was opened on."""
    (opened,) = store.rows(Session, session=session)
    return opened.bench


def _left(store: Store, product: str, serial: str) -> str:
    """Say when a unit left and for whom; empty of one that is here."""
    moves = store.rows(ShipmentState, product=product, serial=serial)
    away = [one for one in moves if one.returned_at is None]
    if not away:
        return ""
    last = away[-1]
    said = f"{day_of(last.shipped_at)} for {last.destination}"
    if last.override_reason:
        said += f", let go by {last.person}: {last.override_reason}"
    return said


def _findings(store: Store, product: ProductModel, serial: str) -> tuple[str, ...]:
    """Return what was found that concerns a unit, and whether it says so for sure."""
    name = product.settings.name
    said = []
    # What the unit carries says its own build; nothing is asked finding by finding.
    records = Records.of(store, name, product.keys, about=[serial])
    for signal in store.rows(Signal, "signals", product=name):
        if not signal.standing or signal.cause is Cause.CHART:
            continue
        probability = who_carries.probability(records, serial, signal)
        if probability < NEGLIGIBLE:
            continue
        odd = sentences.is_odd_unit(signal)
        words = sentences.odd_unit(signal) if odd else sentences.reads(signal)
        sure = (
            ""
            if probability > 1.0 - NEGLIGIBLE
            else f" Probability that this unit is concerned: {share(probability)}."
        )
        said.append(f"{signal.signal}: {words}.{sure}")
    return tuple(said)


def _holds_of_unit(
    store: Store, product: str, serial: str, build: str
) -> tuple[str, ...]:
    fittings = store.rows(Fitting, product=product, build=build)
    replaced = store.rows(Rework, serial=serial, kind=ReworkKind.REPLACE)
    reels = set(reels_of(serial, fittings, replaced).values())
    return tuple(
        f"{capital(sentences.held(one))}: {one.why}"
        for one in holds_of(store, product)
        if one.disposal is None
        and concerns(one, serial=serial, build=build, reels=reels)
    )
