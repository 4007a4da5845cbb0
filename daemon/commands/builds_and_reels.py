"""Builds and reels: what is made together, and of which parts."""

from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from math import sqrt
from typing import Any

import click

from config import QuantityError, Unit as Quantity, parse
from daemon.commands.opened import Opened, opened
from daemon.commands.options import DAY, by_person
from daemon.commands.orders import ordered
from daemon.commands.showing import Shown, interactive, listed, misuse, say, shown
from daemon.holds import limits_of_meter_ppm, loose_parts
from daemon.metrology import Circuit
from daemon.presentation import figures, loose_parts as words, sentences
from daemon.station import MOST_PARTS
from daemon.traceability import kitting, tracing
from storage import (
    BuildState,
    Fitting,
    HoldState,
    ReelReceipt,
    RemoteStore,
    Unit,
    reel_of,
    serial_order,
)

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
        holds = [one for one in at.rows(HoldState) if one.disposal is None]
    return listed(rows, {
        "build": "build", "units": "units", "planned": "planned_units",
        "first-pass yield": lambda one: figures.yielded(one.first_pass_yield),
        "state": lambda one: sentences.build_state(one, holds),
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
        ahead = _ahead(at, fitted.fitting)
    since = f"unit {from_serial}" if from_serial else "the first unit"
    say(f"Part {part} of build {build_name} comes from reel {name} from {since} on.")
    for line in (*fitted.succession, *late, *ahead):
        say(line)


def _ahead(at: Opened, fitting: Fitting) -> list[str]:
    """Say that a fitting begins after all units of its build: perhaps another's."""
    first = fitting.from_serial
    units = at.store.rows(Unit, product=at.product, build=fitting.build)
    if first is None or not units:
        return []
    latest = max((one.serial for one in units), key=serial_order)
    if serial_order(latest) >= serial_order(first):
        return []
    none = f"No unit of build {fitting.build} from {first} on is recorded yet"
    return [f"{none}; the latest is {latest}."]


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
    carrying = figures.counted(measured, "unit")
    was = "was" if measured == 1 else "were"
    said = f"{carrying} with this reel {was} measured before you recorded it."
    finding = "If a finding is about this part, it will name this reel"
    # The daemon looks between its orders; without one nobody does before one of these.
    if isinstance(at.store, RemoteStore):
        return [said, f"{finding} in a moment."]
    when = (
        "as soon as the next unit is measured. To have it now, import any sheet, also "
        "one that was imported before."
    )
    return [said, f"{finding} {when}"]


def _on_day(day: datetime | None, *, end: bool = False) -> datetime:
    """Return the beginning or end of a day, in UTC; without one, or today, now."""
    now = datetime.now(UTC)
    if day is None:
        return now
    begin = day.replace(tzinfo=UTC)
    return min(now, begin + timedelta(days=1, microseconds=-1)) if end else begin


@click.command("sample")
@click.argument("name")
@click.option("--meter", help="The meter's accuracy; 0.02% is taken if none is said.")
@click.option("--suspect", help="What a bad reel truly is; left out: ten times worse.")
@click.option(
    "--risk", type=click.FloatRange(0, 1, min_open=True, max_open=True),
    default=words.RISK, show_default=True,
    help="Share of bad reels among the accepted.",
)  # fmt: skip
@shown
def reel_sample(
    *, name: str, meter: str | None, suspect: str | None, risk: float
) -> Shown:
    """Say how many loose parts to measure.

    It goes by the label, by the supplier's reels so far, and by how good the meter is.
    """
    with opened() as at:
        mine = reel_of(at.store, name)
        found = loose_parts.sample_of(
            at.store,
            mine,
            uncertainty_ppm=limits_of_meter_ppm(meter) / sqrt(3),
            suspect_ppm=None if suspect is None else parse(suspect, Quantity.PPM),
            risk=risk,
        )
    return Shown(
        asdict(found),
        *words.sample(found, reel=name),
        *words.how_to(mine.nominal_ohm, mine.tolerance_ppm),
    )


@click.command("check")
@click.argument("name")
@click.argument("readings", nargs=-1)
@click.option(
    "--how", "circuit", type=click.Choice([one.value for one in Circuit]),
    help="The circuit; left out: two-wire with --leads, else four-wire.",
)  # fmt: skip
@click.option("--leads", help="Reading with the leads shorted; taken off each part.")
@click.option(
    "--meter",
    help="The meter's accuracy, for example 0.02%, which is taken if none is.",
)
@click.option("--ammeter", help="The ammeter's accuracy, for volts-amperes.")
@click.option("--standard", help="Value of the standard resistor, for a ratio.")
@click.option("--standard-accuracy", help="Its limits, for example 20ppm.")
@click.option("--current", help="Through the part, for its self-heating.")
@click.option("--tempco", help="The part's own, for example 25ppm (a kelvin).")
@click.option("--guarded", is_flag=True, help="A guard takes leakage away.")
@click.option("--two-wire", help="What two wires read of the first part; is explained.")
@click.option("--marking", help="What is printed on the parts; is read.")
@click.option("--anew", is_flag=True, help="Earlier readings of it do not count.")
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
    circuit: str | None,
    two_wire: str | None,
    marking: str | None,
    anew: bool,
    by_bench: bool,
    parts: int,
    person: str | None,
    **as_typed: Any,
) -> Shown:
    """Accept or reject by loose parts.

    Five readings will do; `holdpoint reel sample` says how many. Measure parts loose
    and unpowered, four-wire where the value is low. A reading is ohms; volts/amperes
    with --how volts-amperes; volts across part/standard with --how ratio. Without
    READINGS they are asked for. What a named person measured is kept: a reel that is
    rejected before it is used is held, one that is accepted is known to be good from
    its first unit on, and a finding that names it rests on it.
    """
    if by_bench:
        if readings or circuit or any(as_typed.values()) or person is None:
            misuse("--run needs --person, and no readings: the bench takes them")
        loose = {"reel": name, "person": person, "parts": parts}
        said = ordered("check reel", loose=loose)
        return Shown({"message": said}, said)
    how = loose_parts.As(
        circuit=None if circuit is None else Circuit(circuit), **as_typed
    )
    texts = readings or _asked(how.by)
    held, standing = False, list[str]()
    with opened() as at:
        mine = reel_of(at.store, name)
        found = loose_parts.measured(mine, texts, how)
        beside = [] if marking is None else words.mark(marking, mine)
        if two_wire is not None:
            two_ohm = parse(two_wire, Quantity.OHM)
            beside.append(words.two_wires(two_ohm, found.readings[0]))
        check = loose_parts.checked(
            mine,
            found,
            how=how,
            person=person or "",
            at=datetime.now(UTC),
            incoming=loose_parts.incoming(at.store, name),
        )
        earlier = () if anew else loose_parts.checks_of(at.store).get(name, ())
        twice = loose_parts.read_twice(
            check.readings, [value for one in earlier for value in one.readings]
        )
        if twice is not None:
            say(twice)
            if interactive():
                click.confirm("Is each another part?", abort=True, err=True)
        became = loose_parts.received(mine, [*earlier, check], wanted=LOOSE_PARTS)
        if person is not None:
            held = loose_parts.keep(
                at.store,
                check,
                became,
                product=at.product,
                people=at.settings.plan.people,
            )
            if held and check.incoming:
                standing = [f"Reel {name} is held: it must not be used."]
            else:
                standing = kitting.held_reels(at.store, at.product, {name})
    if person is None:
        say("Not kept: say who measured with --person NAME.")
    for line in standing:
        say(line)
    if found.heating is not None:
        beside.append(words.heated(found.heating, tolerance_ppm=mine.tolerance_ppm))
    return Shown(
        asdict(became)
        | asdict(became.check)
        | {"kept": person is not None, "held": held}
        | {"budget_ppm": {one.name: one.standard_ppm for one in found.shares}},
        *words.became(became, reel=name),
        words.unsure(found.shares, tolerance_ppm=mine.tolerance_ppm),
        *beside,
    )


def _asked(by: Circuit) -> list[str]:
    """Ask for readings, one a part."""
    if not interactive():
        misuse("give the readings, or a terminal to ask for them")
    say(f"{words.LOOSE} {words.NUMBERS[by]}.")
    plain = by in {Circuit.FOUR_WIRE, Circuit.TWO_WIRE}
    texts: list[str] = []
    while len(texts) < LOOSE_PARTS:
        text = click.prompt(f"Part {len(texts) + 1}", err=True)
        try:
            if plain:
                parse(text, Quantity.OHM)
        except QuantityError as exc:
            say(str(exc))
        else:
            texts.append(text)
    return texts
