"""The ledger: who decided what, and whether anybody changed it since."""

from dataclasses import asdict

import click

from daemon.commands.manners import FAILURE, as_json, as_table, opened, out
from storage.answers import Decided
from storage.ledger import LedgerRow, undecided
from storage.ledger import verify as verified


@click.group()
def ledger() -> None:
    """Show and verify who decided what."""


@ledger.command("list")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def list_(context: click.Context, json_: bool) -> None:
    """List every decision, oldest first."""
    with opened(context) as at:
        rows = [asdict(one) for one in at.store.rows(LedgerRow)]
    if json_:
        as_json(rows)
        return
    shown = [
        {**one, "decided_at": f"{one['decided_at']:%Y-%m-%d %H:%M}"} for one in rows
    ]
    as_table(
        shown,
        {
            "seq": "no.",
            "decided_at": "when",
            "person": "who",
            "action": "what",
            "subject": "on",
            "reason": "why",
        },
    )


@ledger.command("verify")
@click.pass_context
def verify(context: click.Context) -> None:
    """Prove that no decision was changed, removed, moved or cut off."""
    from storage import archive  # noqa: PLC0415 -- the database takes long to load

    with opened(context) as at:
        # What was decided is read first: its lines are there by then.
        kept = at.store.rows(Decided)
        rows = at.store.rows(LedgerRow)
        anchors = archive.anchors(at.home.backups)
    broken = verified(rows, anchors)
    missing = undecided(rows, kept)
    if broken is not None:
        out().print(f"The ledger is broken at row {broken}.")
    for one in missing:
        out().print(
            f"No decision in the ledger for {one.kind} {one.subject} by {one.person}.",
            markup=False,
        )
    if broken is not None or missing:
        context.exit(FAILURE)
    newest = rows[-1].row_hash if rows else "-"
    out().print(
        f"The ledger is whole: {len(rows)} decisions, {len(anchors)} anchors. "
        f"Its newest row is {newest}."
    )
