"""What is not as it should be, and how to mend it."""

from dataclasses import asdict

import click

from daemon.commands.opened import home_here
from daemon.commands.showing import Shown, Table, shown


@click.command()
@shown
def doctor() -> Shown:
    """Say what is wrong here, and how to mend it.

    It looks at versions, settings, permissions, disk, daemon, records, clock, copies,
    ports and instruments. Nothing is recorded, and no instrument is told anything. The
    exit code is 1 where something is wrong.
    """
    from daemon.service import State, looks  # noqa: PLC0415 -- the database

    found = list(looks(home_here()))
    wrong = [one for one in found if one.state is State.WRONG]
    mind = [one for one in found if one.state is State.MIND]
    if wrong:
        things = "1 thing is" if len(wrong) == 1 else f"{len(wrong)} things are"
        said = f"{things} wrong."
    else:
        said = "Nothing is wrong."
    if mind:
        said += f" Mind {len(mind)} more." if wrong else f" Mind {len(mind)}."
    return Shown(
        {"wrong": len(wrong), "looks": [asdict(one) for one in found]},
        said,
        Table(
            found,
            {"what": "what", "state": "state", "found": "says", "to mend it": "mend"},
        ),
        failed=bool(wrong),
    )
