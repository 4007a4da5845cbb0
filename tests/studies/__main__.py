"""Studies: many simulated stories, or kills, counted.

`uv run python -m tests.studies --help` says which there are.
"""

import os
from dataclasses import asdict
from importlib.resources import as_file, files
from pathlib import Path

import click

from config import load
from daemon.commands.options import FOLDER, NEW_FILE
from daemon.commands.showing import Shown, pairs, progressing, shown
from tests.studies import coverage, detection_table, years_table
from tests.studies.many_demos import summary, tell_many

SEED = click.IntRange(min=0)
WORKERS = click.IntRange(1, 256)


@click.group("python -m tests.studies")
def main() -> None:
    """Run many simulated stories and count."""


@main.command("detection")
@click.option(
    "--replicates", type=click.IntRange(12, 100_000), default=120, show_default=True,
    help="Builds of each kind.",
)  # fmt: skip
@click.option("--seed", type=SEED, default=7, show_default=True)
@click.option("--workers", type=WORKERS, help="Left out: all cores.")
@click.option(
    "--into", type=FOLDER, default=Path("detection-study"), show_default=True,
    help="Folder for tables and picture.",
)  # fmt: skip
def study_detection(
    replicates: int, seed: int, workers: int | None, into: Path
) -> None:
    """Measure how well faults are found.

    It uses simulated worlds, and says which of the detector's goals are met.
    """
    with progressing(1000, "Builds") as step:
        detection_table.studied(
            replicates,
            seed,
            workers,
            into,
            lambda share, case: step(int(1000 * share), case),
        )


@main.command("coverage")
@click.option(
    "--sure", type=click.FloatRange(0.05, 10.0), default=1.0, show_default=True,
    help="Standard error of each kind of bench, %.",
)  # fmt: skip
@click.option("--seed", type=SEED, default=3, show_default=True)
@click.option("--told", is_flag=True, help="Settings say how far readings follow.")
@click.option("--each", is_flag=True, help="A row for each kind of bench.")
def study_coverage(sure: float, seed: int, *, told: bool, each: bool) -> None:
    """Count how often the stated 95 % interval holds what is true."""
    known = list(coverage.cells(told=told))
    found = []
    with progressing(len(known), "Kinds of benches") as step:
        for place, one in enumerate(known):
            step(place, "")
            found.append(coverage.told_until(one, sure / 100, seed))
    click.echo(coverage.table(found, each=each))


@main.command("demo")
@click.option("--seeds", type=click.IntRange(1, 10_000), default=200, show_default=True)
@shown
def study_demo(*, seeds: int) -> Shown:
    """Tell the demo's story for many seeds.

    It uses no sockets and does not wait.
    """
    with progressing(seeds, "Stories") as step:
        results = []
        for one in tell_many(range(1, seeds + 1)):
            results.append(one)
            step(len(results), f"seed {one.seed}")
    accepted = _accepted_per_units()
    total = summary(results, accepted_per_units=accepted)
    low, high = total.rate_interval
    return Shown(
        {**asdict(total), "accepted_per_units": accepted},
        pairs(
            {
                "stories": total.stories,
                "bad reel held within 3 units": total.held_within,
                "cause and range named right": total.right_cause,
                "true size inside the 95 % interval": total.size_covered,
                "good units": total.good_units,
                "false holds": total.false_holds,
                f"most at the accepted one in {accepted} (95 %)": total.most_false,
                "false holds per unit (95 %)": f"{low:.1e} to {high:.1e}",
            }.items(),
            "what",
            "count",
        ),
    )


@main.command("years")
@click.option(
    "--makers", type=click.IntRange(1, 100_000), default=20, show_default=True
)
@click.option("--seed", type=SEED, default=1, show_default=True)
@click.option(
    "--accepted", type=click.IntRange(min=2), default=5000, show_default=True,
    help="One false hold in this many units.",
)  # fmt: skip
@click.option("--workers", type=WORKERS, help="Left out: all cores.")
@click.option(
    "--json", "json_", type=NEW_FILE,
    help="Write every build, and what it came to, to this file.",
)  # fmt: skip
def study_years(
    makers: int, seed: int, accepted: int, workers: int | None, json_: Path | None
) -> None:
    """Live a year of many simulated makers.

    Reels, sessions, slips and late records come as they do. Everything goes through
    the daemon's own rows and watch.
    """
    with progressing(makers, "Years") as step:
        years_table.studied(
            makers=makers,
            seed=seed,
            accepted=accepted,
            workers=workers or len(os.sched_getaffinity(0)),
            json_=json_,
            tell=step,
        )


def _accepted_per_units() -> int:
    """Return the demo's accepted rate: one false hold in this many units."""
    with as_file(files("config").joinpath("demo")) as folder:
        return load(folder).plan.watching.accepted_false_holds_per_units


@main.command("benches")
@click.option("--benches", type=click.IntRange(1, 20), default=3, show_default=True)
@click.option(
    "--kills", type=click.IntRange(1, 10_000), default=50, show_default=True,
    help="How often each bench is killed.",
)  # fmt: skip
@click.option(
    "--server-kills", type=click.IntRange(0, 10_000), default=50, show_default=True
)
@click.option("--seed", type=SEED, default=7, show_default=True)
@shown
def study_benches(benches: int, kills: int, server_kills: int, seed: int) -> Shown:
    """Kill benches that share a record, and its server; count what is lost."""
    from tests.studies.benches import study  # noqa: PLC0415 -- needs PostgreSQL

    found = study(
        benches=benches, kills=kills, server_kills=server_kills, seed=seed, pace_s=20.0
    )
    return Shown(asdict(found), pairs(asdict(found).items(), "what", "how many"))


@main.command("soak")
@click.option(
    "--units", type=click.IntRange(20, 10_000_000), default=100_000, show_default=True
)
@click.option("--seed", type=SEED, default=7, show_default=True)
@shown
def study_soak(units: int, seed: int) -> Shown:
    """Give one daemon unit after unit; tell whether it grows or slows down."""
    from tests.studies import soak  # noqa: PLC0415 -- as of benches

    with progressing(1000, "Units") as step:
        found = asdict(
            soak.study(
                units=units,
                seed=seed,
                tell=lambda share, said: step(int(1000 * share), said),
            )
        )
    return Shown(found, pairs(found.items(), "what", "how much"))


if __name__ == "__main__":
    main()
