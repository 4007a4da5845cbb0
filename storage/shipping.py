"""What speaks against a unit's leaving, asked inside the transaction that ships it.

Asking first and recording after would let a hold slip in between; here both are one
transaction, and transactions follow one another.
"""

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from storage import by_plan
from storage.answers import HoldState
from storage.commands import decide, require_same, same_person
from storage.door import cells
from storage.holding import concerns, reworked_and_measured
from storage.points import NOT_READ, JudgedPoint
from storage.records import Decision, Disposal, Fitting, Hold, Scope, Verdict
from storage.records_shipping import Rework, ReworkKind, Shipment, ShipRule
from storage.serials import reels_of
from storage.tables import Transaction, compare, find, insert, read
from storage.typed import typed_of

UNKNOWN = "no unit has this serial"
AWAY = "it has left already"
HELD = "held"
"""How a reason begins that a person decides on."""
TOO_POOR = ", because the meters are too poor for the error limit"
NOT_AT_ALL_POINTS = ", because a point that the error limit names was not read"
FINAL = (UNKNOWN, AWAY)
"""Reasons that nobody can override."""

Row = Mapping[str, Any]

_UNIT = "select serial, build from unit where serial = $serial and product = $product"
_LATEST = """
select * from latest_result
where serial = $serial and product = $product order by number, place
"""
_RUNS = """
select number, session, configuration, started_at from run
where serial = $serial and product = $product and kind = 'unit' order by number
"""
_SHIPPED = """
select 'out' as way, shipped_at as moved_at, against from shipment
where serial = $serial and product = $product
union all
select 'back', returned_at, '[]' from unit_return
where serial = $serial and product = $product
order by moved_at, way desc
"""
_DOUBTS = """
select distinct reason from run_in_doubt
where product = $product and number = any($numbers) order by reason
"""
_HOLDS = """
select
    hold.*, hold_end.disposal, hold_end.person, hold_end.reason as end_reason,
    hold_end.ended_at, hold_end.evidence, hold_end.after_number as end_after_number
from hold left join hold_end on hold_end.hold = hold.hold
where hold.product = $product and (
    hold_end.hold is null or hold.scope = 'serials' or hold.subject = any($subjects)
)
order by hold.placed_at, hold.hold
"""
"""Those that stand, and the ended ones that may concern a unit: not all of years."""
_WATERMARK = "select number from watermark where product = $product"


def ship(
    transaction: Transaction, shipment: Shipment, rule: ShipRule, decision: Decision
) -> list[str]:
    """Keep that a unit left, unless something is against it; return what is.

    An override is kept together with every reason that it overrides.
    """
    same_person(shipment, decision)
    row = cells(shipment)
    before = find(transaction, "shipment", {"shipment": shipment.shipment})
    if before is not None:
        compare("shipment", shipment.shipment, before, row)
        require_same(transaction, shipment, decision)
        return []
    shipment.check()
    reasons = against(transaction, shipment.serial, shipment.product, rule)
    final = [one for one in reasons if one in FINAL]
    if final or (reasons and shipment.override_reason is None):
        return reasons
    insert(transaction, "shipment", [{**row, "against": json.dumps(reasons)}])
    decide(transaction, [shipment], decision)
    return []


def against(
    transaction: Transaction, serial: str, product: str, rule: ShipRule
) -> list[str]:
    """Return every reason for which a unit may not leave; none when it may."""
    named = {"serial": serial, "product": product}
    units = transaction.ask(_UNIT, named)
    if not units:
        return [UNKNOWN]
    reworks = read(transaction, Rework, serial=serial)
    moves = transaction.ask(_SHIPPED, named)
    runs = transaction.ask(_RUNS, named)
    build = str(units[0]["build"])
    replaced = [one for one in reworks if one.kind == ReworkKind.REPLACE]
    fittings = read(transaction, Fitting, build=build, product=product)
    reels = set(reels_of(serial, fittings, replaced).values())
    subjects = [serial, build, *reels]
    asked = transaction.ask(_HOLDS, {"product": product, "subjects": subjects})
    holds = typed_of(HoldState, asked)
    held = [
        one for one in holds if concerns(one, serial=serial, build=build, reels=reels)
    ]
    results = transaction.ask(_LATEST, named)
    lacking = _lacking(results, rule)
    reasons = [
        *_away(moves, runs),
        *_held(held, runs, reworks),
        *_not_watched(transaction, product, runs),
        *(
            by_plan.against(
                transaction,
                product=product,
                build=build,
                serial=serial,
                missing=lacking,
                holds=[o for o in holds if o.disposal is None and o not in held],
                ranges=rule.ranges,
                is_current=rule.configurations.__contains__,
                sample=rule.sample,
                named=rule.named,
            )
            if lacking and rule.sample is not None and not _has_history(moves, reworks)
            else _not_measured(lacking, rule)
        ),
        *_not_measured_again(results, reworks, rule),
        *_not_conforming(results, reworks, held, rule),
        *_in_doubt(transaction, product, results),
        *_outdated(results, runs, rule),
    ]
    # Of a unit that is away, a person has overridden these already.
    overridden = json.loads(str(moves[-1]["against"])) if moves else []
    return [one for one in reasons if one not in overridden]


def _in_doubt(
    transaction: Transaction, product: str, results: Sequence[Row]
) -> list[str]:
    """Return why no good check stands behind the results that count."""
    numbers: list[float] = sorted({int(one["number"]) for one in results})
    if not numbers:
        return []
    asked = transaction.ask(_DOUBTS, {"product": product, "numbers": numbers})
    return [f"its bench is in doubt: {one['reason']}" for one in asked]


