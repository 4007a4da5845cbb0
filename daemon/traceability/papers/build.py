"""What the release record of a build says."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Literal

import pandas as pd

from daemon.holds import by_reason, doubted
from daemon.judging import ProductModel, spelled
from daemon.presentation import figures, sentences, spans
from daemon.presentation.documents import (
    FailureLine,
    FittedReel,
    HoldLine,
    RangeCapability,
)
from daemon.presentation.documents.build import BuildRelease
from daemon.spc import SpcError
from daemon.spc.capability import Specification, capability_study
from daemon.traceability.held import Held, holds_of, kept_units
from daemon.traceability.papers.charts import charts_of
from daemon.traceability.papers.of_bench import (
    instruments_of,
    limit_of,
    settings_of,
    standards_of,
)
from daemon.traceability.tracing import by_decision, reworked
from storage import (
    BuildState,
    BuildYield,
    Cause,
    CheckRow,
    Disposal,
    Fitting,
    LatestResult,
    NotFoundError,
    ReworkOf,
    RunKind,
    Scope,
    Session,
    ShipmentState,
    Signal,
    Store,
    Unit,
    UnitRow,
    Verdict,
    concerns,
    reel_of,
    serial_order,
)

FEWEST_FOR_CAPABILITY = 8
PASSED = {Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD}
LET_GO = {Disposal.RELEASE, Disposal.CONCESSION}
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
    row = state_of(store, name, build)
    mine = store.frame("latest_errors", product=name, build=build)
    latest = store.rows(LatestResult, product=name, build=build)
    first = _first_runs(store, mine)
    passed = next(iter(store.rows(BuildYield, product=name, build=build)), None)
    found = [
        one for one in store.rows(Signal, "signals", product=name) if one.build == build
    ]
    reels = reels_of_build(store, name, build)
    holds = _holds_of_build(store, name, build, reels)
    away = [
        one
        for one in store.rows(ShipmentState, product=name, build=build)
        if one.returned_at is None
    ]
    sessions = {
        one.session: one.started_at
        for one in sorted(latest, key=lambda one: one.number)
    }
    in_force = _configurations(store, latest)
    body = in_force[-1][1] if in_force else {}
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
            _capability(one.title, first[first["range"] == one.key])
            for one in product.ranges
            if (first["range"] == one.key).any()
        ),
        holds=holds,
        doubts=tuple(
            f"{spans(units)}: {reason}"
            for reason, units in by_reason(
                doubted(store, name), mine["serial"].unique()
            ).items()
        ),
        reels=reels,
        findings=tuple(_finding(one) for one in found if one.cause is not Cause.CHART),
        charts=charts_of(store, product, [build]) if latest else (),
        failures=_failures(store, product, build, latest, away),
        bench=(
            *_benches(store, sessions),
            *_not_checked_after(store, body, latest),
        ),
        instruments=instruments_of(
            store, {key: at.date() for key, at in sessions.items()}, body
        ),
        standards=standards_of(store, product, body, sessions),
        settings=tuple(_in_force(product, in_force)),
        released=tuple(
            f"{one.person}, {figures.moment(one.ended_at)}, {one.disposal} of "
            f"{one.on}: {one.end_reason}."
            for one in holds
            if one.disposal in LET_GO and one.ended_at is not None
        ),
        by_decision=by_decision(away),
        left=_left(away),
        incomplete=_incomplete(product, latest),
    )


def _first_runs(store: Store, latest: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with what units that were measured again read at first.

    As `holdpoint capability` does: between the runs a unit may have been reworked.
    """
    first = latest.copy()
    again = first[first["reruns"] > 0]
    for serial in again["serial"].unique():
        read: dict[str, UnitRow] = {}
        for one in store.rows(UnitRow, serial=serial):
            if one.kind is RunKind.UNIT:
                read.setdefault(one.range, one.judged_last())
        for index in again.index[again["serial"] == serial]:
            row = read[first.loc[index, "range"]]
            first.loc[index, ["error_ppm", "limit_ppm"]] = row.error_ppm, row.limit_ppm
    return first


def _incomplete(
    product: ProductModel, latest: Sequence[LatestResult]
) -> tuple[str, ...]:
    """Return the units that lack a range, in the order of serials."""
    read: dict[str, set[str]] = {}
    for one in latest:
        read.setdefault(one.serial, set()).add(one.range)
    ranges = {*product.keys}
    return tuple(sorted((s for s in read if ranges - read[s]), key=serial_order))


