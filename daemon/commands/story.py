"""The demo, and the study of many demos."""

import os
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict
from importlib.resources import as_file, files
from pathlib import Path
from threading import Event
from typing import Any

import click
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from config.load import load
from daemon import words
from daemon.commands.manners import as_json, as_table, err, out, say, to_json
from daemon.demo import Step, lay_out, report, running
from daemon.home import Home
from daemon.processes import child, dashboard_command
from storage.records import Signal

UNITS = 30
FIRST = "Starting. The very first start prepares the statistics: a minute or more."


@click.command()
@click.option("--headless", is_flag=True, help="No dashboard; end with the story.")
@click.option(
    "--json",
    "json_",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write what was found, and what was true, to this file.",
)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True)
@click.option(
    "--units",
    type=click.IntRange(min=4, max=200),
    default=UNITS,
    show_default=True,
    help="Units in each of the three builds.",
)
@click.option(
    "--data",
    type=click.Path(file_okay=False, path_type=Path),
    help="Keep settings and rows in this folder.",
)
@click.option("--port", type=click.IntRange(1, 65535), default=8540, show_default=True)
@click.option(
    "--story",
    "which",
    type=click.Choice(["reel", "recall"]),
    default="reel",
    show_default=True,
    help="What happens. In a recall 22 of 60 units have left when the reel is found.",
)
def demo(
    *,
    headless: bool,
    json_: Path | None,
    seed: int,
    units: int,
    data: Path | None,
    port: int,
    which: str,
) -> None:
    """Watch a simulated bench measure three builds; the last takes a bad reel.

    Instruments are simulated in a process of their own and spoken to over sockets
    like real ones. Nothing is powered and nothing leaves this machine.
    """
    with ExitStack() as way_out:
        folder = data or Path(
            way_out.enter_context(tempfile.TemporaryDirectory(prefix="holdpoint-"))
        )
        home = lay_out(folder)
        if which == "recall":
            tell_recall(home, seed=seed, json_=json_, port=None if headless else port)
            return
        say(FIRST)
        operator, store = way_out.enter_context(running(home, seed=seed, units=units))
        if not headless:
            way_out.enter_context(showing(home, port))
        started_s = time.monotonic()
        with progressing(3 * units, "Measuring") as step:
            operator.tell(step)
        seconds = time.monotonic() - started_s
        result = report(operator, store, seed=seed, seconds=seconds)
        if json_ is not None:
            json_.write_text(to_json(result) + "\n", encoding="utf-8")
        _tell(result)
        product = str(store.frame("product")["product"].iloc[0])
        stand = [
            one
            for one in store.rows(Signal, "signals", product=product)
            if one.standing
        ]
        for signal in stand[-1:]:
            saying = words.finding(signal)
            out().print("\n" + saying.headline, style="bold")
            for line in saying.lines:
                out().print(line)
        if not headless:
            say(f"\nThe dashboard stays at http://127.0.0.1:{port}; Ctrl-C ends it.")
            Event().wait()


def tell_recall(home: Home, *, seed: int, json_: Path | None, port: int | None) -> None:
    """Tell the story of a recall and print its table."""
    from daemon import recall  # noqa: PLC0415 -- loads the simulator and the documents

    settings = load(home.folder)
    say(FIRST)
    with ExitStack() as way_out:
        operator, store = way_out.enter_context(
            running(home, seed=seed, units=recall.UNITS)
        )
        if port is not None:
            way_out.enter_context(showing(home, port))
        with progressing(3 * recall.UNITS, "Measuring") as step:
            told = recall.tell(
                operator, store, settings, home.folder / "recall", seed=seed, step=step
            )
        rows = recall.rows_of(told)
        if json_ is not None:
            json_.write_text(to_json(rows) + "\n", encoding="utf-8")
        out().print(told.containment.headline(), style="bold")
        for line in told.containment.lines():
            out().print(line)
        out().print(f"A unit in hand, at packing: stays: {'; '.join(told.stayed)}\n")
        as_table(rows, {"what": "", "is": ""})
        say(f"Lists, report and cards are in {home.folder / 'recall'}")
        if port is not None:
            say(f"\nThe dashboard stays at http://127.0.0.1:{port}; Ctrl-C ends it.")
            Event().wait()


@click.group()
def study() -> None:
    """Run many simulated stories and count."""


@study.command("detection")
@click.option(
    "--replicates", type=click.IntRange(12, 100_000), default=120, show_default=True,
    help="Builds of each kind.",
)  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), default=7, show_default=True)
@click.option("--workers", type=click.IntRange(1, 256), help="Left out: all cores.")
@click.option(
    "--into", type=click.Path(file_okay=False, path_type=Path),
    default=Path("detection-study"), show_default=True,
    help="Folder for tables and picture.",
)  # fmt: skip
def study_detection(
    replicates: int, seed: int, workers: int | None, into: Path
) -> None:
    """Measure the detector on simulated worlds, beside its goals and its limits."""
    from daemon.commands import detecting  # noqa: PLC0415 -- loads the plotting

    with progressing(1000, "Builds") as step:
        detecting.study_detection(
            replicates,
            seed,
            workers,
            into,
            lambda share, case: step(
                Step(done=int(1000 * share), units=1000, words=case)
            ),
        )


