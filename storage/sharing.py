"""Several benches with one record: what a bench tells, and what it hears of others.

A bench keeps its rows in a file of its own and goes on without a network. Each command
that it keeps is written down in the same transaction (`outgoing`) and told to the
shared database later, in its order, each once. There all benches' commands stand in
one log; each bench takes in what others recorded and decided of builds, reels and
units, so that a reel held at one bench is held at all. Measurements stay where they
were made: each bench watches its own.

Two things have another name there. Run numbers count all benches' runs, so a command
goes with the run that each number stands for. A finding and a hold are named after what
they were found in, which two benches may share: `_Names.there` adds the bench.
"""

import hashlib
import json
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, TypeVar

from storage import commands, wire
from storage.commands import decide, keep_one, require_same, same_person
from storage.door import Cell, cells
from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.every_record import RECORDS
from storage.kept import Record, words
from storage.records import (
    Build,
    CrossCheck,
    Decision,
    Doubt,
    Evaluation,
    Fitting,
    Hold,
    HoldEnd,
    Product,
    Proof,
    Reel,
    ReelCheck,
    Run,
    RunKind,
    Signal,
    StandardValue,
    Unit,
    WholeRun,
)
from storage.records_alerts import Acknowledgement, Alert
from storage.records_amending import Amendment
from storage.records_sharing import NotShared, SharedView
from storage.records_shipping import (
    ContainmentStep,
    PastShipment,
    ReelReceipt,
    Rework,
    Shipment,
    UnitReturn,
)
from storage.runs import record_run, record_runs
from storage.store import Store
from storage.tables import Transaction, compare, find, insert, keep_row

R = TypeVar("R", bound=Record)

OF_THE_BENCH = (Alert, Acknowledgement)
"""What stays with a bench: its messages to its own people."""
HEARD = (
    Product,
    Build,
    Reel,
    ReelReceipt,
    ReelCheck,
    Fitting,
    Hold,
    HoldEnd,
    Shipment,
    UnitReturn,
    Rework,
    PastShipment,
    ContainmentStep,
    StandardValue,
    Amendment,
)
"""What is one truth at all benches."""
REFUSED = (ConflictError, NotFoundError, RefusedValueError)
"""What says that a command contradicts what is recorded: no later try helps."""
TOLD, HEARD_TO, WHOLE = "told", "heard", "whole"
SHARES, FILE, LOST = "shares", "file", "lost"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A command of a bench: `number` is the bench's count, or its place in the log."""

    number: int | None
    bench: str
    command: str
    body: str
    runs: Mapping[int, str]
    """By run number of the bench: the run."""


def refusal(entry: Entry, error: Exception) -> NotShared:
    """Return what is noted of a command that was refused."""
    body = digest(entry.body)[:16]
    return NotShared(
        not_shared=f"{entry.bench}/{body}",
        bench=entry.bench,
        said=_what(entry),
        reason=str(error),
        noted_at=datetime.now(UTC),
    )


def _what(entry: Entry) -> str:
    """Return in words what a command is about."""
    said = json.loads(entry.body)
    match entry.command:
        case "keep":
            ((table, row),) = said["rows"][0].items()
            record = RECORDS[table]
            return f"{words(record)} {row[record.kept.key[0]]}"
        case "record_run":
            return f"measurement of {said['run']['serial']}"
        case "record_runs":
            first, last = said["runs"][0]["run"], said["runs"][-1]["run"]
            return f"measurements of {first['serial']} to {last['serial']}"
        case "shipped":
            return f"shipment of {said['shipment']['serial']}"
        case "amended":
            return f"correction of {said['amendment']['subject']}"
        case _:
            return "what was found"


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """How far a bench is; see the table `sharing`."""

    shares: bool
    file: int
    told: int
    heard: int
    is_whole: bool
    lost: int
    """The first count that a file which was put back has lost; 0 where none."""
    waiting: int


# What is told of commands that are told otherwise than they were asked.


def watched(
    *, product: str, number: int, signals: Sequence[Signal], holds: Sequence[Hold]
) -> None:
    """Tell that the product's runs up to `number` were watched; what was found."""


def shipped(*, shipment: Shipment, against: Sequence[str], decision: Decision) -> None:
    """Tell that a unit has left."""


