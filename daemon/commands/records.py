"""Builds, reels and holds: what a person writes down, and what stands."""

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import Any

import click

from config.errors import QuantityError
from config.quantity import Unit as Quantity
from config.quantity import parse
from daemon import holds, kitting, reels, words
from daemon.client import Client
from daemon.commands.manners import (
    Opened,
    as_json,
    as_table,
    home_of,
    interactive,
    opened,
    out,
    say,
)
from daemon.commands.measuring import follow
from daemon.control import MOST_PARTS
from daemon.product import ProductModel
from daemon.proving import sharpened
from daemon.whereabouts import tracing
from daemon.whereabouts.doubted import by_reason, doubted
from storage.answers import HoldState, LatestResult, RunInDoubt
from storage.records import Disposal, Fitting, Hold, Proof, Scope, Signal, Unit
from storage.records_shipping import ReelReceipt
from storage.remote import RemoteStore

LOOSE_PARTS = 5
DAY = click.DateTime(["%Y-%m-%d"])


@click.group()
def build() -> None:
    """Keep builds: batches of units kitted together."""


@build.command("open")
@click.argument("name")
@click.option("--units", type=click.IntRange(min=1), help="How many are planned.")
@click.pass_context
def build_open(context: click.Context, name: str, units: int | None) -> None:
    """Open a build; its units are measured next."""
    with opened(context) as at:
        kitting.open_build(
            at.store, at.product, name, planned_units=units, at=datetime.now(UTC)
        )
    say(f"Build {name} is open.")


@build.command("list")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def build_list(context: click.Context, json_: bool) -> None:
    """List builds with what was measured and what stays."""
    with opened(context) as at:
        rows = at.store.frame("builds", product=at.product).to_dict("records")
    if json_:
        as_json(rows)
        return
    as_table(
        rows,
        {
            "build": "build",
            "units": "units",
            "planned_units": "planned",
            "first_pass_yield": "first-pass yield",
            "state": "state",
        },
    )


@build.command("boards")
@click.argument("name")
@click.argument("serials", nargs=-1, required=True)
@click.pass_context
def build_boards(context: click.Context, name: str, serials: tuple[str, ...]) -> None:
    """Record the serials of boards that are yet to be measured.

    A recall then finds them too.
    """
    with opened(context) as at:
        at.store.keep(
            *[Unit(serial=one, product=at.product, build=name) for one in serials]
        )
    say(f"{words.counted(len(serials), 'board')} of build {name} recorded.")


@click.group()
def reel() -> None:
    """Keep reels: component lots, and where they went."""


