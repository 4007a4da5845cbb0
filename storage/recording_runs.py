"""How a run is kept: its unit, its number, its ranges, all in one transaction."""

from collections.abc import Mapping, Sequence

from storage.door import Cell, cells
from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.records import RangeResult, Run, RunKind, Unit
from storage.tables import Transaction, compare, find, insert

_READINGS = ("level", "reference_readings", "output_readings", "at_s")
_COPIED = ("kind", "product", "build", "serial", "started_at")

# Everything a new run must agree with, in one statement: planning a statement
# costs more than answering it.
_FACTS = """
select
    (select product from product where product = $product) as product,
    (select session from session where session = $session) as session,
    (
        select configuration from configuration where configuration = $configuration
    ) as configuration,
    (select product from build where build = $build) as build,
    (select serial from run where run = $rerun_of) as rerun_of,
    (select product from unit where serial = $serial) as unit_product,
    (select build from unit where serial = $serial) as unit_build,
    (select coalesce(max(number), 0) from run) as last_number
"""


def record_run(
    transaction: Transaction,
    run: Run,
    results: Sequence[RangeResult],
    unit: Unit | None,
) -> int:
    """Keep a run with its ranges and, when new, its unit; return its number."""
    row = cells(run)
    ranges = [cells(one) for one in results]
    _check(run, results, unit)
    kept = find(transaction, "run", {"run": run.run})
    if kept is not None:
        _same(transaction, kept, row, ranges)
        return _whole(kept["number"])
    facts = transaction.ask(_FACTS, {name: row[name] for name in _FACT_NAMES})[0]
    _agree(run, unit, facts)
    before: dict[str, int] = {}
    if run.kind == RunKind.UNIT:
        if facts["unit_build"] is None:
            new = {"serial": run.serial, "product": run.product, "build": run.build}
            insert(transaction, "unit", [new])
        else:
            before = _results_before(transaction, run.serial)
    number = _whole(facts["last_number"]) + 1
    insert(transaction, "run", [{"number": number, **row}])
    if ranges:
        copied: dict[str, Cell] = {name: row[name] for name in _COPIED}
        copied["number"] = number
        placed = [
            {**one, **copied, "place": place, "repeat": before.get(result.range, 0)}
            for place, (one, result) in enumerate(zip(ranges, results, strict=True), 1)
        ]
        insert(transaction, "range_result", placed)
    return number


_FACT_NAMES = ("product", "session", "configuration", "build", "rerun_of", "serial")


def _check(run: Run, results: Sequence[RangeResult], unit: Unit | None) -> None:
    """Refuse what contradicts itself, whatever is recorded."""
    if run.kind == RunKind.UNIT and run.build is None:
        raise RefusedValueError(
            what="run.build", value=None, allowed="a unit's run must name its build"
        )
    if run.finished_at < run.started_at:
        raise RefusedValueError(
            what="run.finished_at",
            value=run.finished_at,
            allowed=f"must not be before started_at, {run.started_at}",
        )
    if unit is not None:
        _check_unit(run, unit)
    seen: set[str] = set()
    for one in results:
        _check_result(run, one)
        if one.range in seen:
            raise RefusedValueError(
                what="result.range", value=one.range, allowed="must be there once a run"
            )
        seen.add(one.range)


def _check_unit(run: Run, unit: Unit) -> None:
    if run.kind != RunKind.UNIT:
        raise RefusedValueError(
            what="unit", value=unit.serial, allowed="goes with a unit's run alone"
        )
    for name in ("serial", "product", "build"):
        if getattr(unit, name) != getattr(run, name):
            raise RefusedValueError(
                what=f"unit.{name}",
                value=getattr(unit, name),
                allowed=f"must be the run's, {getattr(run, name)}",
            )


def _check_result(run: Run, result: RangeResult) -> None:
    if result.run != run.run:
        raise RefusedValueError(
            what="result.run", value=result.run, allowed=f"must be the run's, {run.run}"
        )
    counts = {len(getattr(result, name)) for name in _READINGS} - {0}
    if len(counts) > 1:
        raise RefusedValueError(
            what=f"readings of range {result.range}",
            value=sorted(counts),
            allowed="every list must be equally long, or empty",
        )


def _agree(run: Run, unit: Unit | None, facts: Mapping[str, object]) -> None:
    """Refuse what names the unknown, or contradicts what is recorded."""
    for kind in ("product", "session", "configuration", "build", "rerun_of"):
        key = getattr(run, kind)
        if key is not None and facts[kind] is None:
            raise NotFoundError(kind="run" if kind == "rerun_of" else kind, key=key)
    if run.build is not None and facts["build"] != run.product:
        raise ConflictError(
            kind="build", key=run.build, detail=f"of product {facts['build']!r}"
        )
    if run.rerun_of is not None and facts["rerun_of"] != run.serial:
        raise ConflictError(
            kind="run", key=run.rerun_of, detail=f"of serial {facts['rerun_of']!r}"
        )
    if run.kind != RunKind.UNIT:
        return
    if facts["unit_build"] is None:
        if unit is None:
            raise NotFoundError(kind="unit", key=run.serial)
        return
    if (facts["unit_product"], facts["unit_build"]) != (run.product, run.build):
        raise ConflictError(
            kind="unit",
            key=run.serial,
            detail=f"of build {facts['unit_build']!r}, "
            f"product {facts['unit_product']!r}",
        )


def _same(
    transaction: Transaction,
    kept: Mapping[str, object],
    row: Mapping[str, Cell],
    ranges: Sequence[Mapping[str, Cell]],
) -> None:
    """Refuse a repeated run that says something else than the kept one."""
    key = str(row["run"])
    compare("run", key, kept, row)
    results = transaction.ask(
        "select * from range_result where run = $run order by place", {"run": key}
    )
    if [one["range"] for one in results] != [one["range"] for one in ranges]:
        raise ConflictError(
            kind="run",
            key=key,
            detail=f"with ranges {', '.join(str(one['range']) for one in results)}",
        )
    for result, one in zip(results, ranges, strict=True):
        compare("range result", f"{key}/{one['range']}", result, one)


def _results_before(transaction: Transaction, serial: str) -> dict[str, int]:
    """Return how many results of each range the unit already has."""
    rows = transaction.ask(
        "select range, count(*) as results from range_result "
        "where serial = $serial and kind = 'unit' group by range",
        {"serial": serial},
    )
    return {str(one["range"]): _whole(one["results"]) for one in rows}


def _whole(value: object) -> int:
    """Return a count as an integer; the database promises one."""
    if not isinstance(value, int):
        raise TypeError(value)
    return value