def amended(*, amendment: Amendment, decision: Decision) -> None:
    """Tell that a row was put right, whether it says so there by now or not."""


# What a bench writes down.


# At every unit, twice: one statement, since planning one is what it costs.
_WRITTEN_DOWN = """
insert into outgoing (seq, command, body, numbers, kept_at)
select
    1 + greatest(
        coalesce((select max(seq) from outgoing), 0),
        coalesce((select max(number) from sharing where what = $told), 0)
    ),
    $command,
    $body,
    $numbers,
    $kept_at
"""


def note(
    transaction: Transaction,
    command: str,
    body: bytes,
    numbers: Iterable[int] = (),
) -> None:
    """Write a command down that the same transaction keeps."""
    transaction.run(
        _WRITTEN_DOWN,
        {
            "command": command,
            "body": body.decode(),
            "numbers": json.dumps(sorted(set(numbers) - {0})),
            "kept_at": datetime.now(UTC),
            "told": TOLD,
        },
    )


def note_rows(
    transaction: Transaction, rows: Sequence[Record], decision: Decision | None
) -> None:
    """Write down rows that are kept alone, but for those of the bench itself."""
    told = [one for one in rows if not isinstance(one, OF_THE_BENCH)]
    if told:
        body = wire.encode_rows(told, decision)
        note(transaction, "keep", body, numbers_of(told))


def note_watched(transaction: Transaction, evaluation: Evaluation) -> None:
    """Write down how far was watched, with what was found."""
    body = wire.encode_command(
        product=evaluation.product,
        number=evaluation.number,
        signals=evaluation.signals,
        holds=evaluation.holds,
    )
    numbers = [evaluation.number, *numbers_of(evaluation.signals)]
    note(transaction, "watched", body, numbers)


def note_shipped(
    transaction: Transaction, shipment: Shipment, decision: Decision
) -> None:
    """Write down a shipment that the same transaction has kept."""
    note(transaction, "shipped", shipped_body(transaction, shipment, decision))


def shipped_body(
    transaction: Transaction, shipment: Shipment, decision: Decision
) -> bytes:
    """Return what is told of a shipment that is kept."""
    kept = find(transaction, "shipment", {"shipment": shipment.shipment}) or {}
    return wire.encode_command(
        shipment=shipment,
        against=tuple(json.loads(str(kept["against"]))),
        decision=decision,
    )


def marks(transaction: Transaction) -> Marks:
    """Return how far a bench is."""
    (row,) = transaction.ask("select count(*) as waiting from outgoing", {})
    return Marks(
        shares=_mark(transaction, SHARES) == 1,
        file=_mark(transaction, FILE),
        told=_mark(transaction, TOLD),
        heard=_mark(transaction, HEARD_TO),
        is_whole=_mark(transaction, WHOLE) == 1,
        lost=_mark(transaction, LOST),
        waiting=int(str(row["waiting"])),
    )


def digest_of(transaction: Transaction, seq: int) -> str | None:
    """Return the digest of what waits under a count; None where nothing does."""
    row = find(transaction, "outgoing", {"seq": seq})
    return None if row is None else digest(str(row["body"]))


def digest(body: str) -> str:
    """Return what a command is told from others by."""
    return hashlib.sha256(body.encode()).hexdigest()


def begin(transaction: Transaction) -> None:
    """Write down from now on what is kept; a new file gets its number."""
    _set_mark(transaction, SHARES, 1)
    if not _mark(transaction, FILE):
        _set_mark(transaction, FILE, secrets.randbits(62) or 1)


def end(transaction: Transaction) -> None:
    """Write nothing down any more, and drop what waits and what was seen."""
    _set_mark(transaction, SHARES, 0)
    _set_mark(transaction, WHOLE, 0)
    transaction.run("delete from outgoing", {})
    transaction.run("delete from shared_view", {})


def outgoing(transaction: Transaction, most: int, bench: str) -> list[Entry]:
    """Return the oldest commands that are yet to be told."""
    rows = transaction.ask(
        "select seq, command, body, numbers from outgoing order by seq limit $most",
        {"most": most},
    )
    numbers = {str(row["numbers"]): json.loads(str(row["numbers"])) for row in rows}
    runs = runs_of(transaction, (one for some in numbers.values() for one in some))
    return [
        Entry(
            number=int(str(row["seq"])),
            bench=bench,
            command=str(row["command"]),
            body=str(row["body"]),
            runs={
                one: runs[one] for one in numbers[str(row["numbers"])] if one in runs
            },
        )
        for row in rows
    ]


