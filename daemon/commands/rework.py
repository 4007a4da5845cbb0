"""What is done to one unit: another part, a wider limit, a trimming resistor."""

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import click

from config import Unit, parse
from daemon.commands.opened import Opened, opened
from daemon.commands.options import by_person
from daemon.commands.recall import records_of
from daemon.commands.showing import Shown, Table, misuse, say, shown
from daemon.judging import ProductModel
from daemon.presentation import figures
from daemon.traceability import (
    SERIES,
    TrimPlan,
    replace_part,
    require_listed,
    trim_plan,
)
from storage import (
    BuildYield,
    Decision,
    NotFoundError,
    Rework,
    ReworkKind,
    ReworkOf,
    Store,
    UnitRow,
    counted_serials,
)


def _keep(at: Opened, serial: str, kind: ReworkKind, person: str, reason: str,
          **fields: Any) -> None:  # fmt: skip
    require_listed(person, at.settings.plan.people)
    now = datetime.now(UTC)
    at.store.keep(
        Rework(
            rework=uuid4().hex,
            serial=serial,
            product=at.product,
            kind=kind,
            person=person,
            reason=reason,
            reworked_at=now,
            **fields,
        ),
        decision=Decision(
            person=person,
            action=kind.value,
            subject=serial,
            reason=reason,
            decided_at=now,
        ),
    )


@click.command("replace")
@click.argument("serial")
@click.argument("part")
@click.option("--reel", required=True, help="Where the new part comes from.")
@by_person()
@click.option("--reason", required=True, help="Why it was replaced.")
def rework_replace(serial: str, part: str, reel: str, person: str, reason: str) -> None:
    """Record that a part was replaced.

    PART of a unit is of another reel now; SERIAL may name several, such as
    PA-3005..PA-3009. A unit is measured again before it leaves.
    """
    with opened() as at:
        settings = at.settings
        done = replace_part(
            at.store,
            at.product,
            counted_serials(serial),
            part,
            reel,
            parts=settings.product.parts,
            ranges=settings.product.ranges,
            person=person,
            reason=reason,
            people=settings.plan.people,
            at=datetime.now(UTC),
        )
        how = "--rerun" if settings.bench is not None else "--rerun --typed"
    for sentence in done.sentences():
        say(sentence)
    which = f"{serial} " if (*done.recorded, *done.already) == (serial,) else ""
    say(
        f"Measure again: `holdpoint measure {which}{how}`. Then end the hold, where "
        "there is one."
    )


@click.command("regrade")
@click.argument("serial")
@click.argument("range_", metavar="RANGE")
@click.option("--limit", required=True, help="The wider limit, for example 1%.")
@by_person()
@click.option("--reason", required=True, help="Why it may be sold so.")
def rework_regrade(
    serial: str, range_: str, limit: str, person: str, reason: str
) -> None:
    """Sell a range to a wider limit.

    It holds for one unit; its record says so.
    """
    with opened() as at:
        if range_ not in at.settings.product.ranges:
            raise NotFoundError(kind="range", key=range_)
        limit_ppm = parse(limit, Unit.PPM)
        _keep(
            at, serial, ReworkKind.REGRADE, person, reason,
            range=range_, limit_ppm=limit_ppm,
        )  # fmt: skip
        title = at.settings.product.ranges[range_].title
    say(f"Range {title} of unit {serial} is sold to {figures.share_of(limit_ppm)}.")


@click.command("trim")
@click.argument("serial")
@click.argument("range_", metavar="RANGE")
@click.option("--series", type=click.Choice(SERIES), help="Left out: coarsest will do.")
@click.option(
    "--tolerance", default="1%", show_default=True, help="The resistor's tolerance."
)
@click.option("--tempco", type=float, default=100.0, show_default=True, help="ppm/K.")
@click.option("--fitted", is_flag=True, help="Record that it is soldered in.")
@by_person("Who soldered it in; needed with --fitted.", required=False)
@click.option("--reason", help="Why it may be so; needed with --fitted.")
@shown
def rework_trim(
    *,
    serial: str,
    range_: str,
    series: str | None,
    tolerance: str,
    tempco: float,
    fitted: bool,
    person: str | None,
    reason: str | None,
) -> Shown:
    """Find the resistor that trims a range.

    It is a preferred value, in parallel or in series with the range's part. Solder
    unpowered, battery out, capacitors discharged.
    """
    if fitted and (person is None or reason is None):
        misuse("--fitted goes with --person and --reason")
    with opened() as at:
        product = ProductModel.of(at.settings.product)
        if range_ not in product.keys:
            raise NotFoundError(kind="range", key=range_)
        result = records_of(at, serial).errors_of(serial).get(range_)
        if result is None:
            title = product.range(range_).title
            raise NotFoundError(kind=f"result on range {title} of unit", key=serial)
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
    return Shown(
        _row(plan),
        f"{figures.ohm(plan.trim.part_ohm)} ({plan.series}) {plan.trim.kind.value} "
        f"with {plan.part}: range {product.range(range_).title} from "
        f"{figures.percent(plan.before_ppm, 2 * plan.tolerance_ppm)} to "
        f"{figures.percent(plan.error_ppm, 2 * plan.tolerance_ppm)}, "
        f"\N{PLUS-MINUS SIGN} {figures.share_of(round(2 * plan.tolerance_ppm))} "
        "(k = 2), "
        f"at most {plan.tempco_ppm_per_k:.0f} ppm/K.",
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


@click.command("list")
@shown
def rework_list() -> Shown:
    """List reworks, before and after.

    Each build's first-pass and final yield stand below.
    """
    with opened() as at:
        reworks = at.store.rows(ReworkOf, product=at.product)
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
        yields = [asdict(o) for o in at.store.rows(BuildYield, product=at.product)]
        rows = [
            asdict(one) | before_and_after(at.store, one, titles) for one in reworks
        ]
    return Shown(
        {"reworks": rows, "yields": yields},
        Table(
            rows,
            {
                "unit": "serial", "what": "kind", "part": "part", "reel": "reel",
                "range": lambda one: titles.get(one["range"], one["range"]),
                "before": "before", "after": "after", "who": "person",
            },
        ),
        "",
        Table(
            yields,
            {
                "build": "build", "units": "units",
                "first-pass yield": lambda one: figures.yielded(
                    one["first_pass_yield"]
                ),
                "final yield": lambda one: figures.yielded(one["final_yield"]),
                "reworked": "reworked",
            },
        ),
    )  # fmt: skip


def before_and_after(
    store: Store, rework: Rework, titles: Mapping[str, str]
) -> dict[str, str | None]:
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
        size = figures.percent(
            worst.error_ppm, figures.COVERAGE * worst.uncertainty_ppm
        )
        return f"{size} on {titles.get(worst.range, worst.range)}"

    return {"before": farthest(False), "after": farthest(True)}
