"""What documents say, gathered from the Store; reports give it a form."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import pandas as pd

from daemon import words
from daemon.instruments import remark_on
from daemon.plots import columns, individuals, laid_out, reel_changes
from daemon.plots.claim import parts_against_claim
from daemon.product import ProductModel
from daemon.reports import (
    Board,
    BuildRelease,
    BuildSheet,
    CheckLine,
    Correction,
    CustomerNotice,
    FittedReel,
    HoldLine,
    Image,
    InstrumentLine,
    JudgedBefore,
    RangeCapability,
    RangeLine,
    Sample,
    SupplierReport,
    UnitRecord,
)
from daemon.reports.drawing import PAPER, WIDTH_PX, drawn
from daemon.rows import judged_last, plain, proofs_of, signals_of
from daemon.serials import serial_order
from daemon.spc.capability import Specification, capability_study
from daemon.spc.errors import SpcError
from daemon.whereabouts.papers import supplier_report as of_finding
from daemon.whereabouts.tracing import Records
from storage.errors import NotFoundError
from storage.records import ProofKind
from storage.records_shipping import ReworkKind
from storage.serials import reels_of
from storage.shipping import concerns
from storage.store import Store

FEWEST_FOR_CAPABILITY = 8
CHART_PX = 240
CAUTIONS = (
    (
        "Turn range switches and move leads at zero or probe level only: an opened "
        "loop goes to compliance voltage."
    ),
    "Disconnect before touching; software-off is no isolation.",
    "Never leave powered boards unsupervised.",
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
    rows = plain(store.frame("unit_runs", serial=serial))
    measured = [one for one in rows if one["kind"] == "unit"]
    if not measured:
        raise NotFoundError(kind="measured unit", key=serial)
    last = measured[-1]
    run = [one for one in measured if one["run"] == last["run"]]
    closed = [one for one in run if one["again_number"] is not None]
    closed_by = [str(int(one["again_number"])) for one in closed[:1]]
    body = _settings(store, last["configuration"])
    checks = plain(
        store.frame(
            "check_results", product=product.settings.name, after=last["number"] - 1
        )
    )
    return UnitRecord(
        number="-".join(["UTR", serial, str(last["number"]), *closed_by]),
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        serial=serial,
        build=last["build"],
        run=int(last["number"]),
        measured_at=last["started_at"],
        origin=last["origin"],
        bench=(body.get("bench") or {}).get("name", "none"),
        session=last["session"],
        ambient_c=last["ambient_c"],
        configuration=last["configuration"],
        guard_band_factor=body["plan"]["judging"]["guard_band_factor"],
        ranges=tuple(
            RangeLine(
                title=product.range(one["range"]).title,
                unit=product.settings.input_unit,
                **{
                    name: one[name]
                    for name in (
                        "reference", "indicated", "error_ppm", "offset_ppm",
                        "uncertainty_ppm", "limit_ppm", "verdict",
                        "conformance_probability",
                    )
                },
            )
            for one in map(judged_last, run)
        ),
        judged_before=tuple(
            JudgedBefore(
                title=product.range(one["range"]).title,
                closed_by=int(one["again_number"]),
                drift_ppm=one["again_drift_ppm"],
                error_ppm=one["error_ppm"],
                uncertainty_ppm=one["uncertainty_ppm"],
                verdict=one["verdict"],
            )
            for one in closed
        ),
        checks=tuple(
            CheckLine(
                name=one["check"], value=one["value"], unit=one["unit"],
                low=one["low"], high=one["high"], verdict=one["verdict"],
            )
            for one in checks
            if one["run"] == last["run"]
        ),
        instruments=_instruments(store, last, body),
        holds=_holds_of_unit(store, product.settings.name, serial, last["build"]),
        note=last["note"],
    )  # fmt: skip


def build_release(
    store: Store,
    product: ProductModel,
    build: str,
    *,
    issued_at: datetime,
    issuer: str,
) -> BuildRelease:
    """Return what a build was measured to be.

    Raises
    ------
    storage.errors.NotFoundError
        There is no such build.
    """
    name = product.settings.name
    builds = store.frame("builds", product=name)
    row = _build(builds, build)
    errors = store.frame("latest_errors", product=name)
    mine = errors[errors["build"] == build]
    yields = {one["build"]: one for one in plain(store.frame("yields", product=name))}
    found = [one for one in signals_of(store, name) if one.build == build]
    reels = _reels(store, name, build)
    return BuildRelease(
        number=f"BRR-{build}",
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        build=build,
        planned=None if row["planned_units"] is None else int(row["planned_units"]),
        units=int(row["units"]),
        first_pass_yield=row["first_pass_yield"],
        final_yield=yields.get(build, {}).get("final_yield"),
        reworked=int(yields.get(build, {}).get("reworked", 0)),
        ranges=tuple(
            _capability(one.title, mine[mine["range"] == one.key])
            for one in product.ranges
            if (mine["range"] == one.key).any()
        ),
        holds=_holds_of_build(store, name, build, reels),
        reels=reels,
        findings=tuple(words.finding(one).headline for one in found),
        charts=_charts(store, product, builds, errors, build),
    )


def build_sheet(
    store: Store,
    product: ProductModel,
    build: str,
    serials: Sequence[str],
    *,
    issued_at: datetime,
    issuer: str,
) -> BuildSheet:
    """Return what lies on the bench while a build is measured.

    Raises
    ------
    storage.errors.NotFoundError
        There is no such build.
    """
    name = product.settings.name
    row = _build(store.frame("builds", product=name), build)
    known = store.frame("units", product=name)
    listed = serials or sorted(
        known.loc[known["build"] == build, "serial"], key=serial_order
    )
    return BuildSheet(
        number=f"BS-{build}",
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        build=build,
        planned=None if row["planned_units"] is None else int(row["planned_units"]),
        ranges=tuple(one.title for one in product.ranges),
        boards=tuple(Board(serial=one) for one in listed),
        reels=_reels(store, name, build),
        cautions=CAUTIONS,
    )


def supplier_report(
    store: Store,
    product: ProductModel,
    finding: str,
    *,
    issued_at: datetime,
    issuer: str,
) -> SupplierReport:
    """Return what a finding says to whoever supplied the reel that it names.

    Raises
    ------
    storage.errors.NotFoundError
        There is no such finding.
    daemon.reports.errors.NoSupplierError
        The finding names no reel that was received.
    """
    name = product.settings.name
    named = [one for one in signals_of(store, name) if one.signal == finding]
    if not named:
        raise NotFoundError(kind="finding", key=finding)
    made = of_finding(
        Records.of(store, name, product.keys),
        product,
        named[0],
        issued_at=issued_at,
        issuer=issuer,
    )
    return _with_samples(made, store, name, finding)


def _with_samples(
    report: SupplierReport, store: Store, product: str, signal: str
) -> SupplierReport:
    """Add the parts that were measured to settle a finding, and their chart."""
    samples = []
    for proof in proofs_of(store, product):
        if proof.signal != signal or proof.unit != "ohm":
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
    errors = store.frame("latest_errors", product=name)
    mine = {one["range"]: one for one in plain(errors[errors["serial"] == serial])}
    if not mine:
        raise NotFoundError(kind="measured unit", key=serial)
    first = next(iter(mine.values()))
    moved = {
        one.range
        for one in signals_of(store, name)
        if one.build == first["build"]
        and serial_order(serial) >= serial_order(one.first_serial)
    }
    wrong, right = [], []
    for one in product.ranges:
        row = mine.get(one.key)
        if row is None:
            continue
        good = row["verdict"] in {"conforming", "like known-good"}
        if good and one.key not in moved and None not in moved:
            right.append(one.title)
            continue
        wrong.append(
            Correction(
                range=one.title,
                error_ppm=row["error_ppm"],
                uncertainty_ppm=row["uncertainty_ppm"],
            )
        )
    shipped = [
        one for one in plain(store.frame("shipments", product=name))
        if one["serial"] == serial
    ]  # fmt: skip
    return CustomerNotice(
        number=f"CN-{serial}",
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        serial=serial,
        destination=shipped[-1]["destination"] if shipped else "",
        corrections=tuple(wrong),
        contact=product.settings.contact,
        right=tuple(right),
        advice=("Multiply readings by the factor above, or send the unit back.",)
        if wrong
        else (),
    )


def _settings(store: Store, configuration: str) -> dict[str, Any]:
    body = store.frame("configuration", configuration=configuration)["body"].iloc[0]
    found: dict[str, Any] = json.loads(str(body))
    return found


def _build(builds: pd.DataFrame, build: str) -> Row:
    for one in plain(builds):
        if one["build"] == build:
            return one
    raise NotFoundError(kind="build", key=build)


def _instruments(
    store: Store, run: Row, body: Mapping[str, Any]
) -> tuple[InstrumentLine, ...]:
    """Return what stood in each role: as it was met, else as it was configured."""
    met = plain(store.frame("instruments", session=run["session"]))
    if met:
        return tuple(
            InstrumentLine(
                role=one["role"],
                identity=one["identity"] or one["address"],
                serial_number=one["serial_number"],
                calibrated_at=one["calibrated_at"],
                due_at=one["due_at"],
                remark=remark_on(
                    one["remark"], one["due_at"], run["started_at"].date()
                ),
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
    fittings = [
        one for one in plain(store.frame("fittings", product=product))
        if one["build"] == build
    ]  # fmt: skip
    replaced = [
        one for one in plain(store.frame("reworks", product=product))
        if one["serial"] == serial and one["kind"] == ReworkKind.REPLACE
    ]  # fmt: skip
    reels = set(reels_of(serial, fittings, replaced).values())
    return tuple(
        f"{_on(one)}: {one['reason']}"
        for one in plain(store.frame("holds", product=product))
        if one["disposal"] is None
        and concerns(one, serial=serial, build=build, reels=reels)
    )


def _on(hold: Row) -> str:
    to = f" to {hold['to_serial']}" if hold["to_serial"] else ""
    return f"{hold['scope']} {hold['subject']}{to}"


def _holds_of_build(
    store: Store,
    product: str,
    build: str,
    reels: Sequence[FittedReel],
) -> tuple[HoldLine, ...]:
    fitted = {one.reel for one in reels}
    units = store.frame("units", product=product)
    # Without a board there are still the build itself and its reels.
    serials = list(units.loc[units["build"] == build, "serial"]) or [""]
    return tuple(
        HoldLine(
            on=_on(one),
            reason=one["reason"],
            placed_by=one["placed_by"],
            placed_at=one["placed_at"],
            disposal=one["disposal"],
            person=one["person"],
            end_reason=one["end_reason"],
            ended_at=one["ended_at"],
        )
        for one in plain(store.frame("holds", product=product))
        if any(
            concerns(one, serial=serial, build=build, reels=fitted)
            for serial in serials
        )
    )


def _reels(store: Store, product: str, build: str) -> tuple[FittedReel, ...]:
    known = {one["reel"]: one for one in plain(store.frame("reels"))}
    return tuple(
        FittedReel(
            part=one["part"],
            reel=one["reel"],
            from_serial=one["from_serial"],
            supplier=known.get(one["reel"], {}).get("supplier"),
            lot_code=known.get(one["reel"], {}).get("lot_code"),
        )
        for one in plain(store.frame("fittings", product=product))
        if one["build"] == build
    )


def _capability(title: str, rows: pd.DataFrame) -> RangeCapability:
    values = rows["error_ppm"].to_numpy(dtype=float)
    limit = float(rows["limit_ppm"].median())
    plainly = RangeCapability(
        title=title,
        units=len(values),
        mean_ppm=float(values.mean()),
        s_ppm=float(values.std(ddof=1)) if len(values) > 1 else 0.0,
        limit_ppm=limit,
    )
    if len(values) < FEWEST_FOR_CAPABILITY:
        return plainly
    try:
        study = capability_study(
            [values], specification=Specification(lower=-limit, upper=limit)
        )
    except SpcError as exc:
        return replace(plainly, reasons=(str(exc),))
    return replace(
        plainly,
        cpk=study.inside.indices.cpk,
        cpk_low=study.inside.cpk_interval.lower,
        cpk_high=study.inside.cpk_interval.upper,
        ppk=study.overall.indices.cpk,
        ppk_low=study.overall.cpk_interval.lower,
        ppk_high=study.overall.cpk_interval.upper,
        reasons=study.reasons,
    )


def _charts(
    store: Store,
    product: ProductModel,
    builds: pd.DataFrame,
    errors: pd.DataFrame,
    build: str,
) -> tuple[Image, ...]:
    """Draw each range of the build, unit by unit."""
    mine = errors[errors["build"] == build]
    if mine.empty:
        return ()
    name = product.settings.name
    signals = store.frame("signals", product=name)
    cells = columns(mine, builds[builds["build"] == build])
    frame = laid_out(mine, signals[signals["build"] == build], cells)
    changes = reel_changes(
        frame,
        store.frame("fittings", product=name),
        list(builds["build"]),
        {one.key: one.part for one in product.ranges if one.part is not None},
    )
    found = [one for one in signals_of(store, name) if one.build == build]
    charts = []
    for one in product.ranges:
        rows = frame[frame["range"] == one.key]
        if rows.empty:
            continue
        chart = individuals(
            rows.reset_index(drop=True),
            changes[changes["range"] == one.key],
            cells,
            [s for s in found if s.range in {one.key, None}],
            look=PAPER,
            width=WIDTH_PX,
            height=CHART_PX,
        )
        charts.append(
            drawn(
                chart,
                caption=f"Range {one.title}: one dot a unit, its limits as brackets.",
                words=f"Errors of {len(rows)} units on range {one.title}",
            )
        )
    return tuple(charts)