def note_told(
    transaction: Transaction, to: int, refused: Sequence[NotShared], *, whole: bool
) -> None:
    """Note how far was told; what was told goes."""
    transaction.run("delete from outgoing where seq <= $to", {"to": to})
    _set_mark(transaction, TOLD, to)
    if whole:
        _set_mark(transaction, WHOLE, 1)
        _set_mark(transaction, LOST, 0)
    for one in refused:
        _note_refusal(transaction, one)


def begin_anew(
    transaction: Transaction, *, there: int, last: int, from_start: bool
) -> None:
    """Count on from what the shared database has of the bench.

    What waits is counted anew behind it. `last` is the last place of the shared log:
    nothing behind it was heard. `from_start` says that the file was put back.
    """
    (row,) = transaction.ask("select coalesce(min(seq), 0) as first from outgoing", {})
    first = int(str(row["first"]))
    if first and first <= there:
        by = there - first + 1
        transaction.run("update outgoing set seq = seq + $by", {"by": by})
    # Told once and not known here: it is heard again, and no more than that, since what
    # was taken back before would stand again.
    if from_start and not _mark(transaction, LOST):
        _set_mark(transaction, LOST, _mark(transaction, TOLD) + 1)
    _set_mark(transaction, TOLD, there)
    _set_mark(transaction, WHOLE, 0)
    _set_mark(transaction, HEARD_TO, min(last, _mark(transaction, HEARD_TO)))


def note_heard(
    transaction: Transaction, entry: Entry, refused: NotShared | None = None
) -> None:
    """Note up to where the shared log was heard."""
    if entry.number is not None:
        note_heard_to(transaction, entry.number)
    if refused is not None:
        _note_refusal(transaction, refused)


def note_heard_to(transaction: Transaction, place: int) -> None:
    """Note that all up to a place of the shared log was heard."""
    _set_mark(transaction, HEARD_TO, place)


def note_view(transaction: Transaction, view: SharedView) -> None:
    """Note what the shared database said last of a product."""
    transaction.run(
        "insert into shared_view (shared_view, body, seen_at) "
        "values ($shared_view, $body, $seen_at) on conflict (shared_view) "
        "do update set body = excluded.body, seen_at = excluded.seen_at",
        cells(view),
    )


def _note_refusal(transaction: Transaction, one: NotShared) -> None:
    table, key = one.kept.table, one.kept.key
    keep_row(transaction, table, cells(one), key=key, unlike=("noted_at",))


def numbers_of(rows: Iterable[Record]) -> list[int]:
    """Return the run numbers that rows name."""
    numbers = []
    for one in rows:
        if isinstance(one, Signal):
            numbers.append(one.number)
        elif isinstance(one, Doubt):
            numbers += [one.from_number, one.to_number]
    return numbers


def runs_of(transaction: Transaction, numbers: Iterable[int]) -> dict[int, str]:
    """Return the runs of numbers; 0 is before the first and has none."""
    wanted: list[float] = [float(one) for one in sorted(set(numbers) - {0})]
    if not wanted:
        return {}
    rows = transaction.ask(
        "select number, run from run "
        "where number in (select unnest(cast($numbers as bigint[])))",
        {"numbers": wanted},
    )
    return {int(str(row["number"])): str(row["run"]) for row in rows}


def _mark(transaction: Transaction, what: str) -> int:
    row = find(transaction, "sharing", {"what": what})
    return 0 if row is None else int(str(row["number"]))


def _set_mark(transaction: Transaction, what: str, number: int) -> None:
    transaction.run(
        "insert into sharing (what, number) values ($what, $number) "
        "on conflict (what) do update set number = excluded.number",
        {"what": what, "number": number},
    )


# What the shared database takes.


@dataclass(frozen=True, slots=True, kw_only=True)
class Plain:
    """What most commands say: units were recorded, or watched and nothing found.

    In a row they are taken together: fewer statements leave the same rows.
    """

    entry: Entry
    runs: tuple[WholeRun, ...] = ()
    watched: tuple[str, int] | None = None
    """Of which product, up to which number of the bench."""


