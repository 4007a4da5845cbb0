"""Questions before a build."""

from collections.abc import Sequence
from typing import Any

import click

from config.errors import QuantityError
from config.quantity import Unit, parse, spell
from daemon.commands.manners import as_json, as_table, opened, out
from daemon.spc.spot_check import Costs
from daemon.watch.next_build import (
    CHECKED,
    MISSED,
    SHIFTS,
    Outlook,
    RangeOutlook,
    said_costs,
    said_missed,
)


class Share(click.ParamType[float]):
    """A share such as 0.3 % or 300 ppm, in ppm."""

    name = "share"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return it in ppm, or fail as misuse."""
        try:
            return float(parse(value, Unit.PPM))
        except QuantityError as exc:
            self.fail(str(exc), param, ctx)


@click.command()
@click.option(
    "--build", type=click.IntRange(min=1), default=60, show_default=True,
    help="Units in the build.",
)  # fmt: skip
@click.option(
    "--carrying", type=click.IntRange(min=1),
    help="Units of it that carry the new reel. Left out: half.",
)  # fmt: skip
@click.option(
    "--checked", type=click.IntRange(min=1), multiple=True, default=CHECKED,
    show_default=True, help="Units measured, drawn at random; may be given again.",
)  # fmt: skip
@click.option(
    "--off", "shifts", type=Share(), multiple=True, default=SHIFTS,
    help="How far the reel may be off, such as 0.3%; may be given again.",
)  # fmt: skip
@click.option("--range", "range_", help="Left out: where a bad reel is seen last.")
@click.option(
    "--missed", type=click.FloatRange(0, 1, min_open=True, max_open=True),
    default=MISSED, show_default=True, help="Accepted chance of missing it.",
)  # fmt: skip
@click.option(
    "--costs", type=(float, float, float), default=None,
    metavar="TEST ESCAPE BUILDS",
    help="Cost of measuring a unit, of a bad one shipped, and in how many builds one "
    "has such a reel: says what measuring none, some and all would cost.",
)  # fmt: skip
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def whatif(
    context: click.Context,
    *,
    build: int,
    carrying: int | None,
    checked: tuple[int, ...],
    shifts: tuple[float, ...],
    range_: str | None,
    missed: float,
    costs: tuple[float, float, float] | None,
    json_: bool,
) -> None:
    """Ask before a build: how many units must be measured, what would be missed.

    Reckoned from how units and reels scattered so far.
    """
    carrying = max(1, build // 2) if carrying is None else carrying
    too_many = [n for n in checked if n > build]
    if carrying > build or (too_many and checked != CHECKED):
        message = f"no more units than the build's {build}"
        raise click.BadParameter(message, param_hint="--carrying or --checked")
    checked = tuple(n for n in checked if n <= build)
    with opened(context) as at:
        outlook = Outlook.of(at.settings, at.store, own_limit=at.own_limit())
    one = outlook.hardest() if range_ is None else _named(outlook, range_)
    price = None if costs is None else _costs(costs)
    to_some = outlook.to_some(build=build, carrying=carrying, missed=missed)
    rows = [
        one.asked(
            shift,
            build=build,
            carrying=carrying,
            checked=checked,
            missed=missed,
            costs=price,
        )
        for shift in shifts
    ]
    if json_:
        as_json(
            {
                "range": one.key,
                "sigma_ppm": one.check.sigma_ppm,
                "reel_sigma_ppm": one.check.reel_sigma_ppm,
                "builds": outlook.builds,
                "units": outlook.units,
                "history": outlook.history,
                "build": build,
                "carrying": carrying,
                "missed": missed,
                "rows": rows,
                "checking": outlook.checking(),
                "to_some": to_some,
                "to_all": outlook.to_all(),
            }
        )
        return
    out().print(
        f"Range {one.title}: units of one reel scatter by "
        f"{spell(round(one.check.sigma_ppm), Unit.PPM)}, good reels by "
        f"{spell(round(one.check.reel_sigma_ppm), Unit.PPM)} "
        f"({outlook.units} units of {outlook.builds} builds)."
    )
    out().print(outlook.history)
    out().print(
        f"{build} units, {carrying} with the new reel; it may be missed in "
        f"{100 * missed:g} % of such builds.\n"
    )
    as_table([_spoken(row) for row in rows], _columns(checked))
    if price is not None:
        _print_costs(rows, build)
    out().print("\n" + outlook.checking() + "\n")
    for line in (*to_some, *outlook.to_all()):
        out().print(line)


def _named(outlook: Outlook, key: str) -> RangeOutlook:
    for one in outlook.ranges:
        if one.key == key:
            return one
    keys = ", ".join(one.key for one in outlook.ranges)
    message = f"{key!r}; the product has {keys}"
    raise click.BadParameter(message, param_hint="--range")


def _costs(given: tuple[float, float, float]) -> Costs:
    test, escape, builds = given
    if test < 0 or escape < 0 or builds <= 1:
        message = "costs are 0 or more, and a bad reel comes in more than 1 build"
        raise click.BadParameter(message, param_hint="--costs")
    return Costs(test=test, escape=escape, bad_share=1.0 / builds)


def _print_costs(rows: Sequence[dict[str, Any]], build: int) -> None:
    out().print(
        "\nExpected cost a build, of tests and of bad units shipped; in brackets the "
        "units measured:\n"
    )
    as_table(
        [{"off": _off(row), **said_costs(row)} for row in rows],
        {
            "off": "off by",
            "none": "measure none",
            "enough": "enough at random",
            "cheapest": "costs least",
            "all": f"all {build}",
        },
    )


def _columns(checked: tuple[int, ...]) -> dict[str, str]:
    columns = {
        "off": "off by",
        "units_of_the_reel": "needs its first",
        "units_at_random": "or any",
    }
    return columns | {f"missed_by_{n}": f"any {n} miss" for n in checked}


def _off(row: dict[str, Any]) -> str:
    return f"{row['off_ppm'] / 1e4:g} %"


def _spoken(row: dict[str, Any]) -> dict[str, Any]:
    spoken = {"off": _off(row), **row}
    for key in ("units_of_the_reel", "units_at_random"):
        spoken[key] = "more" if row[key] is None else row[key]
    for key, value in row.items():
        if key.startswith("missed_by_"):
            spoken[key] = said_missed(value)
    return spoken
