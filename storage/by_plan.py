"""When the sample plan lets a unit leave that was not measured on every range.

Such a unit rests on others of its build: on enough of them measured on every range
and found good, at least one of each reel that it carries, and on nothing being known
against any of them. A unit that is alone odd is no example for others, and nothing
against them.
"""

from collections.abc import Callable, Mapping, Sequence
from math import ceil
from typing import Any

from storage.answers import HoldState
from storage.records import Cause, Fitting, Verdict
from storage.records_shipping import Rework, ReworkKind, SampleRule
from storage.serials import reels_of
from storage.tables import Transaction, read
from storage.typed import typed_of

GOOD = (Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD)
_DIGITS = 9
"""A share times a count is no whole number by a rounding of the last digits alone."""

Row = Mapping[str, Any]

_PLANNED = """
select build.planned_units, unit.serial from unit
join build on build.build = unit.build
where unit.build = $build and unit.product = $product
"""
_LATEST = """
select
    latest_result.serial, latest_result.range, latest_result.started_at,
    latest_result.verdict, run.configuration,
    latest_result.number in (
        select number from run_in_doubt where product = $product
    ) as in_doubt
from latest_result
join run on run.number = latest_result.number
where latest_result.build = $build and latest_result.product = $product
"""
_REWORKS = """
select rework.* from rework join unit on unit.serial = rework.serial
where unit.build = $build and unit.product = $product
"""
_FINDINGS = """
with finding as (
    select signal.signal, signal.cause, signal.first_serial from signal
    join latest_signal
        on latest_signal.signal = signal.signal
        and latest_signal.revision = signal.revision
    where signal.build = $build and latest_signal.product = $product
        and signal.cause <> 'chart' and signal.standing
)
select * from finding
where signal in (select signal from open_hold)
    or signal not in (select signal from hold where signal is not null)
order by signal
"""
_HOLDS = "select hold from hold_on_build where build = $build"
_NOT_EVALUATED = """
select count(*) as runs from run
where build = $build and product = $product and kind = 'unit'
    and number > coalesce(
        (select number from watermark where product = $product), 0
    )
"""


def against(
    transaction: Transaction,
    *,
    product: str,
    build: str,
    serial: str,
    missing: Sequence[str],
    holds: Sequence[HoldState],
    ranges: Sequence[str],
    is_current: Callable[[str], bool],
    sample: SampleRule,
    named: Callable[[Sequence[str]], str],
) -> list[str]:
    """Return why the plan does not let a unit leave that lacks ranges; none if so.

    Parameters
    ----------
    missing
        Ranges of the product on which the unit was not measured.
    holds
        Open ones of the product that do not concern the unit itself.
    ranges
        All ranges of the product.
    is_current
        Whether a configuration judges as today's settings do.
    named
        Returns ranges as people call them.
    """
    about = {"build": build, "product": product}
    units = transaction.ask(_PLANNED, about)
    serials = {str(one["serial"]) for one in units}
    planned = max((int(str(one["planned_units"] or 0)) for one in units), default=0)
    of = max(planned, len(serials))
    reworks = typed_of(Rework, transaction.ask(_REWORKS, about))
    results = transaction.ask(_LATEST, about)
    findings = transaction.ask(_FINDINGS, about)
    odd = {str(o["first_serial"]) for o in findings if o["cause"] == Cause.UNIT}
    good = _good(results, reworks, ranges, is_current) - odd
    needed = ceil(round(sample.share * of, _DIGITS))
    owed = [key for key in missing if key in sample.ranges]
    said = []
    if len(good) < needed:
        said.append(
            f"{len(good)} of {of} units of its build are measured on every range and "
            f"good; the plan asks for {needed}"
        )
    fittings = read(transaction, Fitting, build=build, product=product)
    replaced = [one for one in reworks if one.kind == ReworkKind.REPLACE]
    said += [
        f"none of its build that is measured on every range and good has reel "
        f"{reel} ({part}), as it does"
        for part, reel in _unproven(serial, good, fittings, replaced)
    ]
    if holds:
        standing = {one["hold"] for one in transaction.ask(_HOLDS, {"build": build})}
        said += [
            f"a hold stands on its build ({one.scope} {one.subject})"
            for one in holds
            if one.hold in standing
        ]
    said += [
        f"finding {one['signal']} stands on its build"
        for one in findings
        if one["cause"] != Cause.UNIT
    ]
    if int(str(transaction.ask(_NOT_EVALUATED, about)[0]["runs"])):
        said.append("a run of its build is not evaluated yet")
    return [
        *(
            [f"not measured on {named(owed)}, which the plan asks of each unit"]
            if owed
            else ()
        ),
        *(f"measured by plan, but {one}" for one in said),
    ]


def _good(
    results: Sequence[Row],
    reworks: Sequence[Rework],
    ranges: Sequence[str],
    is_current: Callable[[str], bool],
) -> set[str]:
    """Return the units whose every range is measured as it is now, and good."""
    found: dict[str, set[str]] = {}
    for one in results:
        stale = any(
            rework.serial == one["serial"]
            and rework.kind != ReworkKind.REGRADE
            and rework.reworked_at > one["started_at"]
            for rework in reworks
        )
        if (
            one["verdict"] in GOOD
            and not one["in_doubt"]
            and not stale
            and is_current(str(one["configuration"]))
        ):
            found.setdefault(str(one["serial"]), set()).add(str(one["range"]))
    return {serial for serial, there in found.items() if there.issuperset(ranges)}


def _unproven(
    serial: str, good: set[str], fittings: Sequence[Fitting], replaced: Sequence[Rework]
) -> list[tuple[str, str]]:
    """Return part and reel of what a unit carries and no good unit does.

    Without any good unit there is no more to say than that.
    """
    if not good:
        return []
    carried = {
        reel
        for other in good
        for reel in reels_of(
            other, fittings, [one for one in replaced if one.serial == other]
        ).values()
    }
    mine = reels_of(serial, fittings)
    return [(part, reel) for part, reel in mine.items() if reel not in carried]
