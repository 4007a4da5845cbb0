"""What the record of a unit says."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from daemon.holds import doubted
from daemon.judging import ProductModel, remark_on
from daemon.presentation import sentences
from daemon.presentation.documents import (
    BudgetLine,
    CheckLine,
    InstrumentLine,
    JudgedBefore,
    RangeLine,
)
from daemon.presentation.documents.unit import UnitRecord
from daemon.traceability.held import holds_of
from storage import (
    BenchInstrument,
    CheckRow,
    Configuration,
    Fitting,
    NotFoundError,
    RangeResult,
    Rework,
    ReworkKind,
    RunKind,
    Store,
    UnitRow,
    concerns,
    reels_of,
)

Row = Mapping[str, Any]


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
        raise NotFoundError(kind="measured unit", key=serial)
    last = measured[-1]
    run = [one for one in measured if one.run == last.run]
    closed = [one for one in run if one.again_number is not None]
    closed_by = [str(one.again_number) for one in closed[:1]]
    body = _settings(store, last.configuration)
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
        bench=(body.get("bench") or {}).get("name", "none"),
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
                indicated=one.indicated,
                error_ppm=one.error_ppm,
                offset_ppm=one.offset_ppm,
                uncertainty_ppm=one.uncertainty_ppm,
                limit_ppm=one.limit_ppm,
                verdict=one.verdict,
                conformance_probability=one.conformance_probability,
                points=one.judged_points,
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
        instruments=_instruments(store, last, body),
        holds=_holds_of_unit(store, product.settings.name, serial, str(last.build)),
        doubts=doubted(store, product.settings.name).get(serial, ()),
        note=last.note,
        budget=_budget(store, product, last.run),
    )  # fmt: skip


def _budget(store: Store, product: ProductModel, run: str) -> tuple[BudgetLine, ...]:
    """Return what made each range unsure when it was judged."""
    return tuple(
        BudgetLine(
            title=product.range(one.range).title,
            largest=tuple((str(name), float(part)) for name, part in json.loads(found)),
        )
        for one in store.rows(RangeResult, run=run)
        if (found := one.budget) is not None
    )


def _settings(store: Store, configuration: str) -> dict[str, Any]:
    (kept,) = store.rows(Configuration, configuration=configuration)
    found: dict[str, Any] = json.loads(kept.body)
    return found


def _assumed(body: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return between which temperatures the room is taken where nobody reads it."""
    bench = body.get("bench") or {}
    return tuple(bench["ambient_c"]) if "ambient_c" in bench else None


def _instruments(
    store: Store, run: UnitRow, body: Mapping[str, Any]
) -> tuple[InstrumentLine, ...]:
    """Return what stood in each role: as it was met, else as it was configured."""
    met = store.rows(BenchInstrument, session=run.session)
    if met:
        return tuple(
            InstrumentLine(
                role=one.role,
                identity=one.identity or one.address,
                serial_number=one.serial_number,
                calibrated_at=one.calibrated_at,
                due_at=one.due_at,
                remark=remark_on(one.remark, one.due_at, run.started_at.date()),
            )
            for one in met
        )
    return tuple(
        InstrumentLine(role=role, identity=str(one["profile"]))
        for role, one in (body.get("bench") or {}).items()
        if isinstance(one, dict) and "profile" in one
    )


def _holds_of_unit(
    store: Store, product: str, serial: str, build: str
) -> tuple[str, ...]:
    fittings = store.rows(Fitting, product=product, build=build)
    replaced = store.rows(Rework, serial=serial, kind=ReworkKind.REPLACE)
    reels = set(reels_of(serial, fittings, replaced).values())
    return tuple(
        f"{sentences.held(one)}: {one.why}"
        for one in holds_of(store, product)
        if one.disposal is None
        and concerns(one, serial=serial, build=build, reels=reels)
    )
