"""Builds and reels: what is made together, and of which parts."""

from dataclasses import asdict
from datetime import UTC, datetime, timedelta

import click

from config import QuantityError, Unit as Quantity, parse
from daemon.commands.opened import Opened, opened
from daemon.commands.options import DAY, by_person
from daemon.commands.orders import ordered
from daemon.commands.showing import Shown, interactive, listed, misuse, say, shown
from daemon.holds import loose_parts
from daemon.presentation import figures, sentences
from daemon.station import MOST_PARTS
from daemon.traceability import kitting, require_listed, tracing
from storage import BuildState, Fitting, ReelReceipt, RemoteStore, Unit, reel_of

LOOSE_PARTS = 5


@click.command("open")
@click.argument("name")
@click.option("--units", type=click.IntRange(min=1), help="How many are planned.")
def build_open(name: str, units: int | None) -> None:
    """Begin a build.

    Its units are measured next.
    """
    with opened() as at:
        fresh = kitting.open_build(
            at.store, at.product, name, planned_units=units, at=datetime.now(UTC)
        )
    say(f"Build {name} is open." if fresh else f"Build {name} is open already.")


@click.command("list")
@shown
def build_list() -> Shown:
    """List builds and their state.

    It shows what was measured, and what stays.
    """
    with opened() as at:
        rows = at.rows(BuildState)
    return listed(rows, {
        "build": "build", "units": "units", "planned": "planned_units",
        "first-pass yield": "first_pass_yield", "state": "state",
    })  # fmt: skip


@click.command("boards")
@click.argument("name")
@click.argument("serials", nargs=-1, required=True)
def build_boards(name: str, serials: tuple[str, ...]) -> None:
    """Record boards not measured yet.

    A recall then finds them too.
    """
    with opened() as at:
        at.store.keep(
            *[Unit(serial=one, product=at.product, build=name) for one in serials]
        )
    say(f"{figures.counted(len(serials), 'board')} of build {name} recorded.")


@click.command("add")
@click.argument("name")
@click.option("--nominal", required=True, help="For example 4k99 or 10k.")
@click.option("--tolerance", required=True, help="For example 0.1%.")
@click.option("--supplier", help="Who sold it.")
@click.option("--lot", "lot_code", help="The supplier's lot code.")
@click.option("--quantity", type=click.IntRange(min=1), help="How many parts came.")
@click.option("--marking", help="What is printed on the parts.")
@click.option("--date-code", help="When the parts were made, as printed.")
@click.option("--invoice", help="Its number.")
@click.option("--received", type=DAY, help="Day it came in; left out: now.")
@click.option("--claim-until", type=DAY, help="Last day of a claim.")
def reel_add(
    *,
    name: str,
    nominal: str,
    tolerance: str,
    supplier: str | None,
    lot_code: str | None,
    quantity: int | None,
    marking: str | None,
    date_code: str | None,
    invoice: str | None,
    received: datetime | None,
    claim_until: datetime | None,
) -> None:
    """Record a reel that came in."""
    receipt = None
    if quantity is not None:
        receipt = ReelReceipt(
            reel=name,
            quantity=quantity,
            marking=marking,
            date_code=date_code,
            invoice=invoice,
            claim_until=claim_until and claim_until.replace(tzinfo=UTC),
        )
    with opened() as at:
        kitting.receive_reel(
            at.store,
            name,
            nominal_ohm=parse(nominal, Quantity.OHM),
            tolerance_ppm=parse(tolerance, Quantity.PPM),
            at=_on_day(received),
            supplier=supplier,
            lot_code=lot_code,
            receipt=receipt,
        )
    say(f"Reel {name} is recorded.")


@click.command("fit")
@click.argument("name")
@click.argument("part")
@click.option("--build", "build_name", required=True, help="Of which build.")
@click.option("--from", "from_serial", help="First unit; left out: the whole build.")
@click.option(
    "--fitted",
    "fitted_on",
    type=DAY,
    help="Day it began to feed it; left out: now.",
)
@click.option("--anyway", is_flag=True, help="Record it although records contradict.")
def reel_fit(
    *,
    name: str,
    part: str,
    build_name: str,
    from_serial: str | None,
    fitted_on: datetime | None,
    anyway: bool,
) -> None:
    """Record which part a reel feeds.

    PART of a build comes from this reel, from a unit on.
    """
    with opened() as at:
        fitted = kitting.fit_reel(
            at.store,
            at.settings.product,
            kitting.fitting_of(
                at.product,
                build_name,
                part,
                name,
                from_serial=from_serial,
                at=_on_day(fitted_on, end=True),
            ),
            anyway=anyway,
        )
        if fitted.fitting is None:
            say(f"Part {part} of build {build_name} comes from reel {name} already.")
            return
        for doubt in fitted.doubts:
            say(doubt)
        late = _recorded_late(at, fitted.fitting)
    since = f"unit {from_serial}" if from_serial else "the first unit"
    say(f"Part {part} of build {build_name} comes from reel {name} from {since} on.")
    for line in (*fitted.succession, *late):
        say(line)