def _finding(signal: Signal) -> str:
    """Return a finding with its name, so that another paper's is the same."""
    if not signal.standing:
        return sentences.withdrawn(signal)
    said = (
        sentences.odd_unit(signal)
        if sentences.is_odd_unit(signal)
        else sentences.reads(signal)
    )
    return f"{signal.signal}: {said}."


def _left(away: Sequence[ShipmentState]) -> str:
    if not away:
        return "no unit"
    days = sorted({figures.day_of(one.shipped_at) for one in away})
    when = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
    return f"{spans([one.serial for one in away])}, {when}"


def _configurations(
    store: Store, latest: Sequence[LatestResult]
) -> list[tuple[str, dict[str, Any]]]:
    """Return by which settings the build was judged, and what they say."""
    if not latest:
        return []
    rows = store.table("build_configurations", serial=latest[-1].serial).to_pylist()
    return [
        (one["configuration"], settings_of(store, one["configuration"])) for one in rows
    ]


def _in_force(
    product: ProductModel, in_force: Sequence[tuple[str, Mapping[str, Any]]]
) -> Iterator[str]:
    """Say which settings judged: the limits, the guard band, under which name."""
    titles = product.titles
    for configuration, body in in_force:
        factor = body["plan"]["judging"]["guard_band_factor"]
        limits: dict[str, list[str]] = {}
        for key in body["product"]["ranges"]:
            limits.setdefault(limit_of(body, key), []).append(titles.get(key, key))
        said = "; ".join(f"{', '.join(of)}: {text}" for text, of in limits.items())
        if len(limits) == 1:
            said = f"every range {next(iter(limits))}"
        times = "" if factor == 1 else f"{factor:g} times "
        yield (
            f"Settings {configuration[:16]}: error limit, {said}; guard band: "
            f"{times}the expanded uncertainty (k = 2)."
        )


def _benches(store: Store, sessions: Mapping[str, datetime]) -> Iterator[str]:
    """Say on which bench it was measured, in which sessions."""
    for session, last in sessions.items():
        for one in store.rows(Session, session=session):
            yield (
                f"Bench {one.bench}, session {session}, opened "
                f"{figures.moment(one.opened_at)}, last unit {figures.moment(last)}."
            )


def _not_checked_after(
    store: Store, body: Mapping[str, Any], latest: Sequence[LatestResult]
) -> Iterator[str]:
    """Say of each session which units it measured after its last check of the bench."""
    standard = ((body.get("bench") or {}).get("check_standard") or {}).get("serial")
    if standard is None:
        return
    for session in dict.fromkeys(one.session for one in latest):
        checks = [
            one.number
            for one in store.rows(UnitRow, serial=standard, session=session)
            if one.kind is RunKind.CHECK
        ]
        if not checks:
            continue
        after = {
            one.serial
            for one in latest
            if one.session == session and one.number > max(checks)
        }
        if after:
            yield (
                f"Session {session} has no closing check after {spans(after)}: nobody "
                "knows whether the bench moved while it measured them."
            )


def _failures(
    store: Store,
    product: ProductModel,
    build: str,
    latest: Sequence[LatestResult],
    away: Sequence[ShipmentState],
) -> tuple[FailureLine, ...]:
    """Return each unit that did not pass at first, by name, and what became of it."""
    name = product.settings.name
    checks: dict[str, list[CheckRow]] = {}
    if latest:
        first = min(one.number for one in latest)
        for check in store.rows(CheckRow, product=name, after=first - 1):
            if check.build == build:
                checks.setdefault(check.serial, []).append(check)
    suspects = dict.fromkeys(
        one.serial for one in latest if one.reruns or one.verdict not in PASSED
    )
    suspects |= dict.fromkeys(
        serial
        for serial, rows in checks.items()
        if any(one.verdict == Verdict.NONCONFORMING for one in rows)
    )
    holds = holds_of(store, name)
    reworks = store.rows(ReworkOf, product=name)
    gone = {one.serial: one.destination for one in away}
    let_go = {one.serial for one in away if one.override_reason}
    lines = []
    for serial in sorted(suspects, key=serial_order):
        rows = [o for o in store.rows(UnitRow, serial=serial) if o.kind is RunKind.UNIT]
        failed = [
            *_failed_ranges(product, rows),
            *_failed_checks(checks.get(serial, ())),
        ]
        if not failed:
            continue
        results = [one for one in latest if one.serial == serial]
        passes = _passes(results, checks.get(serial, ()))
        mine = [o for o in holds if o.scope is Scope.UNIT and o.subject == serial]
        became = _became(
            results,
            [reworked(one, product.titles) for one in reworks if one.serial == serial],
            mine,
            gone.get(serial),
            passes=passes,
        )
        lines.append(
            FailureLine(
                serial=serial,
                failed="; ".join(failed),
                became=became,
                now="passed"
                if passes
                else "let go"
                if serial in let_go
                else _decided(mine),
            )
        )
    return tuple(lines)


