"""Check standards: their values in force, and values assigned anew with a reason."""

from collections.abc import Iterable
from datetime import UTC, datetime

import click

from config import Unit, parse
from daemon.commands.opened import opened
from daemon.commands.options import DAY, by_person
from daemon.commands.showing import Shown, listed, misuse, say, shown


@click.command("list")
@click.option("--all", "every", is_flag=True, help="What was assigned before, too.")
@shown
def standard_list(*, every: bool) -> Shown:
    """List check standards and their values."""
    from daemon.judging import in_force  # noqa: PLC0415 -- loads the database
    from daemon.presentation import standards  # noqa: PLC0415 -- see above
    from storage import StandardValue  # noqa: PLC0415 -- see above

    with opened() as at:
        now = in_force(at.settings, at.store)
        assigned = at.rows(StandardValue)
    titles = {key: one.title for key, one in at.settings.product.ranges.items()}
    bench = now.settings.bench
    rows = standards.in_force_rows(
        () if bench is None else bench.standards, assigned, titles
    )
    columns = {name.lower(): key for name, key in standards.IN_FORCE.items()}
    if every:
        rows = standards.assigned_rows(assigned, titles)
        columns = {name.lower(): key for name, key in standards.ASSIGNED.items()}
    for one in now.otherwise:
        say(standards.written_otherwise(one.written, one.in_force, titles))
    nothing = "No check standard was assigned other values." if every else None
    return listed(
        rows, columns, nothing=nothing or "bench.toml names no check standard."
    )


@click.command("assign")
@click.argument("serial")
@click.argument("values", nargs=-1, metavar="[RANGE=ERROR]...")
@click.option("--as-written", is_flag=True, help="Take the values of bench.toml.")
@click.option("--uncertainty", help="Standard uncertainty, such as 20 ppm.")
@click.option("--certificate", help="Its file or its number.")
@click.option("--calibrated", type=DAY, help="Day of a new calibration.")
@click.option("--due", type=DAY, help="With --calibrated: until when it holds.")
@click.option("--reason", required=True, help="Why it has other values.")
@by_person()
def standard_assign(
    *,
    serial: str,
    values: tuple[str, ...],
    as_written: bool,
    uncertainty: str | None,
    certificate: str | None,
    calibrated: datetime | None,
    due: datetime | None,
    reason: str,
    person: str,
) -> None:
    """Assign a check standard other values.

    Such as `holdpoint standard assign CS-1 1uA=+35ppm --reason "calibrated anew"`. What
    was judged before keeps the values of its time. An open session is ended: the next
    unit waits for a check with the new values.
    """
    from daemon.presentation import standards  # noqa: PLC0415 -- loads the database
    from daemon.traceability import standard_values  # noqa: PLC0415 -- see above

    typed = dict(_split(values))
    if as_written and (typed or uncertainty):
        misuse("--as-written takes all of bench.toml: give no values beside it")
    with opened() as at:
        settings = at.settings
        if as_written:
            written = standard_values.as_written(settings, serial)
            error_ppm = dict(written.error_ppm)
            uncertain: float | None = written.uncertainty_ppm
            certificate = certificate or written.certificate
            done, until = written.calibrated_at, written.calibration_due
        else:
            error_ppm = standard_values.values_typed(settings, typed)
            uncertain = None if uncertainty is None else parse(uncertainty, Unit.PPM)
            done = until = None
        row = standard_values.assign(
            at.store,
            settings,
            serial,
            error_ppm=error_ppm,
            uncertainty_ppm=uncertain,
            certificate=certificate,
            calibrated_at=done if calibrated is None else calibrated.date(),
            calibration_due=until if due is None else due.date(),
            person=person,
            reason=reason,
            at=datetime.now(UTC),
        )
    titles = {key: one.title for key, one in settings.product.ranges.items()}
    for one in standards.assigned_rows([row], titles):
        say(f"{serial} on {one['range']}: {one['known']}; before {one['before']}.")
    say("What was judged before keeps the values of its time. The next check compares "
        "with these.")  # fmt: skip


def _split(values: Iterable[str]) -> Iterable[tuple[str, str]]:
    for one in values:
        name, sign, value = one.rpartition("=")
        if not sign or not name.strip():
            misuse(f"{one!r}: give a range and its known error, as in 1uA=+35ppm")
        yield name.strip(), value.strip()
