"""One exchange between a bench's file and the shared database, both ways."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from storage.local import LocalStore
from storage.sharing import Entry

if TYPE_CHECKING:  # a bench that is alone may be without its library
    from storage.postgres import Log, PostgresStore

_AT_ONCE = 50
_HEARD_AT_ONCE = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchanged:
    """How many commands were told, heard, and refused at either end."""

    told: int = 0
    heard: int = 0
    refused: int = 0


def exchange(local: LocalStore, shared: "PostgresStore", bench: str) -> Exchanged:
    """Tell what waits, and hear what others told; at most a piece of each.

    What was told or heard before changes nothing, so that it may be cut off anywhere.

    Raises
    ------
    UnreachableError
        The shared database does not answer; what was not told waits.
    ConflictError
        Another bench has this name there.
    """
    if not local.shares:
        local.share(on=True)
    marks = local.marks()
    log = shared.log_of(bench, marks.file, known=marks.told)
    # What was told and not noted so waits here still, unless the file was put back.
    put_back = marks.lost > 0 or (
        log.told > marks.told and local.digest_of(log.told) != log.digest
    )
    if (
        put_back
        or log.told < marks.told
        or log.last < marks.heard
        or not marks.is_whole
    ):
        return _all(local, shared, bench, log, put_back=put_back)
    waiting = local.outgoing(_AT_ONCE, bench) if marks.waiting else []
    refused = shared.take(waiting)
    if waiting:
        local.told(_number(waiting[-1]), refused)
    heard = _hear(local, shared, bench, (marks.heard, log.last))
    return Exchanged(
        told=len(waiting),
        heard=len(heard),
        refused=len(refused) + sum(one is not None for one in heard),
    )


def _all(
    local: LocalStore,
    shared: "PostgresStore",
    bench: str,
    log: "Log",
    *,
    put_back: bool,
) -> Exchanged:
    """Tell all that was recorded so far: one of the two does not know the other.

    A bench joins, or either was put back from an older copy. What this bench told once
    and does not know any more, it hears again.
    """
    local.begin_anew(there=log.told, last=log.last, from_start=put_back)
    told, refused = 0, []
    for piece in _pieces(local.everything(bench)):
        refused += shared.take(piece)
        told += len(piece)
    if lost := local.marks().lost:
        for one in shared.told_by(bench, since=lost, to=log.told):
            local.hear(one, bench, is_own=True)
    local.told(log.told, refused, whole=True)
    return Exchanged(told=told, refused=len(refused))


def _hear(
    local: LocalStore, shared: "PostgresStore", bench: str, places: tuple[int, int]
) -> Sequence[object]:
    """Hear what others told since a place of the log that had so many then."""
    after, last = places
    if last <= after:
        return []
    entries = shared.said(after, _HEARD_AT_ONCE, but_by=bench)
    heard = local.hear_all(entries, bench)
    if len(entries) < _HEARD_AT_ONCE and not (entries and _number(entries[-1]) >= last):
        local.heard_to(last)  # all else there is this bench's own
    return heard


def _pieces(entries: Iterator[Entry]) -> Iterator[list[Entry]]:
    piece: list[Entry] = []
    for one in entries:
        piece.append(one)
        if len(piece) == _AT_ONCE:
            yield piece
            piece = []
    if piece:
        yield piece


def _number(entry: Entry) -> int:
    return 0 if entry.number is None else entry.number
