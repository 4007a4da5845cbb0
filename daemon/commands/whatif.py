"""Questions before a build."""

from collections.abc import Iterator, Sequence
from typing import Any

import click

from config import QuantityError, Unit, parse, spell
from daemon.commands.opened import opened
from daemon.commands.showing import How, Part, Shown, Table, refuse, shown
from daemon.presentation import figures
from daemon.spc import LARGEST_BUILD, Costs
from daemon.watch import (
    CHECKED,
    MISSED,
    SHIFTS,
    Outlook,
    RangeOutlook,
    said_costs,
    said_missed,
    up_to,
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
    "--build", type=click.IntRange(1, LARGEST_BUILD), default=60, show_default=True,
    help="Units in the build.",
)  # fmt: skip
@click.option(
    "--carrying", type=click.IntRange(min=1),
    help="Units of it with the new reel. Left out: half.",
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
@shown
def whatif(
    *,
    build: int,
    carrying: int | None,
    checked: tuple[int, ...],
    shifts: tuple[float, ...],
    range_: str | None,
    missed: float,
    costs: tuple[float, float, float] | None,
) -> Shown:
    """Ask how many units to measure next time.

    It also says what measuring fewer would miss. It reckons with how units and reels
    scattered so far.
    """
    carrying = max(1, build // 2) if carrying is None else carrying
    too_many = [n for n in checked if n > build]
    if carrying > build or (too_many and checked != CHECKED):
        refuse(f"no more units than the build's {build}", "--carrying or --checked")
    checked = tuple(n for n in checked if n <= build)
    with opened() as at:
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
    unsure = up_to(rows, outlook.units, outlook.builds)
    asked = {"build": build, "carrying": carrying, "missed": missed}
    return Shown(
        {
            "range": one.key,
            "sigma_ppm": one.check.sigma_ppm,
            "reel_sigma_ppm": one.check.reel_sigma_ppm,
            "builds": outlook.builds,
            "units": outlook.units,
            "history": outlook.history,
            **asked,
            "rows": rows,
            "checking": outlook.checking(),
            "to_some": to_some,
            "to_all": outlook.to_all(),
        },
        f"Range {one.title}: units of one reel scatter by "
        f"{spell(round(one.check.sigma_ppm), Unit.PPM)}, good reels by "
        f"{spell(round(one.check.reel_sigma_ppm), Unit.PPM)} "
        f"({figures.counted(outlook.units, 'unit')} of "
        f"{figures.counted(outlook.builds, 'build')}).",
        outlook.history,
        f"{figures.counted(build, 'unit')}, {carrying} with the new reel; it may be "
        f"missed in {100 * missed:g} % of such builds.\n",
        Table(rows, _columns(checked)),
        *(() if unsure is None else (f"\n{unsure}",)),
        *(() if price is None else _of_costs(rows, build)),
        f"\n{outlook.checking()}\n",
        *to_some,
        *outlook.to_all(),
    )


def _named(outlook: Outlook, key: str) -> RangeOutlook:
    by_key = {one.key: one for one in outlook.ranges}
    if key not in by_key:
        refuse(f"{key!r}; the product has {', '.join(by_key)}", "--range")
    return by_key[key]


def _costs(given: tuple[float, float, float]) -> Costs:
    test, escape, builds = given
    if test < 0 or escape < 0 or builds <= 1:
        refuse(
            "costs are 0 or more, and a bad reel comes in more than 1 build", "--costs"
        )
    return Costs(test=test, escape=escape, bad_share=1.0 / builds)


def _columns(checked: tuple[int, ...]) -> dict[str, How]:
    def more(key: str) -> How:
        return lambda row: "more" if row[key] is None else row[key]

    def missed_by(n: int) -> How:
        return lambda row: said_missed(row, n)

    return {
        "off by": _off,
        "needs its first": more("units_of_the_reel"),
        "or any": more("units_at_random"),
        **{f"any {n} miss": missed_by(n) for n in checked},
    }


def _of_costs(rows: Sequence[dict[str, Any]], build: int) -> Iterator[Part]:
    yield (
        "\nExpected cost a build, of tests and of bad units shipped; in brackets the "
        "units measured:\n"
    )
    yield Table(
        [{"off": _off(row), **said_costs(row)} for row in rows],
        {
            "off by": "off",
            "measure none": "none",
            "enough at random": "enough",
            "costs least": "cheapest",
            f"all {build}": "all",
        },
    )


def _off(row: dict[str, Any]) -> str:
    return figures.share_of(row["off_ppm"])
