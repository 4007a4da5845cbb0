"""Measure units: by the bench, by scanner, or by hand."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from functools import partial
from typing import Any

import click

from config import Settings, load
from daemon.commands.opened import home_here, opened
from daemon.commands.orders import follow, have_connected, set_aside
from daemon.commands.showing import (
    Part,
    Shown,
    Table,
    interactive,
    misuse,
    say,
    shown,
)
from daemon.commands.typed_unit import ask_unit, require_ranges
from daemon.presentation import figures, points, to_copy
from daemon.service import Client, Home, shared_daemon
from daemon.station import (
    NEW_SETUP,
    RefusedError,
    require_all_measurable,
    require_measurable,
)
from storage import CheckRow, HoldState, Scope, StorageError, UnitRow, worst

SCANNED_AHEAD = (
    "{serial} was scanned while another unit was measured. Connect it, then confirm. "
    "[Enter; - leaves it out]"
)
LEFT_OUT = "-"
NO_SERIALS = frozenset({"?", "back"})
"""What asks for help, or for the question before, at every other question."""
SERIAL_HELP = (
    "Type or scan the serial as it is on the unit's label. Enter alone ends. No "
    "question comes before this one."
)
WORKING = "Working it out."


@click.command()
@click.argument("serials", nargs=-1)
@click.option("--build", help="Left out: the newest build.")
@click.option(
    "--range",
    "ranges",
    multiple=True,
    help="Only this range; may be given again. Left out: all.",
)
@click.option("--rerun", is_flag=True, help="The unit was measured before.")
@click.option("--typed", is_flag=True, help="Type the readings of the units.")
@click.option("--new-setup", is_flag=True, help=f"With --typed. {NEW_SETUP}")
@click.option("--note", help="Kept with the run.")
@shown
def measure(
    *,
    serials: tuple[str, ...],
    build: str | None,
    ranges: tuple[str, ...],
    rerun: bool,
    typed: bool,
    new_setup: bool,
    note: str | None,
) -> Shown:
    """Measure units, one after another.

    Without a serial, scan or type one a line until an empty line; without a
    terminal, one unit is measured and its serial counted on. One range across many
    units: name it with --range, or have plan.toml say order = "range".

    With --typed, each unit is kept before the next is asked for. Type ? for help and
    back to answer the question before again.
    """
    home = home_here()
    ranges = tuple(dict.fromkeys(ranges))
    if not rerun and (twice := sorted({o for o in serials if serials.count(o) > 1})):
        misuse(f"Each unit once: {', '.join(twice)}. With --rerun it is read again.")
    if typed:
        return _measure_typed(
            home,
            serials,
            build=build,
            ranges=ranges,
            rerun=rerun,
            note=note,
            new_setup=new_setup,
        )
    if new_setup:
        misuse("--new-setup goes with --typed: the daemon knows of its own bench.")
    if len(serials) > 1 and not interactive():
        misuse(
            "Name one serial at a time: without a terminal nobody can be asked to "
            "connect the next unit."
        )
    settings = load(home.folder)
    connected: str | None = None
    into: str | None = build  # the build that was said last
    passes = [ranges]
    if not ranges and settings.plan.reading.order == "range":
        passes = [(key,) for key in settings.product.ranges]
    again = rerun or bool(passes[0])  # a range of a unit may be read at any time
    builds: dict[str, str] = {}
    if serials:  # before anything is ordered, so that none is left out unsaid
        with opened() as at:
            builds = require_all_measurable(
                at.store, at.product, serials, build=build, again=again
            )
    ended = []
    ahead: list[str] = []
    with Client.of(home.data) as client:
        for one_pass in passes:
            if len(passes) > 1:
                say(f"All units on range {settings.product.ranges[one_pass[0]].title}:")
            for serial, its_build in _units(
                serials, builds, build=build, again=again, ahead=ahead
            ):
                # Nobody named it: another may have been opened meanwhile.
                if its_build != into:
                    into = its_build
                    say(f"Into build {into}.")
                # Whoever scans a serial has that unit at hand; a list does not say so.
                if serial and serials and connected not in {None, serial}:
                    have_connected(
                        f"Connect unit {serial}, then confirm. [Enter]", serial, ahead
                    )
                connected = serial
                ticket = client.measure(
                    build=build, serial=serial, ranges=one_pass, rerun=rerun, note=note
                )
                done = follow(client, ticket, ahead=ahead)
                ended.append(done)
                say(f"{done['serial']}: {done['verdict']}")
                held = _still_held(done["serial"], again=rerun)
                for remark in (*done["remarks"], *held):
                    say(f"  {remark}")
    return Shown(ended)


def _units(
    given: Sequence[str],
    builds: Mapping[str, str],
    *,
    build: str | None,
    again: bool,
    ahead: list[str],
) -> Iterator[tuple[str | None, str | None]]:
    """Yield what is to be measured, and its build; what is refused is passed over.

    Labels in `ahead` come first: they were scanned while another unit was measured.
    """
    for serial in _serials(given, ahead):
        if serial is None:
            yield None, build
        elif serial in builds:
            yield serial, builds[serial]
        elif (found := _build_of(serial, build=build, again=again)) is not None:
            yield serial, found


def _build_of(serial: str, *, build: str | None, again: bool) -> str | None:
    """Return the build of a unit that was scanned; say why where it has none."""
    try:
        with opened() as at:
            return require_measurable(
                at.store, at.product, serial, build=build, again=again
            )
    except (RefusedError, StorageError) as exc:
        say(str(exc))
        return None


def _serials(
    given: Sequence[str], ahead: list[str] | None = None
) -> Iterator[str | None]:
    if given:
        yield from given
    elif not interactive():
        yield None
    else:
        while serial := _asked_serial(ahead):
            yield serial


def _asked_serial(ahead: list[str] | None) -> str:
    """Return what is scanned or typed; by the bench it says what is connected now.

    Parameters
    ----------
    ahead
        By the bench, labels that were scanned too early: each is asked for.
    """
    if ahead is not None:
        set_aside(ahead)
        while ahead:
            serial = ahead.pop(0)
            if serial not in NO_SERIALS and _is_connected(serial, ahead):
                return serial
    while True:
        said: str = click.prompt(
            "Serial (Enter: no more)", default="", show_default=False, err=True
        ).strip()
        if said not in NO_SERIALS:
            return said
        say(SERIAL_HELP)


def _is_connected(serial: str, ahead: list[str]) -> bool:
    """Wait until a unit that was scanned early is connected, or left out."""
    while True:
        said = click.prompt(
            SCANNED_AHEAD.format(serial=serial),
            default="",
            show_default=False,
            prompt_suffix=" ",
            err=True,
        ).strip()
        if said in {"", serial, LEFT_OUT}:
            return said != LEFT_OUT
        if said not in {*NO_SERIALS, *ahead}:
            ahead.append(said)
            say(f"{said} waits: it comes after {serial}.")


def _measure_typed(
    home: Home,
    serials: Sequence[str],
    *,
    build: str | None,
    ranges: Sequence[str],
    rerun: bool,
    **how: Any,
) -> Shown:
    if not interactive():
        misuse("--typed asks questions and needs a terminal.")

    def build_of(serial: str) -> str:
        with opened() as at:
            require_ranges(at.settings.product, ranges)
            return require_measurable(
                at.store, at.product, serial, build=build, again=rerun
            )

    if serials:  # nobody types a unit to hear that the next is refused
        with opened() as at:
            require_ranges(at.settings.product, ranges)
            require_all_measurable(
                at.store, at.product, serials, build=build, again=rerun
            )
    ended: list[dict[str, Any]] = []
    # It comes up while the readings are typed.
    with ExitStack() as ends:
        records = None
        for serial in filter(None, _serials(serials)):
            try:
                its_build = build_of(serial)
            except (RefusedError, StorageError) as exc:
                if serials:
                    raise
                say(str(exc))  # the next serial is asked for
                continue
            records = records or ends.enter_context(shared_daemon(home))
            readings = partial(_readings, load(home.folder), serial)
            read = readings(ranges)
            waits = not records.ready
            if waits:
                say(WORKING)
            records.wait()
            with Client.of(home.data) as client:
                done = follow(
                    client,
                    client.measure(
                        build=its_build,
                        serial=serial,
                        **read,
                        rerun=rerun,
                        **how,
                    ),
                    while_waiting=None if waits else WORKING,
                    read_again=readings,
                )
            ended.append(done)
            if len(serials) != 1:
                say(f"{done['serial']}: {done['verdict']}")
            for remark in (*done["remarks"], *_still_held(done["serial"], again=rerun)):
                say(remark)
        if len(serials) == 1:
            return Shown(ended, *_results(ended[0]))
    return Shown(
        ended,
        Table(ended, {"unit": "serial", "verdict": "verdict"}),
        nothing="Nothing was measured.",
    )


def _still_held(serial: str, *, again: bool) -> Iterator[str]:
    """Say that a unit that was measured again is still held: no verdict ends a hold."""
    if not again:
        return
    with opened() as at:
        for one in at.rows(HoldState):
            mine = one.scope is Scope.UNIT and one.subject == serial
            if mine and one.disposal is None:
                end = to_copy.hold_end(one.hold)
                yield f"Unit {serial} is still held. To end the hold: `{end}`"


def _readings(settings: Settings, serial: str, ranges: Sequence[str]) -> dict[str, Any]:
    """Ask for all readings of a unit, the first time and once it was seated again."""
    typed, checks = ask_unit(settings, ranges, serial)
    return {"typed": typed, "checks": checks}


def _worst(row: UnitRow) -> str:
    point = worst(row.judged_points)
    return "" if point is None else points.judged_at(point)


def _error(row: UnitRow) -> str:
    expanded_ppm = figures.COVERAGE * row.uncertainty_ppm
    return figures.measured(row.error_ppm, expanded_ppm, row.limit_ppm)


def _expanded(row: UnitRow) -> str:
    unit = figures.ShareUnit.of((row.limit_ppm,))
    return f"{unit.half(figures.COVERAGE * row.uncertainty_ppm)} {unit.name}"


def _results(done: dict[str, Any]) -> Iterator[Part]:
    """Show a run's errors, and its checks where there are any."""
    with opened() as at:
        rows = at.store.rows(UnitRow, serial=done["serial"])
        checks = at.rows(CheckRow, after=done["number"] - 1)
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
    yield Table(
        [one for one in rows if one.run == done["run"]],
        {
            "range": lambda one: titles.get(one.range, one.range),
            "error": _error,
            "uncertainty": _expanded,
            "limit": lambda one: figures.allowance(one.limit_ppm),
            "verdict": "verdict",
            "worst point": _worst,
        },
    )
    if mine := [one for one in checks if one.run == done["run"]]:
        yield Table(
            mine,
            {
                "check": "check",
                "value": lambda one: f"{one.value:.4g} {one.unit}".strip(),
                "verdict": "verdict",
            },
        )