@reel.command("add")
@click.argument("name")
@click.option("--nominal", required=True, help="For example 4k99 or 10k.")
@click.option("--tolerance", required=True, help="For example 0.1%.")
@click.option("--supplier")
@click.option("--lot", "lot_code", help="The supplier's lot code.")
@click.option("--quantity", type=click.IntRange(min=1), help="How many parts came.")
@click.option("--marking", help="What is printed on the parts.")
@click.option("--date-code")
@click.option("--invoice")
@click.option("--received", type=DAY, help="Day it came in; left out: now.")
@click.option("--claim-until", type=DAY, help="Last day of a claim.")
@click.pass_context
def reel_add(
    context: click.Context,
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
    with opened(context) as at:
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


@reel.command("fit")
@click.argument("name")
@click.argument("part")
@click.option("--build", "build_name", required=True)
@click.option("--from", "from_serial", help="First unit; left out: the whole build.")
@click.option(
    "--fitted", "fitted_on", type=DAY, help="Day it was fitted; left out: now."
)
@click.option("--anyway", is_flag=True, help="Record it although records contradict.")
@click.pass_context
def reel_fit(
    context: click.Context,
    *,
    name: str,
    part: str,
    build_name: str,
    from_serial: str | None,
    fitted_on: datetime | None,
    anyway: bool,
) -> None:
    """Record that PART of a build comes from this reel, from a unit on."""
    with opened(context) as at:
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


@reel.command("check")
@click.argument("name")
@click.argument("readings", nargs=-1)
@click.option("--leads", help="Reading with the leads shorted; taken off each part.")
@click.option(
    "--meter",
    help="The meter's accuracy, for example 0.02%, which is taken if none is.",
)
@click.option("--run", "by_bench", is_flag=True, help="Have the bench's ohmmeter read.")
@click.option(
    "--parts",
    type=click.IntRange(2, MOST_PARTS),
    default=LOOSE_PARTS,
    show_default=True,
    help="How many parts the bench is to read.",
)
@click.option(
    "--person", envvar="HOLDPOINT_PERSON",
    help="Who measures; needed to keep it. Else HOLDPOINT_PERSON.",
)  # fmt: skip
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def reel_check(
    context: click.Context,
    *,
    name: str,
    readings: tuple[str, ...],
    leads: str | None,
    meter: str | None,
    by_bench: bool,
    parts: int,
    person: str | None,
    json_: bool,
) -> None:
    """Judge loose parts of a reel against its label: five readings will do.

    Measure them loose and unpowered, four-wire where the value is low. Without
    READINGS they are asked for. What a named person measured is kept: the reel's
    trace tells it, and a finding that names the reel rests on it.
    """
    if by_bench:
        if readings or leads or meter or person is None:
            message = "--run needs --person, and no readings: the bench takes them"
            raise click.UsageError(message, context)
        loose = {"reel": name, "person": person, "parts": parts}
        with Client.of(home_of(context).data) as client:
            out().print(
                follow(client, client.work("check reel", loose=loose))["message"]
            )
        return
    texts = readings or _asked(context)
    with opened(context) as at:
        mine = reels.reel_of(at.store, name)
        check = reels.checked(
            mine,
            texts,
            leads=leads,
            meter=meter,
            person=person or "",
            at=datetime.now(UTC),
        )
        said = reels.judged(mine, check)
        if person is not None:
            at.store.keep(check)
    if json_:
        as_json(asdict(said) | {"kept": person is not None})
        return
    for line in words.claim(said, reel=name, tolerance_ppm=mine.tolerance_ppm):
        out().print(line)
    if person is None:
        say("Not kept: say who measured with --person NAME.")


def _recorded_late(at: Opened, fitting: Fitting) -> list[str]:
    """Say when a fitting counts for a finding, where its units are measured already."""
    records = tracing.Records.of(at.store, at.product, ())
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
    carrying = words.counted(measured, "unit")
    return [f"{carrying} with it measured already: findings name it {when}."]


def _on_day(day: datetime | None, *, end: bool = False) -> datetime:
    """Return the beginning or end of a day, in UTC; without one, or today, now."""
    now = datetime.now(UTC)
    if day is None:
        return now
    begin = day.replace(tzinfo=UTC)
    return min(now, begin + timedelta(days=1, microseconds=-1)) if end else begin


def _asked(context: click.Context) -> list[str]:
    """Ask for readings, one a part."""
    if not interactive():
        message = "give the readings, or a terminal to ask for them"
        raise click.UsageError(message, context)
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


@click.group()
def hold() -> None:
    """Show and end holds: what may not ship, and who let it go."""


@hold.command("list")
@click.option("--all", "every", is_flag=True, help="Those that ended too.")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def hold_list(context: click.Context, every: bool, json_: bool) -> None:
    """List what stays, and why; units of a bench in doubt stay like held ones."""
    with opened(context) as at:
        rows = at.store.rows(HoldState, product=at.product)
        raised = at.store.rows(Signal, "signals", product=at.product)
        found = sharpened(
            raised,
            at.store.rows(Proof, "proofs", product=at.product),
            ProductModel.of(at.settings.product),
        )
        latest = at.store.rows(LatestResult, product=at.product)
        runs = at.store.rows(RunInDoubt, product=at.product)
    doubts = doubted(latest, runs)
    why = by_reason(doubts, doubts)
    listed = [
        _told(one, raised, found) for one in rows if every or one.disposal is None
    ]
    if json_:
        as_json(listed)
        return
    if not listed and not why:
        say("Nothing is held.")
        return
    for reason, serials in why.items():
        out().print(f"In doubt, {tracing.spans(serials)}: {reason}.", markup=False)
    if not listed:
        return
    as_table(
        listed,
        {
            "hold": "hold",
            "scope": "on",
            "subject": "which",
            "why": "reason",
            "disposal": "ended by",
            "person": "who",
        },
    )
    told = None
    for one in listed:
        if one["offer"] is None:
            continue
        if (sentence := one["offer"]["sentence"]) != told:
            told = sentence
            out().print()
            out().print(
                f"{sentence} What it holds stands until a named person ends it:",
                markup=False,
            )
        out().print(_command(one), markup=False, soft_wrap=True)


def _told(
    hold: HoldState, raised: Sequence[Signal], found: Sequence[Signal]
) -> dict[str, Any]:
    """Return a hold with its finding's present words, and the end that is offered."""
    at_first = {one.signal: one for one in raised}.get(hold.signal or "")
    now = {one.signal: one for one in found}.get(hold.signal or "")
    offer = holds.end_offer(hold, at_first) if hold.disposal is None else None
    return {
        **asdict(hold),
        "why": words.why_held(hold, now),
        "withdrawn": None if now is None else now.withdrawn,
        "offer": None if offer is None else asdict(offer),
    }


def _command(hold: Mapping[str, Any]) -> str:
    """Return the command that ends a hold as it is offered, but for who decides."""
    offer = hold["offer"]
    asked = ["holdpoint", "hold", "end", hold["hold"], "--by", offer["disposal"]]
    asked += ["--reason", offer["reason"], "--evidence", offer["evidence"]]
    return f"{shlex.join(asked)} --person NAME"


@hold.command("place")
@click.option("--build", "build_name", help="On a build.")
@click.option("--reel", "reel_name", help="On everything with a reel.")
@click.option("--unit", "serial", help="On one unit.")
@click.option("--serials", nargs=2, help="On a range of serials, both ends included.")
@click.option(
    "--person", required=True, envvar="HOLDPOINT_PERSON",
    help="Who decides; listed in plan.toml. Else HOLDPOINT_PERSON.",
)  # fmt: skip
@click.option("--reason", required=True, help="Why it stays.")
@click.pass_context
def hold_place(
    context: click.Context,
    *,
    build_name: str | None,
    reel_name: str | None,
    serial: str | None,
    serials: tuple[str, str] | None,
    person: str,
    reason: str,
) -> None:
    """Place a hold by hand on a build, a reel, one unit or a range of serials."""
    first, last = serials or (None, None)
    named = [
        (scope, subject)
        for scope, subject in (
            (Scope.BUILD, build_name),
            (Scope.REEL, reel_name),
            (Scope.UNIT, serial),
            (Scope.SERIALS, first),
        )
        if subject is not None
    ]
    if len(named) != 1:
        message = "name one of --build, --reel, --unit and --serials"
        raise click.UsageError(message, context)
    scope, subject = named[0]
    with opened(context) as at:
        placed, decision = holds.by_hand(
            scope=scope,
            subject=subject,
            product=at.product,
            person=person,
            reason=reason,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
            to_serial=last,
        )
        at.store.keep(placed, decision=decision)
    say(f"Hold {placed.hold} stands on {words.held(placed)}.")


@hold.command("end")
@click.argument("name")
@click.option(
    "--by",
    "disposal",
    required=True,
    type=click.Choice([one.value for one in Disposal]),
    help="How it ends (ISO 9000 terms).",
)
@click.option(
    "--person", required=True, envvar="HOLDPOINT_PERSON",
    help="Who decides; listed in plan.toml. Else HOLDPOINT_PERSON.",
)  # fmt: skip
@click.option("--reason", required=True, help="Why it may.")
@click.option("--evidence", help="What shows it: a report's number, a run.")
@click.pass_context
def hold_end(
    context: click.Context,
    name: str,
    disposal: str,
    person: str,
    reason: str,
    evidence: str | None,
) -> None:
    """End a hold: a named person takes the decision."""
    with opened(context) as at:
        end, decision = holds.ending(
            name,
            disposal=Disposal(disposal),
            person=person,
            reason=reason,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
            evidence=evidence,
        )
        at.store.keep(end, decision=decision)
        (ended,) = at.store.rows(Hold, hold=name)
        raised = {
            one.signal: one
            for one in at.store.rows(Signal, "signals", product=at.product)
        }
    say(f"Hold {name} ended by {disposal}.")
    found = raised.get(ended.signal or "")
    if found is not None and found.standing:
        say(words.taught(Disposal(disposal), ended.scope))
