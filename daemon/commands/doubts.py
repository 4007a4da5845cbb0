"""Doubts: runs that no good check stands behind."""

from dataclasses import asdict
from datetime import UTC, datetime

import click

from daemon.commands.opened import opened
from daemon.commands.options import by_person
from daemon.commands.showing import Shown, listed, say, shown
from storage import DoubtState, RunInDoubt, meant


@click.command("list")
@click.option("--all", "every", is_flag=True, help="Those that ended too.")
@shown
def doubt_list(*, every: bool) -> Shown:
    """List runs in doubt, and why."""
    with opened() as at:
        doubts, runs = at.rows(DoubtState), at.rows(RunInDoubt)
    serials: dict[str, list[str]] = {}
    for one in runs:
        serials.setdefault(one.doubt, []).append(one.serial)
    rows = [
        asdict(one) | {"serials": ", ".join(serials.get(one.doubt, ())) or None}
        for one in doubts
        if every or one.ended_by is None
    ]
    return listed(rows, {
        "doubt": "doubt", "units": "serials", "reason": "reason",
        "ended by": "ended_by", "because": "ended_reason",
    }, nothing="No run is in doubt.")  # fmt: skip


@click.command("end")
@click.argument("name", metavar="DOUBT")
@by_person()
@click.option("--reason", required=True, help="Why these runs may be trusted.")
def doubt_end(name: str, person: str, reason: str) -> None:
    """End a doubt, by a named person.

    DOUBT is its id in `holdpoint doubt list`, or as much of it as tells it apart. A
    good check in the same session ends it without a person.
    """
    from daemon.holds import ending  # noqa: PLC0415 -- loads the statistics

    with opened() as at:
        doubts = at.rows(DoubtState)
        if name not in {one.doubt for one in doubts}:
            standing = [one.doubt for one in doubts if one.ended_by is None]
            name = meant(name, standing, kind="doubt")
        end, decision = ending(
            name,
            person=person,
            reason=reason,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        )
        at.store.keep(end, decision=decision)
    say(f"Doubt {name} ended.")