def _recorded_late(at: Opened, fitting: Fitting) -> list[str]:
    """Say when a fitting counts for a finding, where its units are measured already."""
    records = tracing.Records.of(at.store, at.product, (), about=[fitting.reel])
    measured = sum(
        (unit.build, part) == (fitting.build, fitting.part)
        and bool(records.errors_of(unit.serial))
        for unit, part in records.carriers(fitting.reel)
    )
    if not measured:
        return []
    # The daemon looks between its orders; without one nobody does before a unit comes.
    when = (
        "at the daemon's next look"
        if isinstance(at.store, RemoteStore)
        else f"from the next unit of build {fitting.build} on"
    )
    carrying = figures.counted(measured, "unit")
    return [f"{carrying} with it measured already: findings name it {when}."]


def _on_day(day: datetime | None, *, end: bool = False) -> datetime:
    """Return the beginning or end of a day, in UTC; without one, or today, now."""
    now = datetime.now(UTC)
    if day is None:
        return now
    begin = day.replace(tzinfo=UTC)
    return min(now, begin + timedelta(days=1, microseconds=-1)) if end else begin


@click.command("check")
@click.argument("name")
@click.argument("readings", nargs=-1)
@click.option("--leads", help="Reading with the leads shorted; taken off each part.")
@click.option(
    "--meter",
    help="The meter's accuracy, for example 0.02%, which is taken if none is.",
)
@click.option("--run", "by_bench", is_flag=True, help="Have the bench's ohmmeter read.")
@click.option(
    "--parts", type=click.IntRange(2, MOST_PARTS), default=LOOSE_PARTS,
    show_default=True, help="How many parts the bench is to read.",
)  # fmt: skip
@by_person("Who measures; needed to keep it.", required=False)
@shown
def reel_check(
    *,
    name: str,
    readings: tuple[str, ...],
    leads: str | None,
    meter: str | None,
    by_bench: bool,
    parts: int,
    person: str | None,
) -> Shown:
    """Judge loose parts by their label.

    Five readings will do. Measure parts loose and unpowered, four-wire where the value
    is low. Without READINGS they are asked for. What a named person measured is kept:
    the reel's trace tells it, and a finding that names the reel rests on it.
    """
    if by_bench:
        if readings or leads or meter or person is None:
            misuse("--run needs --person, and no readings: the bench takes them")
        loose = {"reel": name, "person": person, "parts": parts}
        said = ordered("check reel", loose=loose)
        return Shown({"message": said}, said)
    texts = readings or _asked()
    with opened() as at:
        mine = reel_of(at.store, name)
        check = loose_parts.checked(
            mine,
            texts,
            leads=leads,
            meter=meter,
            person=person or "",
            at=datetime.now(UTC),
        )
        judged = loose_parts.judged(mine, check)
        if person is not None:
            require_listed(person, at.settings.plan.people)
            at.store.keep(check)
    if person is None:
        say("Not kept: say who measured with --person NAME.")
    return Shown(
        asdict(judged) | {"kept": person is not None},
        *sentences.claim(judged, reel=name, tolerance_ppm=mine.tolerance_ppm),
    )


def _asked() -> list[str]:
    """Ask for readings, one a part."""
    if not interactive():
        misuse("give the readings, or a terminal to ask for them")
    say("Loose parts only: unpowered, out of the board, leads nulled or four-wire.")
    texts: list[str] = []
    while len(texts) < LOOSE_PARTS:
        text = click.prompt(f"Part {len(texts) + 1} (ohm)", err=True)
        try:
            parse(text, Quantity.OHM)
        except QuantityError as exc:
            say(str(exc))
        else:
            texts.append(text)
    return texts
