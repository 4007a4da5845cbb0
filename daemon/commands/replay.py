"""A plan tried on the maker's own past."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from config import Settings, load_with_plan
from daemon.commands.opened import Opened, opened
from daemon.commands.options import DAY, FILE
from daemon.commands.showing import Shown, Table, progressing, refuse, shown
from daemon.holds import Checked, Past, Tried
from daemon.watch import limits_of
from storage import Configuration, Session

EVERY = Checked()
STEP = "step"
"""Begin of a line by which a program follows how far it is."""


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
@click.option("--plan-of", type=DAY, help="The plan that was in force on that day.")
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
@click.option("--steps", is_flag=True, hidden=True)
@shown
def replay(
    *,
    checked: int | None,
    share: float | None,
    plan: Path | None,
    plan_of: datetime | None,
    since: datetime | None,
    draws: int,
    costs: tuple[float, float] | None,
    steps: bool,
) -> Shown:
    """Try a plan on what you measured so far.

    It goes through your own runs again: once with every unit that was measured and
    today's plan, then as asked. Which units are measured is drawn at random, with
    the first one of each reel. It says which builds would have been held, and which
    units outside their error limit would have left. Verdicts and decisions stay as
    they were recorded; nothing is kept.
    """
    if checked is not None and share is not None:
        refuse("give one of them", "--checked or --share")
    if plan is not None and plan_of is not None:
        refuse("give one of them", "--plan or --plan-of")
    with opened() as at:
        other = at.settings
        if plan is not None:
            other = load_with_plan(at.home.folder, plan)
        elif plan_of is not None:
            other = _in_force_on(at, plan_of)
        asked = _asked(checked, share, other)
        if asked.every and plan is None and plan_of is None:
            refuse(
                "the plan measures every unit; say how many to try, or name another "
                "plan with --plan",
                "--checked or --share",
            )
        begun = None if since is None else since.replace(tzinfo=UTC)
        past = Past.read(at.store, at.product, since=begun)
        total = 1 if asked.every else draws
        with progressing(total + 1, "Going through your runs again") as step:

            def reached(number: int) -> None:
                step(number, "")
                if steps:
                    click.echo(f"{STEP} {number} {total + 1}")

            reached(0)
            whole = past.replay(at.settings, EVERY, own_limit=at.own_limit())
            own_limit = limits_of(at.home.data, other).serving
            replays = []
            for seed in range(total):
                reached(1 + seed)
                replays.append(
                    past.replay(other, asked, own_limit=own_limit, seed=seed)
                )
    tried = Tried.on(past, whole, replays, asked)
    said = [*tried.sentences()]
    return Shown(
        tried.data(),
        f"{tried.head()}\n",
        Table(
            tried.rows(costs),
            dict(zip(tried.heads, ("what", "whole", "asked"), strict=True)),
        ),
        *([""] if said else []),
        *said,
    )


def _in_force_on(at: Opened, day: datetime) -> Settings:
    """Return today's settings with the plan of the last session begun by a day."""
    end = day.replace(tzinfo=UTC) + timedelta(days=1)
    begun = [one for one in at.store.rows(Session) if one.opened_at < end]
    if not begun:
        refuse(
            f"nothing was measured by {day:%Y-%m-%d}: no plan of then is recorded",
            "--plan-of",
        )
    last = max(begun, key=lambda one: one.opened_at)
    (kept,) = at.store.rows(Configuration, configuration=last.configuration)
    then = Settings.model_validate_json(kept.body)
    return at.settings.model_copy(update={"plan": then.plan})


def _asked(checked: int | None, share: float | None, plan: Settings) -> Checked:
    """Return how many units are asked for: by options, else by the plan."""
    if checked is None and share is None and plan.plan.sample is not None:
        share = plan.plan.sample.full_share
    return Checked(units=checked, share=share)
