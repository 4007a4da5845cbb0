"""The ledger: who decided what, and whether anybody changed it since."""

from dataclasses import asdict

import click

from daemon.commands.opened import opened
from daemon.commands.showing import Shown, fail, listed, show, shown
from storage import Decided, LedgerRow, Restored, standing, undecided, verify


@click.command("list")
@shown
def ledger_list() -> Shown:
    """List every decision, oldest first."""
    with opened() as at:
        rows = [asdict(one) for one in at.store.rows(LedgerRow)]
    return listed(rows, {
        "no.": "seq", "when": ("decided_at", "%Y-%m-%d %H:%M"), "who": "person",
        "what": "action", "on": "subject", "why": "reason",
    })  # fmt: skip


@click.command("verify")
def ledger_verify() -> None:
    """Prove that no decision was changed.

    None was removed, moved or cut off either. A copy that was put back is said.
    """
    from storage import archive  # noqa: PLC0415 -- the database takes long to load

    with opened() as at:
        # What was decided is read first: its lines are there by then.
        kept = at.store.rows(Decided)
        rows = at.store.rows(LedgerRow)
        noted = archive.anchors(at.home.backups)
    broken = verify(rows, noted)
    missing = undecided(rows, kept)
    restores = [one for one in noted if isinstance(one, Restored)]
    restores.sort(key=lambda one: one.restored_at)
    show(*(one.told() for one in restores))
    if broken is not None:
        show(f"The ledger is broken at row {broken}.")
    show(
        *(
            f"No decision in the ledger for {one.kind} {one.subject} by {one.person}."
            for one in missing
        )
    )
    if broken is not None or missing:
        fail()
    newest = f" Its newest row is {rows[-1].row_hash}." if rows else ""
    anchors = len(standing(noted))
    show(f"The ledger is whole: {len(rows)} decisions, {anchors} anchors.{newest}")
