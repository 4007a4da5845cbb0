"""How a run is kept: its unit, its number, its ranges, all in one transaction."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from storage.door import Cell, cells, require_id
from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.just_kept import JustKept
from storage.records import (
    CheckResult,
    RangeResult,
    Rejudgement,
    Run,
    RunKind,
    Unit,
    WholeRun,
)
from storage.tables import Transaction, compare, find, insert

_READINGS = ("level", "reference_readings", "output_readings", "at_s")
_LATER = ("own_uncertainty_ppm", "points")
_RESULTS_BEFORE = """
select serial, range, count(*) as results from range_result
where serial {test} and kind = 'unit' group by serial, range
"""
_COPIED = ("kind", "product", "build", "serial", "started_at")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lookup:
    """Where something that a run names is found, and what a run must agree with."""

    table: str
    named_in: str
    """Column of the run."""
    key: str
    said: str = "null"
    beside: str = "null"
    number: str = "null"

    def where(self, test: str) -> str:
        """Return the statement of what is recorded under names that pass a test."""
        return (
            f"select '{self.table}' as fact, {self.key} as name, {self.said} as said, "  # noqa: S608
            f"{self.beside} as beside, {self.number} as number "
            f"from {self.table} where {self.key} {test}"
        )


_RUN = _Lookup(table="run", named_in="run", key="run", said="serial", number="number")
_LOOKUPS = (
    _RUN,
    replace(_RUN, named_in="rerun_of"),
    _Lookup(table="product", named_in="product", key="product"),
    _Lookup(
        table="session",
        named_in="session",
        key="session",
        said="cast(set_up as text)",
    ),
    _Lookup(table="configuration", named_in="configuration", key="configuration"),
    _Lookup(table="build", named_in="build", key="build", said="product"),
    _Lookup(
        table="unit", named_in="serial", key="serial", said="product", beside="build"
    ),
)
_LAST = (
    "select 'last' as fact, '' as name, null as said, null as beside, "
    "coalesce(max(number), 0) as number from run"
)
# Of many runs each kind by itself: such a union would read whole tables.
_OF_MANY = {
    one: one.where("in (select unnest(cast($names as text[])))") for one in _LOOKUPS
}
# What a check may close: its session's results, with how they were judged again.
_CLOSABLE = """
select range_result.run as of_run, range_result.range as of_range, rejudgement.*
from range_result
join run on run.run = range_result.run
left join rejudgement
    on rejudgement.run = range_result.run and rejudgement.range = range_result.range
