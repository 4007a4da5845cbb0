"""What is done to one unit: another part, a wider limit, a trimming resistor."""

from dataclasses import asdict
from typing import Any
from uuid import uuid4

import click

from config.quantity import Unit, parse
from daemon import words
from daemon.commands.leaving import by_person, decision, records_of
from daemon.commands.manners import Opened, as_json, as_table, opened, out, say
from daemon.product import ProductModel
from daemon.whereabouts.rework import SERIES, TrimPlan, trim_plan
from daemon.whereabouts.shipping import require_listed
from daemon.whereabouts.tracing import leftover
from storage.answers import BuildYield, HoldState, ReworkOf, UnitRow
from storage.errors import NotFoundError
from storage.records import Scope
from storage.records_shipping import Rework, ReworkKind
from storage.store import Store


@click.group()
def rework() -> None:
    """Replace, regrade or trim one unit; it is measured again before it leaves."""


def _keep(at: Opened, serial: str, kind: ReworkKind, person: str, reason: str,
          **fields: Any) -> None:  # fmt: skip
    require_listed(person, at.settings.plan.people)
    line = decision(person, kind.value, serial, reason)
    at.store.keep(
        Rework(
            rework=uuid4().hex,
            serial=serial,
            product=at.product,
            kind=kind,
            person=person,
            reason=reason,
            reworked_at=line.decided_at,
            **fields,
        ),
        decision=line,
    )


@rework.command("replace")
@click.argument("serial")
@click.argument("part")
@click.option("--reel", required=True, help="Where the new part comes from.")
@by_person
@click.option("--reason", required=True)
@click.pass_context
def replace(
    context: click.Context, serial: str, part: str, reel: str, person: str, reason: str
) -> None:
    """Record that PART of one unit was replaced by one of another reel."""
    with opened(context) as at:
        if part not in at.settings.product.parts:
            raise NotFoundError(kind="part", key=part)
        refuse_held(at.store, at.product, reel)
        records = records_of(at)
        records.unit(serial)
        _keep(at, serial, ReworkKind.REPLACE, person, reason, part=part, reel=reel)
        left = leftover(records, reel)
    say(f"{part} of unit {serial} is of reel {reel} now; measure it again.")
    if left is not None and left < 1:
        say(f"More parts of reel {reel} used than received: check the records.")


class HeldReelError(click.ClickException):
    """A reel that must not be used."""


def refuse_held(store: Store, product: str, reel: str) -> None:
    """Refuse to take a part from a reel that is held.

    Raises
    ------
    HeldReelError
        Naming the hold.
    """
    for one in store.rows(HoldState, product=product):
        held = (one.scope, one.subject) == (Scope.REEL, reel)
        if held and one.disposal is None:
            message = f"reel {reel} is held: {one.reason}"
            raise HeldReelError(message)


@rework.command("regrade")
@click.argument("serial")
@click.argument("range_", metavar="RANGE")
@click.option("--limit", required=True, help="The wider limit, for example 1%.")
@by_person
@click.option("--reason", required=True)
@click.pass_context
def regrade(
    context: click.Context,
    serial: str,
    range_: str,
    limit: str,
    person: str,
    reason: str,
) -> None:
    """Record that one range of a unit is sold to a wider limit."""
    with opened(context) as at:
        if range_ not in at.settings.product.ranges:
            raise NotFoundError(kind="range", key=range_)
        limit_ppm = parse(limit, Unit.PPM)
        _keep(
            at, serial, ReworkKind.REGRADE, person, reason,
            range=range_, limit_ppm=limit_ppm,
        )  # fmt: skip
    say(f"Range {range_} of unit {serial} is sold to {limit_ppm / 1e4:g} %.")