def plain(entry: Entry) -> Plain | None:
    """Return what a command says, None where it must be taken alone."""
    try:
        match entry.command:
            case "record_run":
                given = wire.decode_command(Store.record_run, entry.body)
                if given["run"].kind != RunKind.UNIT or given["closes"]:
                    return None
                del given["closes"]
                return Plain(entry=entry, runs=(WholeRun(**given),))
            case "record_runs":
                given = wire.decode_command(Store.record_runs, entry.body)
                return Plain(entry=entry, runs=tuple(given["runs"]))
            case "watched":
                given = wire.decode_command(watched, entry.body)
                # A hold says after which run it was placed.
                if given["signals"] or given["holds"]:
                    return None
                return Plain(entry=entry, watched=(given["product"], given["number"]))
    except RefusedValueError:
        pass  # is told where it is taken
    return None


def rows_of(entries: Iterable[Entry]) -> list[list[Plain] | Entry]:
    """Return entries in their order: plain ones that follow one another as one list."""
    found: list[list[Plain] | Entry] = []
    for entry in entries:
        said = plain(entry)
        if said is None:
            found.append(entry)
        elif found and isinstance(found[-1], list):
            found[-1].append(said)
        else:
            found.append([said])
    return found


def take_plain(transaction: Transaction, said: Sequence[Plain]) -> None:
    """Keep a bench's plain commands in the shared database.

    Raises
    ------
    ConflictError, NotFoundError, RefusedValueError
        One contradicts what is recorded there; `take` of each by itself says which.
    """
    runs = [run for one in said for run in one.runs]
    if runs:
        _await(transaction, said[0].entry.bench, [one.run for one in runs])
        record_runs(transaction, runs)
        _number_awaited(transaction)
    last = {one.watched[0]: one for one in said if one.watched}
    for product, one in last.items():
        if one.watched:
            _note_watched_to(transaction, one.entry, product, one.watched[1])


def take(transaction: Transaction, entry: Entry, others: frozenset[str]) -> None:
    """Keep a bench's command in the shared database.

    Parameters
    ----------
    others : frozenset of str
        The other benches' names.

    Raises
    ------
    ConflictError, NotFoundError, RefusedValueError
        It contradicts what is recorded there.
    """
    names = _Names(entry.bench, others)
    match entry.command:
        case "keep":
            rows, decision = wire.decode_rows(entry.body)
            told = [_numbered(transaction, one, entry.runs) for one in rows]
            _keep(transaction, told, decision, names.there)
        case "record_run":
            given = wire.decode_command(Store.record_run, entry.body)
            _await(transaction, entry.bench, [given["run"]])
            record_run(transaction, **given)
            _number_awaited(transaction)
        case "record_runs":
            given = wire.decode_command(Store.record_runs, entry.body)
            _await(transaction, entry.bench, [one.run for one in given["runs"]])
            record_runs(transaction, given["runs"])
            _number_awaited(transaction)
        case "watched":
            given = wire.decode_command(watched, entry.body)
            _take_watched(transaction, entry, names, **given)
        case "shipped":
            _take_shipped(transaction, **wire.decode_command(shipped, entry.body))
        case "amended":
            _take_amended(transaction, **wire.decode_command(amended, entry.body))
        case _:
            raise NotFoundError(kind="command", key=entry.command)


class _Names:
    """Names of findings and holds: at their bench, and in the shared database."""

    def __init__(self, bench: str, others: frozenset[str]) -> None:
        self._bench = bench
        self._others = tuple(f"@{one}" for one in others)

    def there(self, name: str) -> str:
        """Return a bench's name as it is in the shared database."""
        return name if name.endswith(self._others) else f"{name}@{self._bench}"

    def here(self, name: str) -> str:
        """Return a shared name as it is at the bench."""
        return name.removesuffix(f"@{self._bench}")


