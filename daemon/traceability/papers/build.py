"""What the release record of a build says, and the sheet for its bench."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import pandas as pd

from daemon.holds import by_reason, doubted
from daemon.judging import ProductModel
from daemon.presentation import sentences
from daemon.presentation.documents import (
    PAPER,
    WIDTH_PX,
    Board,
    FittedReel,
    HoldLine,
    Image,
    RangeCapability,
    drawn,
)
from daemon.presentation.documents.build import BuildRelease
from daemon.presentation.documents.unit import BuildSheet
from daemon.presentation.plots import columns, individuals, laid_out, reel_changes
from daemon.spc import SpcError
from daemon.spc.capability import Specification, capability_study
from daemon.traceability.held import holds_of
from daemon.traceability.tracing import spans
from storage import (
    Build,
    BuildState,
    BuildYield,
    Fitting,
    NotFoundError,
    Signal,
    Store,
    Unit,
    concerns,
    reel_of,
)

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
    row = _build(store, name, build)
    mine = store.frame("latest_errors", product=name, build=build)
    passed = next(iter(store.rows(BuildYield, product=name, build=build)), None)
    found = [
        one for one in store.rows(Signal, "signals", product=name) if one.build == build
    ]
    reels = _reels(store, name, build)
    return BuildRelease(
        number=f"BRR-{build}",
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        build=build,
        planned=row.planned_units,
        units=row.units,
        first_pass_yield=row.first_pass_yield,
        final_yield=None if passed is None else passed.final_yield,
        reworked=0 if passed is None else passed.reworked,
        ranges=tuple(
            _capability(one.title, mine[mine["range"] == one.key])
            for one in product.ranges
            if (mine["range"] == one.key).any()
        ),
        holds=_holds_of_build(store, name, build, reels),
        doubts=tuple(
            f"{spans(units)}: {reason}"
            for reason, units in by_reason(
                doubted(store, name), mine["serial"].unique()
            ).items()
        ),
        reels=reels,
        findings=tuple(sentences.finding(one).headline for one in found),
        charts=_charts(store, product, mine, build),
    )


def build_sheet(
    store: Store,
    product: ProductModel,
    build: str,
    serials: Sequence[str] = (),
    *,
    issued_at: datetime,
    issuer: str,
) -> BuildSheet:
    """Return what lies on the bench while a build is measured.

    Parameters
    ----------
    serials
        Of its boards; those known of the build where none is given.

    Raises
    ------
    storage.errors.NotFoundError
        There is no such build.
    """
    name = product.settings.name
    row = _build(store, name, build)
    known = store.rows(Unit, product=name, build=build)
    listed = serials or [one.serial for one in known]
    return BuildSheet(
        number=f"BS-{build}",
        issued_at=issued_at,
        issuer=issuer,
        product=product.settings.title,
        build=build,
        planned=row.planned_units,
        ranges=tuple(one.title for one in product.ranges),
        boards=tuple(Board(serial=one) for one in listed),
        reels=_reels(store, name, build),
        cautions=CAUTIONS,
    )


def _build(store: Store, product: str, build: str) -> BuildState:
    for one in store.rows(BuildState, product=product, build=build):
        return one
    raise NotFoundError(kind="build", key=build)


def _by_age(store: Store, product: str) -> list[str]:
    """Return all builds, oldest first."""
    known = store.rows(Build, product=product)
    return [o.build for o in sorted(known, key=lambda o: (o.opened_at, o.build))]


def _holds_of_build(
    store: Store,
    product: str,
    build: str,
    reels: Sequence[FittedReel],
) -> tuple[HoldLine, ...]:
    fitted = {one.reel for one in reels}
    units = store.rows(Unit, product=product, build=build)
    # Without a board there are still the build itself and its reels.
    serials = [one.serial for one in units] or [""]
    return tuple(
        HoldLine(
            on=sentences.held(one),
            reason=one.why,
            placed_by=one.placed_by,
            placed_at=one.placed_at,
            disposal=one.disposal,
            person=one.person,
            end_reason=one.end_reason,
            ended_at=one.ended_at,
            evidence=one.evidence,
        )
        for one in holds_of(store, product)
        if any(
            concerns(one, serial=serial, build=build, reels=fitted)
            for serial in serials
        )
    )


def _reels(store: Store, product: str, build: str) -> tuple[FittedReel, ...]:
    fitted = store.rows(Fitting, product=product, build=build)
    known = {name: reel_of(store, name) for name in {one.reel for one in fitted}}
    return tuple(
        FittedReel(
            part=one.part,
            reel=one.reel,
            from_serial=one.from_serial,
            supplier=known[one.reel].supplier,
            lot_code=known[one.reel].lot_code,
        )
        for one in fitted
    )


def _capability(title: str, rows: pd.DataFrame) -> RangeCapability:
    values = rows["error_ppm"].to_numpy(dtype=float)
    limit = float(rows["limit_ppm"].median())
    plainly = RangeCapability(
        title=title,
        units=len(values),
        mean_ppm=float(values.mean()),
        s_ppm=float(values.std(ddof=1)) if len(values) > 1 else None,
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
    mine: pd.DataFrame,
    build: str,
) -> tuple[Image, ...]:
    """Draw each range of the build, unit by unit."""
    if mine.empty:
        return ()
    name = product.settings.name
    signals = store.frame("signals", product=name)
    cells = columns(mine, store.frame("builds", product=name, build=build))
    frame = laid_out(mine, signals[signals["build"] == build], cells)
    changes = reel_changes(
        frame,
        store.frame("fitting", product=name),
        _by_age(store, name),
        {one.key: one.part for one in product.ranges if one.part is not None},
    )
    found = [
        one for one in store.rows(Signal, "signals", product=name) if one.build == build
    ]
    charts = []
    for one in product.ranges:
        rows = frame[frame["range"] == one.key]
        if rows.empty:
            continue
        chart = individuals(
            rows.reset_index(drop=True),
            changes[changes["range"] == one.key],
            cells,
            [s for s in found if s.standing and s.range in {one.key, None}],
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
