"""Instruments: when calibrated, what rests on them, and what an error puts in doubt."""

from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path

import click

from daemon.commands.opened import opened
from daemon.commands.options import DAY, by_person
from daemon.commands.showing import Shown, Table, listed, misuse, say, shown
from daemon.judging import in_force
from daemon.presentation import figures
from daemon.traceability import instruments as known


@click.command("list")
@click.option("--unit", "serial", help="Those that this unit's results rest on.")
@shown
def instruments_list(*, serial: str | None) -> Shown:
    """List instruments, with their calibration.

    Check standards come last.
    """
    with opened() as at:
        if serial is not None:
            rows = known.of_unit(at.store, serial)
            return listed(rows, {
                "session": "session", "role": "role", "instrument": "identity",
                "serial number": "serial_number", "calibrated": "calibrated_at",
                "due": "due_at",
            })  # fmt: skip
        now = in_force(at.settings, at.store).settings
        every = known.instruments(at.store, now.bench)
    return listed(every, {
        "serial number": "serial_number", "instrument": "identity",
        "roles": lambda one: ", ".join(one.roles), "sessions": "sessions",
        "calibrated": "calibrated_on", "due": "due_on", "certificate": "certificate",
        "found": "found",
    })  # fmt: skip


@click.command("rests")
@click.argument("serial_number")
@click.option("--since", type=DAY, required=True, help="First day.")
@click.option("--until", type=DAY, help="Last day; left out: today.")
@shown
def instruments_rests(
    *, serial_number: str, since: datetime, until: datetime | None
) -> Shown:
    """Say which results rest on an instrument.

    Nothing is recorded: `holdpoint instruments calibrated --found` puts them in doubt.
    """
    with opened() as at:
        found = known.rests_on(
            at.store,
            at.product,
            serial_number,
            since=since.date(),
            until=_day(until),
        )
    return Shown(
        {"sessions": [asdict(one) for one in found]},
        Table(found, {
            "session": "session", "runs": lambda one: len(one.numbers),
            "units": lambda one: ", ".join(one.serials),
        }),
    )  # fmt: skip


@click.command("calibrated")
@click.argument("serial_number")
@click.option("--on", "made_on", type=DAY, help="Day of it; left out: today.")
@click.option("--due", "due_on", type=DAY, help="Until when it holds.")
@click.option(
    "--certificate", type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Its file; name and SHA-256 are kept.",
)  # fmt: skip
@click.option("--found", help="What was out of tolerance as it came in, in words.")
@click.option("--since", type=DAY, help="With --found: the last good calibration.")
@by_person("Who notes it; listed in plan.toml.")
def instruments_calibrated(
    *,
    serial_number: str,
    made_on: datetime | None,
    due_on: datetime | None,
    certificate: Path | None,
    found: str | None,
    since: datetime | None,
    person: str,
) -> None:
    """Note a calibration; an error puts runs in doubt.

    With --found every run that the instrument read since its last good calibration is
    in doubt, until a person has looked at each and ends it.
    """
    if (found is None) != (since is None):
        misuse("--found and --since go together")
    with opened() as at:
        row = known.calibrated(
            serial_number,
            made_on=_day(made_on),
            due_on=None if due_on is None else due_on.date(),
            certificate=certificate,
            found=None if found is None else found.strip(),
            since=None if since is None else since.date(),
            person=person,
            at=datetime.now(UTC),
        )
        resting = known.keep_calibration(
            at.store, row, product=at.product, people=at.settings.plan.people
        )
    say(f"Calibration of {serial_number} on {row.made_on} is kept.")
    if found is not None:
        units = len({serial for one in resting for serial in one.serials})
        say(f"In doubt: {figures.counted(units, 'unit')} of "
            f"{figures.counted(len(resting), 'session')}; `holdpoint doubt list` "
            "says which.")  # fmt: skip


def _day(given: datetime | None) -> date:
    return datetime.now(UTC).date() if given is None else given.date()