@study.command("demo")
@click.option("--seeds", type=click.IntRange(1, 10_000), default=200, show_default=True)
@click.option("--json", "json_", is_flag=True, help="For a program.")
def study_demo(seeds: int, json_: bool) -> None:
    """Tell the demo's story for many seeds, without sockets or waiting."""
    from daemon.studies.demo import summary, tell_many  # noqa: PLC0415 -- loads the simulator

    with progressing(seeds, "Stories") as step:
        results = []
        for one in tell_many(range(1, seeds + 1)):
            results.append(one)
            step(Step(done=len(results), units=seeds, words=f"seed {one.seed}"))
    accepted = accepted_per_units()
    total = summary(results, accepted_per_units=accepted)
    if json_:
        as_json({**asdict(total), "accepted_per_units": accepted})
        return
    low, high = total.rate_interval
    as_table(
        [
            {"what": "stories", "is": total.stories},
            {"what": "bad reel held within 3 units", "is": total.held_within},
            {"what": "cause and range named right", "is": total.right_cause},
            {"what": "true size inside the 95 % interval", "is": total.size_covered},
            {"what": "good units", "is": total.good_units},
            {"what": "false holds", "is": total.false_holds},
            {
                "what": f"most at the accepted one in {accepted} (95 %)",
                "is": total.most_false,
            },
            {
                "what": "false holds per unit (95 %)",
                "is": f"{low:.1e} to {high:.1e}",
            },
        ],
        {"what": "what", "is": "count"},
    )


@study.command("years")
@click.option(
    "--makers", type=click.IntRange(1, 100_000), default=20, show_default=True
)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True)
@click.option(
    "--accepted", type=click.IntRange(min=2), default=5000, show_default=True,
    help="One false hold in this many units.",
)  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 256), help="Left out: all cores.")
@click.option(
    "--json", "json_", type=click.Path(dir_okay=False, path_type=Path),
    help="Write every build, and what it came to, to this file.",
)  # fmt: skip
def study_years(
    makers: int, seed: int, accepted: int, workers: int | None, json_: Path | None
) -> None:
    """Live a year of many simulated makers: reels, sessions, slips, late records.

    Everything goes through the daemon's own rows and watch.
    """
    from daemon.commands import yearly  # noqa: PLC0415 -- loads the detector

    with progressing(makers, "Years") as step:
        yearly.study_years(
            makers=makers,
            seed=seed,
            accepted=accepted,
            workers=workers or len(os.sched_getaffinity(0)),
            json_=json_,
            tell=lambda done, what: step(Step(done=done, units=makers, words=what)),
        )


@contextmanager
def showing(home: Home, port: int) -> Iterator[None]:
    """Serve the dashboard while the context lasts."""
    command = dashboard_command(port=port, browse=False)
    with child(command, home, log=home.data / "dashboard.log"):
        say(f"Dashboard at http://127.0.0.1:{port}")
        yield


@contextmanager
def progressing(total: int, title: str) -> Iterator[Callable[[Step], None]]:
    """Show a progress bar on stderr where that is a terminal."""
    console = err()
    with Progress(
        TextColumn(title),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.description}"),
        console=console,
        disable=not console.is_terminal,
    ) as bar:
        task = bar.add_task("", total=total)
        yield lambda step: bar.update(task, completed=step.done, description=step.words)


def accepted_per_units() -> int:
    """Return the demo's accepted rate: one false hold in this many units."""
    with as_file(files("config").joinpath("demo")) as folder:
        return load(folder).plan.watching.accepted_false_holds_per_units


def _tell(result: dict[str, Any]) -> None:
    truth = result["truth"] or {}
    found: dict[str, Any] = next(
        (f for f in result["findings"] if f["build"] == truth.get("build")), {}
    )
    shown: dict[str, Callable[[Any], str]] = {
        "build": str,
        "cause": str,
        "range": str,
        "part": str,
        "reel": str,
        "first_serial": str,
        "size_ppm": "{:+.0f}".format,
        "implied_ohm": "{:.2f}".format,
    }
    rows = [
        {
            "what": key,
            "found": write(found[key]) if found.get(key) is not None else None,
            "true": write(truth[key]) if truth.get(key) is not None else None,
        }
        for key, write in shown.items()
    ]
    as_table(rows, {"what": "", "found": "found", "true": "true"})
    delay = result["delay_units"]
    late = "missed" if delay is None else f"held at bad unit {delay}"
    out().print(f"\n{late}; false holds {result['false_holds']}")
    if result["bench_reopened"]:
        out().print(
            "Times that the bench was lost and opened anew, and a unit measured again: "
            f"{result['bench_reopened']}"
        )
