"""The ledger: who decided what, and whether anybody changed it since."""

from dataclasses import asdict

import click

from daemon.commands.opened import opened
from daemon.commands.showing import Shown, fail, listed, show, shown
from daemon.traceability import decided_on
from storage import (
    LedgerRow,
    Restored,
    at_rest,
    standing,
    undecided,
    unlike,
    verify,
)


@click.command("list")
@shown
def ledger_list() -> Shown:
    """List every decision, oldest first."""
    with opened() as at:
        on = decided_on(at.store)
        rows = [
            asdict(one) | {"on": on.get(one.subject, one.subject)}
            for one in at.store.rows(LedgerRow)
        ]
    return listed(rows, {
        "no.": "seq", "when": ("decided_at", "%Y-%m-%d %H:%M"), "who": "person",
        "what": "action", "on": "on", "why": "reason",
    })  # fmt: skip


@click.command("verify")
def ledger_verify() -> None:
    """Prove that no decision was changed.

    None was removed, moved or cut off, and what was decided stands as it was decided. A
    copy that was put back is said.
    """
    from storage import archive  # noqa: PLC0415 -- the database takes long to load

    with opened() as at:
        rows, decided, kept = at_rest(at.store)
        noted = archive.anchors(at.home.backups)
    broken = verify(rows, noted)
    restores = [one for one in noted if isinstance(one, Restored)]
    restores.sort(key=lambda one: one.restored_at)
    show(*(one.told() for one in restores))
    said = [] if broken is None else [f"The ledger is broken at row {broken}."]
    said += [
        f"No decision in the ledger for {one.kind} {one.subject} by {one.person}."
        for one in undecided(rows, decided)
    ]
    said += [one.told() for one in unlike(rows, kept)]
    show(*said)
    if said:
        fail()
    newest = f" Its newest row is {rows[-1].row_hash}." if rows else ""
    anchors = len(standing(noted))
    show(f"The ledger is whole: {len(rows)} decisions, {anchors} anchors.{newest}")