def _failed_ranges(product: ProductModel, rows: Sequence[UnitRow]) -> Iterator[str]:
    """Say which ranges a unit did not pass when they were measured first."""
    first: dict[str, UnitRow] = {}
    for one in rows:
        first.setdefault(one.range, one.judged_last())
    for key, one in first.items():
        if one.verdict in PASSED:
            continue
        error = figures.measured(
            one.error_ppm, figures.COVERAGE * one.uncertainty_ppm, one.limit_ppm
        )
        yield (
            f"range {product.range(key).title} {one.verdict}: {error}, allowed "
            f"{figures.allowance(one.limit_ppm)}"
        )


def _failed_checks(rows: Sequence[CheckRow]) -> Iterator[str]:
    first: dict[str, CheckRow] = {}
    for one in rows:
        first.setdefault(one.check, one)
    for one in first.values():
        if one.verdict == Verdict.NONCONFORMING:
            yield spelled(one)


def _passes(latest: Sequence[LatestResult], checks: Sequence[CheckRow]) -> bool:
    """Whether a unit passes as it was measured last."""
    last_checks = {one.check: one.verdict for one in checks}
    return all(one.verdict in PASSED for one in latest) and (
        Verdict.NONCONFORMING not in last_checks.values()
    )


def _decided(holds: Sequence[Held]) -> Literal["let go", "scrapped", "open"]:
    """Return what was decided last of a unit that does not pass."""
    ended = [
        (one.ended_at, one.disposal)
        for one in holds
        if one.disposal is not None and one.ended_at is not None
    ]
    if not ended or any(one.disposal is None for one in holds):
        return "open"
    _, last = max(ended, key=lambda one: one[0])
    if last is Disposal.SCRAP:
        return "scrapped"
    return "let go" if last in LET_GO else "open"


def _became(
    latest: Sequence[LatestResult],
    reworks: Sequence[str],
    holds: Sequence[Held],
    gone_to: str | None,
    *,
    passes: bool,
) -> str:
    """Say what became of a unit that did not pass at first."""
    said = [*reworks]
    if passes:
        run = max(one.number for one in latest)
        said.append(f"passed when it was measured again, run {run}")
    said += [
        f"{one.disposal} by {one.person}, {figures.day_of(one.ended_at)}: "
        f"{one.end_reason}"
        for one in holds
        if one.disposal is not None and one.ended_at is not None
    ]
    if any(one.disposal is None for one in holds):
        said.append("held")
    if gone_to is not None:
        said.append(f"left for {gone_to}")
    elif not passes and not holds:
        said.append("has not passed yet")
    return "; ".join(said)


def state_of(store: Store, product: str, build: str) -> BuildState:
    """Return one build.

    Raises
    ------
    storage.errors.NotFoundError
        There is no such build.
    """
    for one in store.rows(BuildState, product=product, build=build):
        return one
    raise NotFoundError(kind="build", key=build)


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
    holds = holds_of(store, product)
    keeps = kept_units(
        store, product, build, [one.serial for one in units],
        [one for one in holds if one.disposal is None],
    )  # fmt: skip
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
            keeps=None if one.scope is Scope.BUILD else keeps.get(one.hold, ()),
        )
        for one in sorted(holds, key=_place)
        if any(
            concerns(one, serial=serial, build=build, reels=fitted)
            for serial in serials
        )
    )


def _place(hold: Held) -> tuple[Any, ...]:
    """Return the place of a hold in a list: as they were placed, then by serial."""
    minute = hold.placed_at.replace(second=0, microsecond=0)
    return minute, hold.scope is Scope.UNIT, serial_order(hold.subject)


def reels_of_build(store: Store, product: str, build: str) -> tuple[FittedReel, ...]:
    """Return which reel feeds each part of a build, in the order of recording."""
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