@rework.command("trim")
@click.argument("serial")
@click.argument("range_", metavar="RANGE")
@click.option("--series", type=click.Choice(SERIES), help="Left out: coarsest will do.")
@click.option("--tolerance", default="1%", show_default=True, help="Of the resistor.")
@click.option("--tempco", type=float, default=100.0, show_default=True, help="ppm/K.")
@click.option("--fitted", is_flag=True, help="It is soldered in: record it.")
@click.option("--person", envvar="HOLDPOINT_PERSON", help="With --fitted.")
@click.option("--reason", help="With --fitted: the concession.")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def trim(
    context: click.Context,
    *,
    serial: str,
    range_: str,
    series: str | None,
    tolerance: str,
    tempco: float,
    fitted: bool,
    person: str | None,
    reason: str | None,
    json_: bool,
) -> None:
    """Find the preferred value that brings a range back, in parallel or in series.

    Solder unpowered, battery out, capacitors discharged.
    """
    if fitted and (person is None or reason is None):
        message = "--fitted goes with --person and --reason"
        raise click.UsageError(message, context)
    with opened(context) as at:
        product = ProductModel.of(at.settings.product)
        if range_ not in product.keys:
            raise NotFoundError(kind="range", key=range_)
        result = records_of(at).errors_of(serial).get(range_)
        if result is None:
            raise NotFoundError(kind=f"result on {range_} of unit", key=serial)
        plan = trim_plan(
            product,
            range_,
            error_ppm=result.error_ppm,
            uncertainty_ppm=result.uncertainty_ppm,
            limit_ppm=result.limit_ppm,
            series=series,
            tolerance_ppm=parse(tolerance, Unit.PPM),
            tempco_ppm_per_k=tempco,
        )
        if fitted and person is not None and reason is not None:
            _keep(
                at, serial, ReworkKind.TRIM, person, reason,
                range=range_, part=plan.part, trim_kind=plan.trim.kind.value,
                trim_ohm=plan.trim.part_ohm,
            )  # fmt: skip
    if json_:
        as_json(_row(plan))
        return
    out().print(
        f"{words.ohm(plan.trim.part_ohm)} ({plan.series}) {plan.trim.kind.value} with "
        f"{plan.part}: range {range_} from {plan.before_ppm:+.0f} ppm to "
        f"{plan.error_ppm:+.0f} ppm, +/- {2 * plan.tolerance_ppm:.0f} ppm (k = 2), "
        f"at most {plan.tempco_ppm_per_k:.0f} ppm/K."
    )


def _row(plan: TrimPlan) -> dict[str, Any]:
    return {
        "range": plan.range,
        "part": plan.part,
        "series": plan.series,
        "how": plan.trim.kind.value,
        "ohm": plan.trim.part_ohm,
        "before_ppm": plan.before_ppm,
        "error_ppm": plan.error_ppm,
        "expanded_ppm": 2 * plan.tolerance_ppm,
        "tempco_ppm_per_k": plan.tempco_ppm_per_k,
    }


@rework.command("list")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def list_(context: click.Context, json_: bool) -> None:
    """List what was reworked, before and after, with first-pass and final yield."""
    with opened(context) as at:
        reworks = at.store.rows(ReworkOf, product=at.product)
        yields = [asdict(o) for o in at.store.rows(BuildYield, product=at.product)]
        rows = [asdict(one) | before_and_after(at.store, one) for one in reworks]
    if json_:
        as_json({"reworks": rows, "yields": yields})
        return
    as_table(
        rows,
        {
            "serial": "unit",
            "kind": "what",
            "part": "part",
            "reel": "reel",
            "range": "range",
            "before": "before",
            "after": "after",
            "person": "who",
        },
    )
    out().print()
    as_table(
        yields,
        {
            "build": "build",
            "units": "units",
            "first_pass_yield": "first-pass yield",
            "final_yield": "final yield",
            "reworked": "reworked",
        },
    )


def before_and_after(store: Store, rework: Rework) -> dict[str, str | None]:
    """Return the farthest range error before a rework and after it."""
    rows = store.rows(UnitRow, serial=rework.serial)
    runs = tuple(one.judged_last() for one in rows)
    if rework.range is not None:
        runs = tuple(one for one in runs if one.range == rework.range)

    def farthest(later: bool) -> str | None:
        mine = [
            one for one in runs
            if (one.started_at > rework.reworked_at) is later
        ]  # fmt: skip
        if not mine:
            return None
        last = max(one.number for one in mine)
        worst = max(
            (one for one in mine if one.number == last),
            key=lambda one: abs(one.error_ppm),
        )
        return f"{worst.error_ppm:+.0f} ppm on {worst.range}"

    return {"before": farthest(False), "after": farthest(True)}
