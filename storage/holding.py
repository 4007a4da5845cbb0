"""Which holds keep a unit from leaving, asked inside a transaction.

Putting a record right must end no hold: a person does that, by name.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime

from storage.answers import HoldState
from storage.door import Cell
from storage.records import Disposal, Fitting, Hold, Scope
from storage.records_shipping import Rework, ReworkKind
from storage.serials import reels_of, within
from storage.statements import query
from storage.tables import Transaction, read
from storage.typed import typed_of

_UNITS = "select serial from unit where build = $build and product = $product"
_REWORKS = """
select rework.* from rework join unit on unit.serial = rework.serial
where unit.build = $build and unit.product = $product
"""
_RUNS = """
select run.serial, run.started_at from run join unit on unit.serial = run.serial
where unit.build = $build and run.product = $product and run.kind = 'unit'
order by run.number
"""


def concerns(hold: Hold, *, serial: str, build: str, reels: set[str]) -> bool:
    """Whether a hold stands on a unit, its build, a reel it carries, or its serials."""
    subject = hold.subject
    match hold.scope:
        case Scope.UNIT:
            return subject == serial
        case Scope.BUILD:
            return subject == build
        case Scope.REEL:
            return subject in reels
        case _:
            return within(serial, subject, str(hold.to_serial))


def keeping(
    transaction: Transaction, product: str, builds: Iterable[str]
) -> dict[str, dict[str, HoldState]]:
    """Return by serial the holds, by their ids, that keep a unit of `builds` here.

    They are those that are open, those that ended in scrap, and those that ended in
    rework of a unit that was not measured since.
    """
    given = {"product": product, "subject": None}
    asked = transaction.ask(query("holds").text, given)
    ends = {None, Disposal.SCRAP, Disposal.REWORK}
    holds = [one for one in typed_of(HoldState, asked) if one.disposal in ends]
    return {
        serial: found
        for build in dict.fromkeys(builds)
        for serial, found in _of_build(transaction, product, build, holds).items()
    }


def is_carried(transaction: Transaction, product: str, fitting: str) -> bool:
    """Whether a unit has its parts by a fitting.

    None has where its build was not begun, or where another reel took its place from
    the same unit on.
    """
    (row,) = read(transaction, Fitting, fitting=fitting, product=product)
    every = read(transaction, Fitting, build=row.build, product=product)
    others = [one for one in every if one.fitting != fitting]
    units = transaction.ask(_UNITS, {"product": product, "build": row.build})
    return any(
        reels_of(str(one["serial"]), every) != reels_of(str(one["serial"]), others)
        for one in units
    )


def _of_build(
    transaction: Transaction, product: str, build: str, holds: Iterable[HoldState]
) -> dict[str, dict[str, HoldState]]:
    named: Mapping[str, Cell] = {"product": product, "build": build}
    fittings = read(transaction, Fitting, build=build, product=product)
    reworks = typed_of(Rework, transaction.ask(_REWORKS, named))
    last_run = {
        str(one["serial"]): one["started_at"] for one in transaction.ask(_RUNS, named)
    }
    found: dict[str, dict[str, HoldState]] = {}
    for row in transaction.ask(_UNITS, named):
        serial = str(row["serial"])
        mine = [one for one in reworks if one.serial == serial]
        replaced = [one for one in mine if one.kind == ReworkKind.REPLACE]
        reels = set(reels_of(serial, fittings, replaced).values())
        found[serial] = {
            one.hold: one
            for one in holds
            if concerns(one, serial=serial, build=build, reels=reels)
            and not _is_done(one, last_run.get(serial), mine)
        }
    return found


def _is_done(hold: HoldState, last_run: object, reworks: Iterable[Rework]) -> bool:
    return (
        hold.disposal == Disposal.REWORK
        and isinstance(last_run, datetime)
        and reworked_and_measured(hold, last_run, reworks)
    )


def reworked_and_measured(
    hold: HoldState, last_run: datetime, reworks: Iterable[Rework]
) -> bool:
    """Whether a unit was measured since the rework that a hold on it ended in.

    That is work recorded of the unit while the hold stood, which its end confirms;
    where none was, the end of the hold itself. A regrade changes no unit.

    Parameters
    ----------
    hold
        One that ended in rework.
    last_run
        When the unit's last run began.
    reworks
        All that was recorded of the unit.
    """
    if hold.ended_at is None:
        return False
    worked = [
        one.reworked_at
        for one in reworks
        if one.kind != ReworkKind.REGRADE
        and hold.placed_at <= one.reworked_at <= hold.ended_at
    ]
    return last_run > max(worked, default=hold.ended_at)