def _away(moves: Sequence[Row], runs: Sequence[Row]) -> list[str]:
    if not moves:
        return []
    if moves[-1]["way"] == "out":
        return [AWAY]
    if not _measured_after(runs, moves[-1]["moved_at"]):
        return ["it came back and was not measured since"]
    return []


def held_for(hold: Hold, why: str) -> str:
    """Say that an open hold keeps a unit from leaving, and why."""
    return f"{HELD} ({hold.scope} {hold.subject}): {why.rstrip('.')}"


def _held(
    held: Sequence[HoldState], runs: Sequence[Row], reworks: Sequence[Rework]
) -> list[str]:
    said = []
    for one in held:
        match one.disposal:
            case None:
                said.append(held_for(one, one.reason))
            case Disposal.SCRAP:
                said.append(f"scrapped by {one.person}")
            case Disposal.REWORK if not (
                runs and reworked_and_measured(one, runs[-1]["started_at"], reworks)
            ):
                said.append("it is to be reworked and was not measured since")
            case _:
                pass
    return said


def _measured_after(runs: Sequence[Row], at: datetime | None) -> bool:
    return bool(runs) and at is not None and runs[-1]["started_at"] > at


def _not_watched(
    transaction: Transaction, product: str, runs: Sequence[Row]
) -> list[str]:
    marks = transaction.ask(_WATERMARK, {"product": product})
    watched = marks[0]["number"] if marks else 0
    if runs and runs[-1]["number"] > watched:
        return ["its last run is not evaluated yet"]
    return []


def _lacking(results: Sequence[Row], rule: ShipRule) -> list[str]:
    there = {one["range"] for one in results}
    return [key for key in rule.ranges if key not in there]


def _has_history(moves: Sequence[Row], reworks: Sequence[Rework]) -> bool:
    """Whether a unit came back or was worked on: others of its build say nothing."""
    return any(one["way"] == "back" for one in moves) or any(
        one.kind != ReworkKind.REGRADE for one in reworks
    )


def _not_measured(lacking: Sequence[str], rule: ShipRule) -> list[str]:
    if len(lacking) == len(rule.ranges):
        return ["it was never measured"]
    return [f"not measured on {rule.named(lacking)}"] if lacking else []


def _not_measured_again(
    results: Sequence[Row], reworks: Sequence[Rework], rule: ShipRule
) -> list[str]:
    touched = [one for one in reworks if one.kind != ReworkKind.REGRADE]
    stale = [
        str(one["range"])
        for one in results
        if any(
            one["started_at"] < rework.reworked_at
            for rework in touched
            if rework.range in (None, one["range"])
        )
    ]
    return [f"not measured since its rework on {rule.named(stale)}"] if stale else []


def _not_conforming(
    results: Sequence[Row],
    reworks: Sequence[Rework],
    held: Sequence[HoldState],
    rule: ShipRule,
) -> list[str]:
    """Say each verdict that keeps a unit in, with all ranges that have it."""
    regraded = {
        one.range: one.limit_ppm for one in reworks if one.kind == ReworkKind.REGRADE
    }
    ranges: dict[tuple[str, str], list[str]] = {}
    for one in results:
        if (
            one["verdict"] not in (Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD)
            and not _within_grade(one, regraded.get(one["range"]))
            and not _conceded(one, held)
        ):
            said = (str(one["verdict"]), _why_not_judged(one))
            ranges.setdefault(said, []).append(one["range"])
    return [
        f"{verdict} on {rule.named(some)}{why}"
        for (verdict, why), some in ranges.items()
    ]


def _why_not_judged(result: Row) -> str:
    """Say why a range has no verdict; nothing of one that has."""
    if result["verdict"] != Verdict.NOT_JUDGED:
        return ""
    points = JudgedPoint.of(result["points"])
    unread = any(one.verdict == NOT_READ for one in points)
    return NOT_AT_ALL_POINTS if unread else TOO_POOR


def _within_grade(result: Row, limit_ppm: float | None) -> bool:
    """Whether a range conforms to the wider limit that it was regraded to.

    It takes the place of the limit's part of reading, at every point but zero. There
    the limit of full scale stands.
    """
    if limit_ppm is None:
        return False
    points = JudgedPoint.of(result["points"])
    if not points:
        least_ppm = abs(result["error_ppm"]) + 2 * result["uncertainty_ppm"]
        return bool(least_ppm <= limit_ppm)
    return all(
        one.verdict == Verdict.CONFORMING
        or (
            one.of_full_scale != 0
            and one.verdict != NOT_READ
            and abs(one.error_ppm) + 2 * one.uncertainty_ppm
            <= limit_ppm * abs(one.of_full_scale)
        )
        for one in points
    )


def _conceded(result: Row, held: Sequence[HoldState]) -> bool:
    """Whether a person let this unit go as it was measured."""
    return any(
        one.scope == Scope.UNIT
        and one.disposal == Disposal.CONCESSION
        and one.ended_at is not None
        and one.ended_at >= result["judged_at"]
        for one in held
    )


def _outdated(results: Sequence[Row], runs: Sequence[Row], rule: ShipRule) -> list[str]:
    judged_by = {one["number"]: one["configuration"] for one in runs}
    old = {judged_by[one["number"]] for one in results} - set(rule.configurations)
    return ["it was judged by settings that are no longer in force"] if old else []
