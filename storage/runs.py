"""How a run is kept: its unit, its number, its ranges, all in one transaction."""

from collections.abc import Mapping, Sequence

from storage.door import Cell, cells, require_id
from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.records import CheckResult, RangeResult, Rejudgement, Run, RunKind, Unit
from storage.tables import Transaction, compare, find, insert

_READINGS = ("level", "reference_readings", "output_readings", "at_s")
_LATER = ("own_uncertainty_ppm", "points")
_COPIED_TO_CHECKS = ("product", "build", "serial", "started_at")
_COPIED = ("kind", "product", "build", "serial", "started_at")

# Everything a run must agree with, in one statement: planning a statement costs
# more than answering it, and a union is planned fastest.
_FACTS = """
select 'run' as fact, run as said, number from run where run = $run
union all
select 'product', product, null from product where product = $product
union all
select 'session', session, null from session where session = $session
union all
select 'configuration', configuration, null
from configuration where configuration = $configuration
union all
select 'product of build', product, null from build where build = $build
union all
select 'serial of rerun_of', serial, null from run where run = $rerun_of
union all
select 'product of unit', product, null from unit where serial = $serial
union all
select 'build of unit', build, null from unit where serial = $serial
union all
select 'last number', null, coalesce(max(number), 0) from run
"""
# What a check may close: its session's results, with how they were judged again.
_CLOSABLE = """
select range_result.run as of_run, range_result.range as of_range, rejudgement.*
from range_result
join run on run.run = range_result.run
left join rejudgement
    on rejudgement.run = range_result.run and rejudgement.range = range_result.range
where run.session = $session and run.kind = 'unit'
"""
_AT_ONCE = 100
"""Rows a statement: planning one of thousands takes seconds."""
_FACT_NAMES = (
    "run",
    "product",
    "session",
    "configuration",
    "build",
    "rerun_of",
    "serial",
)


def record_run(
    transaction: Transaction,
    run: Run,
    results: Sequence[RangeResult],
    unit: Unit | None,
    checks: Sequence[CheckResult] = (),
    closes: Sequence[Rejudgement] = (),
) -> int:
    """Keep a run with all that belongs to it; return its number."""
    row = cells(run)
    ranges = [cells(one) for one in results]
    beside = [cells(one) for one in checks]
    _check(run, results, unit)
    _check_beside(run, checks)
    _check_closed(run, closes)
    facts = transaction.ask(_FACTS, {name: row[name] for name in _FACT_NAMES})
    numbers = {one["fact"]: one["number"] for one in facts}
    if "run" in numbers:
        _same(transaction, row, ranges, beside)
        _close(transaction, run, closes)
        return _whole(numbers["run"])
    said = {str(one["fact"]): one["said"] for one in facts}
    _agree(run, unit, said)
    before: dict[str, int] = {}
    if run.kind == RunKind.UNIT:
        if "build of unit" in said:
            before = _results_before(transaction, run.serial)
        else:
            new = {"serial": run.serial, "product": run.product, "build": run.build}
            require_id("serial", run.serial)
            insert(transaction, "unit", [new])
    number = _whole(numbers["last number"]) + 1
    insert(transaction, "run", [{"number": number, **row}])
    if ranges:
        copied: dict[str, Cell] = {name: row[name] for name in _COPIED}
        copied["number"] = number
        placed = [
            {**one, **copied, "place": place, "repeat": before.get(result.range, 0)}
            for place, (one, result) in enumerate(zip(ranges, results, strict=True), 1)
        ]
        insert(transaction, "range_result", placed)
    if beside:
        copied = {name: row[name] for name in _COPIED_TO_CHECKS}
        copied["number"] = number
        insert(
            transaction,
            "check_result",
            [{**one, **copied, "place": i} for i, one in enumerate(beside, 1)],
        )
    _close(transaction, run, closes)
    return number


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


def _check_beside(run: Run, checks: Sequence[CheckResult]) -> None:
    names = [one.name for one in checks]
    for one in checks:
        if one.run != run.run:
            raise RefusedValueError(
                what="check.run", value=one.run, allowed=f"must be the run's, {run.run}"
            )
        if names.count(one.name) > 1:
            raise RefusedValueError(
                what="check.name", value=one.name, allowed="must be there once a run"
            )


def _check_closed(run: Run, closes: Sequence[Rejudgement]) -> None:
    if closes and run.kind != RunKind.CHECK:
        raise RefusedValueError(
            what="closes", value=closes[0].run, allowed="goes with a check's run alone"
        )
    for one in closes:
        if one.check_run != run.run:
            raise RefusedValueError(
                what="rejudgement.check_run",
                value=one.check_run,
                allowed=f"must be the run's, {run.run}",
            )


def _close(transaction: Transaction, run: Run, closes: Sequence[Rejudgement]) -> None:
    """Keep how a check judges units' runs of its own session again, each once."""
    if not closes:
        return
    there = {
        (str(one["of_run"]), str(one["of_range"])): one
        for one in transaction.ask(_CLOSABLE, {"session": run.session})
    }
    new = []
    for row in (cells(one) for one in closes):
        key = f"{row['run']}/{row['range']}"
        found = there.get((str(row["run"]), str(row["range"])))
        if found is None:
            raise NotFoundError(kind="unit's result in this session", key=key)
        if found["run"] is None:
            new.append(row)
        else:
            compare("rejudgement", key, found, row)
    for first in range(0, len(new), _AT_ONCE):
        insert(transaction, "rejudgement", new[first : first + _AT_ONCE])


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


def _agree(run: Run, unit: Unit | None, said: Mapping[str, object]) -> None:
    """Refuse what names the unknown, or contradicts what is recorded."""
    for kind, key, fact in (
        ("product", run.product, "product"),
        ("session", run.session, "session"),
        ("configuration", run.configuration, "configuration"),
        ("build", run.build, "product of build"),
        ("run", run.rerun_of, "serial of rerun_of"),
    ):
        if key is not None and fact not in said:
            raise NotFoundError(kind=kind, key=key)
    if run.build is not None:
        kept = {"product": said["product of build"]}
        compare("build", run.build, kept, {"product": run.product})
    if run.rerun_of is not None:
        kept = {"serial": said["serial of rerun_of"]}
        compare("run", run.rerun_of, kept, {"serial": run.serial})
    if run.kind == RunKind.UNIT:
        if "build of unit" in said:
            kept = {"product": said["product of unit"], "build": said["build of unit"]}
            wanted = {"product": run.product, "build": run.build}
            compare("unit", run.serial, kept, wanted)
        elif unit is None:
            raise NotFoundError(kind="unit", key=run.serial)


def _same(
    transaction: Transaction,
    row: Mapping[str, Cell],
    ranges: Sequence[Mapping[str, Cell]],
    beside: Sequence[Mapping[str, Cell]],
) -> None:
    """Refuse a repeated run that says something else than the kept one."""
    key = str(row["run"])
    compare("run", key, find(transaction, "run", {"run": key}) or {}, row)
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
        # A row of before these columns says the same without them.
        wanted = {
            name: value
            for name, value in one.items()
            if name not in _LATER or result[name] is not None
        }
        compare("range result", f"{key}/{one['range']}", result, wanted)
    kept = transaction.ask(
        "select * from check_result where run = $run order by place", {"run": key}
    )
    if [one["name"] for one in kept] != [one["name"] for one in beside]:
        names = ", ".join(str(one["name"]) for one in kept) or "none"
        raise ConflictError(kind="run", key=key, detail=f"with checks {names}")
    for result, one in zip(kept, beside, strict=True):
        compare("check result", f"{key}/{one['name']}", result, one)


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
