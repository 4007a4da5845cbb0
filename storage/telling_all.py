"""All that a bench has recorded so far, as commands for a database that knows none.

Told when a bench joins a shared database, and when that was put back from an older
copy. What is there already changes nothing.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from functools import partial
from typing import TypeVar

from storage import wire
from storage.kept import Record
from storage.records import (
    BenchInstrument,
    Build,
    Calibration,
    CheckResult,
    Configuration,
    CrossCheck,
    Decision,
    Doubt,
    DoubtEnd,
    Fitting,
    Hold,
    HoldEnd,
    Product,
    Proof,
    RangeResult,
    Reel,
    ReelCheck,
    Rejudgement,
    Run,
    RunKind,
    Session,
    Signal,
    StandardCheck,
    StandardValue,
    Unit,
    WholeRun,
)
from storage.records_amending import Amendment
from storage.records_gauge import GaugeReading, GaugeStudy
from storage.records_shipping import (
    ContainmentStep,
    PastShipment,
    ReelReceipt,
    Rework,
    Shipment,
    UnitReturn,
)
from storage.sharing import Entry, numbers_of, runs_of, shipped_body
from storage.tables import Transaction, read
from storage.typed import typed_of

R = TypeVar("R", bound=Record)
Asking = Callable[[Callable[[Transaction], list[Entry]]], list[Entry]]

_AT_ONCE = 50
_BEFORE_RUNS: tuple[type[Record], ...] = (
    Product,
    Configuration,
    Build,
    Reel,
    ReelReceipt,
    ReelCheck,
    Fitting,
    Session,
    BenchInstrument,
    GaugeStudy,
)
_AFTER_SIGNALS: tuple[type[Record], ...] = (
    Doubt,
    Proof,
    CrossCheck,
    StandardCheck,
    GaugeReading,
)
_DECIDED: Mapping[type[Record], str] = {
    Calibration: "noted_at",
    StandardValue: "assigned_at",
    Hold: "placed_at",
    HoldEnd: "ended_at",
    DoubtEnd: "ended_at",
    Shipment: "shipped_at",
    UnitReturn: "returned_at",
    PastShipment: "shipped_at",
    Rework: "reworked_at",
    ContainmentStep: "noted_at",
}
"""What people decide, with the column that says when."""


def everything(bench: str, asked: Asking) -> Iterator[Entry]:
    """Return everything as commands, in an order in which each may be kept.

    Parameters
    ----------
    asked : callable
        Calls what it is given inside a transaction of the bench's file; each piece is
        one, so that the bench goes on in between.
    """
    told = _Told(bench)
    yield from asked(told.amendments)
    for kind in _BEFORE_RUNS:
        yield from asked(partial(told.rows, kind))
    while piece := asked(told.runs):
        yield from piece
    yield from asked(told.watched)
    for kind in _AFTER_SIGNALS:
        yield from asked(partial(told.rows, kind))
    yield from asked(told.decided)
    yield from asked(told.amendments)


class _Told:
    """Where the telling is."""

    def __init__(self, bench: str) -> None:
        self._bench = bench
        self._after = 0

    def rows(self, kind: type[Record], ask: Transaction) -> list[Entry]:
        """Return rows of a record that are kept alone."""
        rows = read(ask, kind)
        return [
            self._entry(
                ask,
                "keep",
                wire.encode_rows(piece, None),
                numbers_of(piece),
            )
            for piece in _pieces(rows)
        ]

    def runs(self, ask: Transaction) -> list[Entry]:
        """Return the next runs with all that belongs to each; none after the last."""
        found = ask.ask(
            "select * from run where number > $after order by number limit $most",
            {"after": self._after, "most": _AT_ONCE},
        )
        if not found:
            return []
        first, last = found[0]["number"], found[-1]["number"]
        self._after = int(str(last))
        results = _by_run(ask, RangeResult, first, last)
        checks = _by_run(ask, CheckResult, first, last)
        entries: list[Entry] = []
        units: list[WholeRun] = []
        for run in typed_of(Run, found):
            whole = WholeRun(
                run=run,
                results=tuple(results[run.run]),
                unit=self._unit(run),
                checks=tuple(checks[run.run]),
            )
            if run.kind == RunKind.UNIT:
                units.append(whole)
                continue
            # Units before a check first: it judges them again.
            entries += self._units(ask, units)
            units = []
            closed = ask.ask(
                "select * from rejudgement where check_run = $run order by run, range",
                {"run": run.run},
            )
            body = wire.encode_command(
                run=run,
                results=whole.results,
                unit=None,
                checks=whole.checks,
                closes=typed_of(Rejudgement, closed),
            )
            entries.append(self._entry(ask, "record_run", body))
        return [*entries, *self._units(ask, units)]

    def watched(self, ask: Transaction) -> list[Entry]:
        """Return how far each product was watched, with all findings."""
        entries = []
        for mark in ask.ask("select product, number from watermark", {}):
            product, number = str(mark["product"]), int(str(mark["number"]))
            signals = [one for one in read(ask, Signal) if one.product == product]
            for piece in _pieces(signals) or [[]]:
                body = wire.encode_command(
                    product=product, number=number, signals=piece, holds=()
                )
                numbers = [number, *numbers_of(piece)]
                entries.append(self._entry(ask, "watched", body, numbers))
        return entries

    def decided(self, ask: Transaction) -> list[Entry]:
        """Return what people and the watch decided, oldest first."""
        ledger = _Ledger(ask)
        rows = [
            (getattr(one, at), place, one)
            for place, (kind, at) in enumerate(_DECIDED.items())
            for one in read(ask, kind)
        ]
        rows.sort(key=lambda one: one[:2])
        entries = []
        for at, _, row in rows:
            decision = ledger.of(row, at)
            if isinstance(row, Shipment):
                body = shipped_body(ask, row, decision)
                entries.append(self._entry(ask, "shipped", body))
            else:
                body = wire.encode_rows([row], decision)
                entries.append(self._entry(ask, "keep", body))
        return entries

    def amendments(self, ask: Transaction) -> list[Entry]:
        """Return what was put right."""
        ledger = _Ledger(ask)
        return [
            self._entry(
                ask,
                "amended",
                wire.encode_command(
                    amendment=one, decision=ledger.of(one, one.amended_at)
                ),
            )
            for one in read(ask, Amendment)
        ]

    def _units(self, ask: Transaction, runs: Sequence[WholeRun]) -> list[Entry]:
        if not runs:
            return []
        return [self._entry(ask, "record_runs", wire.encode_command(runs=tuple(runs)))]

    def _unit(self, run: Run) -> Unit | None:
        if run.kind != RunKind.UNIT or run.build is None:
            return None
        return Unit(serial=run.serial, product=run.product, build=run.build)

    def _entry(
        self,
        ask: Transaction,
        command: str,
        body: bytes,
        numbers: Sequence[int] = (),
    ) -> Entry:
        return Entry(
            number=None,
            bench=self._bench,
            command=command,
            body=body.decode(),
            runs=runs_of(ask, numbers),
        )


class _Ledger:
    """The decisions of a file, by who decided and when."""

    def __init__(self, ask: Transaction) -> None:
        self._by: dict[tuple[str, datetime], list[Decision]] = defaultdict(list)
        for row in ask.ask("select * from decision order by seq", {}):
            columns = {one.name: row[one.name] for one in fields(Decision)}
            one = Decision(**columns)  # type: ignore[arg-type]
            self._by[one.person, one.decided_at].append(one)

    def of(self, row: Record, at: datetime) -> Decision:
        """Return the decision of a row; one that says so where the ledger has none."""
        duty = row.kept.decided
        person = str(getattr(row, duty.by)) if duty is not None else ""
        key = str(getattr(row, row.kept.key[0]))
        found = self._by.get((person, at), [])
        named = [one for one in found if key in one.subject] or found
        if named:
            return named[0]
        return Decision(
            person=person,
            action="told",
            subject=key,
            reason="not in the bench's ledger",
            decided_at=at,
        )


def _pieces(rows: Sequence[R]) -> list[list[R]]:
    return [list(rows[i : i + _AT_ONCE]) for i in range(0, len(rows), _AT_ONCE)]


def _by_run(
    ask: Transaction, kind: type[R], first: object, last: object
) -> dict[str, list[R]]:
    """Return the rows that belong to runs from the number `first` to `last`, by run."""
    rows = ask.ask(
        f"select * from {kind.kept.table} "  # noqa: S608 -- our own names
        "where number >= $first and number <= $last order by number, place",
        {"first": int(str(first)), "last": int(str(last))},
    )
    found: dict[str, list[R]] = defaultdict(list)
    for one in typed_of(kind, rows):
        found[one.run].append(one)  # type: ignore[attr-defined]
    return found