def _renamed(row: R, name: Any) -> R:
    """Return a row with its findings and holds named as they are elsewhere."""
    columns: tuple[str, ...]
    match row:
        case Signal() | Proof() | CrossCheck():
            columns = ("signal",)
        case Hold():
            columns = ("hold", "signal")
        case HoldEnd():
            columns = ("hold",)
        case _:
            columns = ()
    named = {one: getattr(row, one) for one in columns}
    return replace(  # type: ignore[type-var]
        row, **{one: name(value) for one, value in named.items() if value is not None}
    )


def _keep(
    transaction: Transaction,
    rows: Sequence[Record],
    decision: Decision | None,
    name: Any,
) -> None:
    renamed = [_renamed(one, name) for one in rows]
    if decision is not None:
        for one, new in zip(rows, renamed, strict=True):
            if _hold_of(one) == decision.subject:
                decision = replace(decision, subject=_hold_of(new))
    commands.keep(transaction, renamed, decision)


def _hold_of(row: Record) -> str:
    return row.hold if isinstance(row, Hold | HoldEnd) else ""


def _numbered(transaction: Transaction, row: R, runs: Mapping[int, str]) -> R:
    """Return a row with the numbers that its runs have here."""
    match row:
        case Signal():
            number = _number(transaction, row.number, runs)
            return replace(row, number=number)
        case Doubt():
            first = _number(transaction, row.from_number, runs)
            last = _number(transaction, row.to_number, runs)
            return replace(row, from_number=first, to_number=last)
        case _:
            return row


def _number(transaction: Transaction, number: int, runs: Mapping[int, str]) -> int:
    if number == 0:
        return 0
    run = runs.get(number, f"of number {number}")
    row = find(transaction, "run", {"run": run})
    if row is None:
        raise NotFoundError(kind="run", key=run)
    return int(str(row["number"]))


def _await(transaction: Transaction, bench: str, runs: Sequence[Run]) -> None:
    """Note runs that are new here: their bench is to say that it has watched them.

    Their sessions are the bench's, too.
    """
    for session in dict.fromkeys(one.session for one in runs):
        transaction.run(
            "insert into measured_at (session, bench) values ($session, $bench) "
            "on conflict (session) do nothing",
            {"session": session, "bench": bench},
        )
    known = transaction.ask(
        "select run from run where run in (select unnest(cast($runs as text[])))",
        {"runs": sorted({one.run for one in runs})},
    )
    there = {str(one["run"]) for one in known}
    # A command may have been told twice in a row.
    new: dict[str, dict[str, Cell]] = {
        one.run: {"run": one.run, "bench": bench, "product": one.product, "number": 0}
        for one in runs
        if one.run not in there
    }
    if new:
        insert(transaction, "awaited", list(new.values()))


def _number_awaited(transaction: Transaction) -> None:
    transaction.run(
        "update awaited set number = "
        "(select run.number from run where run.run = awaited.run) where number = 0",
        {},
    )


def _take_watched(
    transaction: Transaction,
    entry: Entry,
    names: _Names,
    *,
    product: str,
    number: int,
    signals: Sequence[Signal],
    holds: Sequence[Hold],
) -> None:
    for one in signals:
        here = _numbered(transaction, one, entry.runs)
        keep_one(transaction, _renamed(here, names.there))
    for hold in holds:
        _place(transaction, _renamed(hold, names.there))
    _note_watched_to(transaction, entry, product, number)


def _note_watched_to(
    transaction: Transaction, entry: Entry, product: str, number: int
) -> None:
    """Note that a bench has watched its runs of a product up to a number of its own."""
    transaction.run(
        "delete from awaited "
        "where bench = $bench and product = $product and number <= $number",
        {
            "bench": entry.bench,
            "product": product,
            "number": _number(transaction, number, entry.runs),
        },
    )
    transaction.run(
        "insert into watermark (product, number) select $product, coalesce("
        "(select min(number) - 1 from awaited where product = $product), "
        "(select max(number) from run where product = $product), 0) "
        "on conflict (product) do update set number = excluded.number",
        {"product": product},
    )


def _place(transaction: Transaction, hold: Hold) -> None:
    """Keep a hold that watching placed, with its line in the ledger."""
    decision = Decision(
        person=hold.placed_by,
        action=commands.PLACE_HOLD,
        subject=hold.hold,
        reason=hold.reason,
        decided_at=hold.placed_at,
    )
    if keep_one(transaction, hold, decision):
        decide(transaction, [hold], decision)