where run.session = $session and run.kind = 'unit'
"""


def record_run(
    transaction: Transaction,
    run: Run,
    results: Sequence[RangeResult],
    unit: Unit | None,
    checks: Sequence[CheckResult] = (),
    closes: Sequence[Rejudgement] = (),
    known: JustKept | None = None,
) -> int:
    """Keep a run with all that belongs to it; return its number.

    Parameters
    ----------
    known
        What need not be asked; added to.
    """
    known = JustKept() if known is None else known
    whole = WholeRun(run=run, results=tuple(results), unit=unit, checks=tuple(checks))
    _check(whole)
    _check_closed(run, closes)
    row = cells(run)
    # In one statement: planning a statement costs more than answering it, and a union
    # is planned fastest.
    named = [
        one
        for one in _LOOKUPS
        if row[one.named_in] is not None
        and row[one.named_in] not in known.facts.get(one.table, ())
    ]
    looks = [one.where(f"= ${one.named_in}") for one in named]
    looks += [_LAST] if known.last is None else []
    found = transaction.ask(
        " union all ".join(looks), {one.named_in: row[one.named_in] for one in named}
    )
    keeping = _Keeping(transaction, found, [row], known)
    number = keeping.take(whole, row)
    keeping.end()
    _close(transaction, run, closes)
    return number


def record_runs(
    transaction: Transaction,
    runs: Sequence[WholeRun],
    known: JustKept | None = None,
) -> list[int]:
    """Keep units' runs with all that belongs to them; return their numbers.

    Parameters
    ----------
    known
        See `record_run`.
    """
    known = JustKept() if known is None else known
    rows = []
    for one in runs:
        if one.run.kind != RunKind.UNIT:
            raise RefusedValueError(
                what="run.kind", value=one.run.kind, allowed="must be a unit's"
            )
        _check(one)
        rows.append(cells(one.run))
    found = transaction.ask(_LAST, {}) if known.last is None else []
    for lookup, statement in _OF_MANY.items():
        names = {str(row[lookup.named_in]) for row in rows if row[lookup.named_in]}
        names -= set(known.facts.get(lookup.table, ()))
        if names:
            found += transaction.ask(statement, {"names": sorted(names)})
    keeping = _Keeping(transaction, found, rows, known)
    numbers = [keeping.take(one, row) for one, row in zip(runs, rows, strict=True)]
    keeping.end()
    return numbers


class _Keeping:
    """Takes runs one after another, and keeps their rows table by table at the end."""

    def __init__(
        self,
        transaction: Transaction,
        found: Sequence[Mapping[str, object]],
        rows: Sequence[Mapping[str, Cell]],
        known: JustKept,
    ) -> None:
        self._transaction = transaction
        self._known = known
        self._facts = known.named()
        for one in found:
            self._facts[str(one["fact"])][str(one["name"])] = one
        last = self._facts["last"].get("", {"number": known.last})
        self._last = _whole(last["number"])
        self._repeats = self._results_before(rows)
        self._new: dict[str, list[Mapping[str, Cell]]] = defaultdict(list)

    def take(self, whole: WholeRun, row: Mapping[str, Cell]) -> int:
        """Take a run that agrees with what is recorded; return its number."""
        run = whole.run
        ranges = [cells(one) for one in whole.results]
        beside = [cells(one) for one in whole.checks]
        known = self._facts["run"].get(run.run)
        if known is not None:
            self.end()
            _same(self._transaction, row, ranges, beside)
            return _whole(known["number"])
        self._agree(run, whole.unit)
        if run.kind == RunKind.UNIT and run.serial not in self._facts["unit"]:
            self._add_unit(run)
        self._last += 1
        number = self._last
        self._facts["run"][run.run] = {"said": run.serial, "number": number}
        self._new["run"].append({"number": number, **row})
        copied: dict[str, Cell] = {name: row[name] for name in _COPIED}
        copied["number"] = number
        kept: list[Mapping[str, Cell]] = []
        for place, one in enumerate(ranges, 1):
            of = (run.serial, str(one["range"]))
            kept.append({**one, **copied, "place": place, "repeat": self._repeats[of]})
            self._repeats[of] += run.kind == RunKind.UNIT
        self._new["range_result"] += kept
        self._known.add(number, row, kept, self._facts["session"][run.session])
        copied.pop("kind")
        for place, one in enumerate(beside, 1):
            self._new["check_result"].append({**one, **copied, "place": place})
        return number

    def end(self) -> None:
        """Keep what was taken."""
        for table in ("unit", "run", "range_result", "check_result"):
            if rows := self._new.pop(table, None):
                insert(self._transaction, table, rows)
        self._known.took(self._facts, self._last)

    def _add_unit(self, run: Run) -> None:
        require_id("serial", run.serial)
        new = {"serial": run.serial, "product": run.product, "build": run.build}
        self._new["unit"].append(new)
        self._facts["unit"][run.serial] = {"said": run.product, "beside": run.build}

    def _results_before(
        self, rows: Sequence[Mapping[str, Cell]]
    ) -> Counter[tuple[str, str]]:
        """Return how many results the units that are known have of each range."""
        units = {
            str(row["serial"])
            for row in rows
            if row["kind"] == RunKind.UNIT and str(row["serial"]) in self._facts["unit"]
        }
        if not units:
            return Counter()
        one = len(units) == 1
        found = self._transaction.ask(
            _RESULTS_BEFORE.format(
                test="= $of" if one else "in (select unnest(cast($of as text[])))"
            ),
            {"of": units.pop() if one else sorted(units)},
        )
        return Counter(
            {
                (str(each["serial"]), str(each["range"])): _whole(each["results"])
                for each in found
            }
        )

    def _agree(self, run: Run, unit: Unit | None) -> None:
        """Refuse what names the unknown, or contradicts what is recorded."""
        facts = self._facts
        for kind, key in (
            ("product", run.product),
            ("session", run.session),
            ("configuration", run.configuration),
            ("build", run.build),
            ("run", run.rerun_of),
        ):
            if key is not None and key not in facts[kind]:
                raise NotFoundError(kind=kind, key=key)
        if run.build is not None:
            kept = {"product": facts["build"][run.build]["said"]}
            compare("build", run.build, kept, {"product": run.product})
        if run.rerun_of is not None:
            kept = {"serial": facts["run"][run.rerun_of]["said"]}
            compare("run", run.rerun_of, kept, {"serial": run.serial})
        if run.kind == RunKind.UNIT:
            if known := facts["unit"].get(run.serial):
                kept = {"product": known["said"], "build": known["beside"]}
                wanted = {"product": run.product, "build": run.build}
                compare("unit", run.serial, kept, wanted)
            elif unit is None:
                raise NotFoundError(kind="unit", key=run.serial)


def _check(whole: WholeRun) -> None:
    """Refuse what contradicts itself, whatever is recorded."""
    run, results, unit = whole.run, whole.results, whole.unit
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
    _check_beside(run, whole.checks)


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
    if new:
        insert(transaction, "rejudgement", new)


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


def _whole(value: object) -> int:
    """Return a count as an integer; the database promises one."""
    if not isinstance(value, int):
        raise TypeError(value)
    return value
