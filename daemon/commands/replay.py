"""A plan tried on the maker's own past."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from statistics import fmean
from typing import Any

import click

from config import Settings, load_with_plan
from daemon.commands.opened import opened
from daemon.commands.options import DAY, FILE
from daemon.commands.showing import Shown, Table, progressing, refuse, shown
from daemon.holds import Checked, Past, Replay
from daemon.presentation import counted, money
from daemon.watch import limits_of

EVERY = Checked()
Counts = Callable[[Replay], float]


@click.command()
@click.option(
    "--checked", type=click.IntRange(min=1),
    help="Measure so many units of each build.",
)  # fmt: skip
@click.option(
    "--share", type=click.FloatRange(0, 1, min_open=True),
    help="Measure such a share of each build.",
)  # fmt: skip
@click.option("--plan", type=FILE, help="Another plan.toml. Left out: today's.")
@click.option("--since", type=DAY, help="Builds begun since then. Left out: all.")
@click.option(
    "--draws", type=click.IntRange(1, 1000), default=10, show_default=True,
    help="So many times other units are drawn.",
)  # fmt: skip
@click.option(
    "--costs", type=(click.FloatRange(min=0), click.FloatRange(min=0)), default=None,
    metavar="TEST ESCAPE",
    help="Cost of measuring a unit, of a bad one shipped.",
)  # fmt: skip
@shown
def replay(
    *,
    checked: int | None,
    share: float | None,
    plan: Path | None,
    since: datetime | None,
    draws: int,
    costs: tuple[float, float] | None,
) -> Shown:
    """Try a plan on what you measured so far.

    It folds your own runs again: once with every unit that was measured and today's
    plan, then as asked. Which units are measured is drawn at random, with the first
    one of each reel. It says which builds would have been held, and which units
    outside their error limit would have left. Verdicts and decisions stay as they
    were recorded; nothing is kept.
    """
    if checked is not None and share is not None:
        refuse("give one of them", "--checked or --share")
    with opened() as at:
        other = at.settings if plan is None else load_with_plan(at.home.folder, plan)
        asked = _asked(checked, share, other)
        if asked.every and plan is None:
            refuse(
                "the plan measures every unit; say how many to try, or name another "
                "plan with --plan",
                "--checked or --share",
            )
        begun = None if since is None else since.replace(tzinfo=UTC)
        past = Past.read(at.store, at.product, since=begun)
        total = 1 if asked.every else draws
        with progressing(total + 1, "Folding again") as step:
            whole = past.replay(at.settings, EVERY, own_limit=at.own_limit())
            own_limit = limits_of(at.home.data, other).serving
            tried = []
            for seed in range(total):
                step(1 + seed, "")
                tried.append(past.replay(other, asked, own_limit=own_limit, seed=seed))
    return _told(past, whole, tried, asked=asked, costs=costs)


def _asked(checked: int | None, share: float | None, plan: Settings) -> Checked:
    """Return how many units are asked for: by options, else by the plan."""
    if checked is None and share is None and plan.plan.sample is not None:
        share = plan.plan.sample.full_share
    return Checked(units=checked, share=share)


def _told(
    past: Past,
    whole: Replay,
    tried: Sequence[Replay],
    *,
    asked: Checked,
    costs: tuple[float, float] | None,
) -> Shown:
    missed: Counter[str] = Counter(
        build for one in tried for build in whole.held if build not in one.held
    )
    only: Counter[str] = Counter(
        build for one in tried for build in one.held if build not in whole.held
    )
    rows = _rows(whole, tried, costs)
    first, *_, last = [*past.builds] * 2
    builds = counted(len(past.builds), "build")
    of_builds = first if len(past.builds) == 1 else f"{first} to {last}"
    return Shown(
        {
            "builds": len(past.builds),
            "units": past.units,
            "outside": list(past.outside),
            "every_unit": asdict(whole),
            "as_asked": [asdict(one) for one in tried],
            "missed": dict(missed),
            "held_only_as_asked": dict(only),
        },
        f"{builds} ({of_builds}), {counted(past.units, 'unit')}; "
        f"{len(past.outside)} of them outside an error limit.\n",
        Table(rows, {"": "what", "every unit": "whole", _head(asked): "asked"}),
        *([""] if missed or only else []),
        *(
            f"Build {build}, held when every unit is measured, would not have been "
            f"held{_in_draws(number, len(tried))}."
            for build, number in missed.items()
        ),
        *(
            f"Build {build} would have been held{_in_draws(number, len(tried))}, and "
            "is not when every unit is measured."
            for build, number in only.items()
        ),
    )


def _rows(
    whole: Replay, tried: Sequence[Replay], costs: tuple[float, float] | None
) -> list[dict[str, Any]]:
    lines: list[tuple[str, Counts, Callable[[float], str]]] = [
        ("units measured", lambda one: one.measured, _number),
        ("builds held", lambda one: len(one.held), _number),
        ("outside a limit, measured", lambda one: len(one.found), _number),
        ("outside, in a held build", lambda one: len(one.stopped), _number),
        ("outside, would have left", lambda one: len(one.left), _number),
    ]
    if costs is not None:
        test, escape = costs
        lines.append(
            ("cost", lambda one: one.cost(test=test, escape=escape), money),
        )
    return [
        {
            "what": what,
            "whole": said(of(whole)),
            "asked": _between([of(one) for one in tried], said),
        }
        for what, of, said in lines
    ]


def _between(values: Sequence[float], said: Callable[[float], str]) -> str:
    """Return a mean, with what it lay between where draws differ."""
    low, high = min(values), max(values)
    if low == high:
        return said(low)
    return f"{said(fmean(values))} ({said(low)} to {said(high)})"


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _head(asked: Checked) -> str:
    if asked.units is not None:
        return f"{asked.units} a build"
    if asked.share is not None:
        return f"{100 * asked.share:g} % of each"
    return "that plan"


def _in_draws(number: int, draws: int) -> str:
    return "" if draws == 1 else f" in {number} of {draws} draws"