def _take_shipped(
    transaction: Transaction,
    *,
    shipment: Shipment,
    against: Sequence[str],
    decision: Decision,
) -> None:
    """Keep that a unit has left: that is so, whatever is held here by now."""
    same_person(shipment, decision)
    if find(transaction, "unit", {"serial": shipment.serial}) is None:
        raise NotFoundError(kind="unit", key=shipment.serial)
    new = keep_row(
        transaction,
        "shipment",
        {**cells(shipment), "against": json.dumps(list(against))},
        key=("shipment",),
        unlike=("against",),
    )
    _decide_once(transaction, shipment, decision, new=new)


def _take_amended(
    transaction: Transaction, *, amendment: Amendment, decision: Decision
) -> None:
    """Put a row right, or note that it was where it came so already."""
    try:
        new = keep_one(transaction, amendment, decision)
    except (ConflictError, NotFoundError):
        new = keep_row(transaction, "amendment", cells(amendment), key=("amendment",))
    _decide_once(transaction, amendment, decision, new=new)


def _decide_once(
    transaction: Transaction, row: Record, decision: Decision, *, new: bool
) -> None:
    """Add a new row's decision to the ledger; a repeated one must have had the same."""
    if new:
        decide(transaction, [row], decision)
    else:
        require_same(transaction, row, decision)


# What a bench hears.


def heard(entry: Entry) -> bool:
    """Whether an entry of another bench may concern this one."""
    return entry.command in {"keep", "record_run", "record_runs", "watched", "shipped"}


def hear(transaction: Transaction, entry: Entry, bench: str) -> None:
    """Keep at a bench what another one recorded or decided.

    Raises
    ------
    ConflictError, NotFoundError, RefusedValueError
        It contradicts what is recorded here.
    """
    others = frozenset({bench}) if entry.bench else frozenset()
    names = _Names(bench, frozenset())
    there = _Names(entry.bench, others)

    def name(one: str) -> str:
        return names.here(there.there(one)) if entry.bench else names.here(one)

    match entry.command:
        case "keep":
            rows, decision = wire.decode_rows(entry.body)
            mine = [one for one in rows if isinstance(one, HEARD)]
            if mine:
                plain = [_without_finding(one, entry.bench) for one in mine]
                _keep(transaction, plain, decision, name)
        case "record_run":
            given = wire.decode_command(Store.record_run, entry.body)
            _hear_units(transaction, [given["unit"]])
        case "record_runs":
            given = wire.decode_command(Store.record_runs, entry.body)
            _hear_units(transaction, [one.unit for one in given["runs"]])
        case "watched":
            for one in wire.decode_command(watched, entry.body)["holds"]:
                _place(transaction, _renamed(_without_finding(one, entry.bench), name))
        case "shipped":
            _take_shipped(transaction, **wire.decode_command(shipped, entry.body))
        case _:
            pass


def hear_plain(transaction: Transaction, said: Sequence[Plain]) -> None:
    """Keep at a bench which units another one recorded.

    Raises
    ------
    ConflictError
        One is recorded here otherwise.
    """
    wanted: dict[str, dict[str, Cell]] = {}
    for unit in (run.unit for one in said for run in one.runs):
        if unit is not None:
            row = cells(unit)
            compare("unit", unit.serial, wanted.setdefault(unit.serial, row), row)
    if not wanted:
        return
    known = transaction.ask(
        "select * from unit "
        "where serial in (select unnest(cast($serials as text[]))) order by serial",
        {"serials": sorted(wanted)},
    )
    for one in known:
        compare("unit", str(one["serial"]), one, wanted.pop(str(one["serial"])))
    if wanted:
        insert(transaction, "unit", list(wanted.values()))


def _without_finding(row: R, bench: str) -> R:
    """Return a hold without its finding, which stays at the bench that found it."""
    if isinstance(row, Hold) and row.signal is not None:
        reason = f"{row.reason.rstrip('.')} (found at bench {bench})"
        return replace(row, signal=None, reason=reason)
    return row


def _hear_units(transaction: Transaction, units: Sequence[Unit | None]) -> None:
    for one in units:
        if one is not None:
            keep_row(transaction, "unit", cells(one), key=("serial",))
