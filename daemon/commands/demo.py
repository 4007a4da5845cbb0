"""The demo: a simulated bench, and what it found beside what was true."""

import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from threading import Event
from typing import Any

import click

from config import load, write_whole
from daemon.commands.options import FOLDER, NEW_FILE, PORT
from daemon.commands.showing import (
    Headline,
    Part,
    Table,
    pairs,
    progressing,
    say,
    show,
    to_json,
)
from daemon.commands.start import DASHBOARD_PORT
from daemon.presentation import screens, sentences
from daemon.service import CODE, Home, child, dashboard_command, new_code
from daemon.trials.stories import lay_out, report, running
from storage import Signal

UNITS = 30
FIRST = "Starting. The very first start prepares the statistics: a minute or more."


@click.command()
@click.option("--headless", is_flag=True, help="No dashboard; end with the story.")
@click.option(
    "--json", "json_", type=NEW_FILE,
    help="Write what was found, and what was true, to this file.",
)  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True)
@click.option(
    "--units", type=click.IntRange(min=4, max=200), default=UNITS, show_default=True,
    help="Units in each of the three builds.",
)  # fmt: skip
@click.option("--data", type=FOLDER, help="Keep settings and rows in this folder.")
@click.option("--port", type=PORT, default=DASHBOARD_PORT, show_default=True)
@click.option(
    "--story", "which", type=click.Choice(["reel", "recall"]), default="reel",
    show_default=True,
    help="What happens. In a recall 22 of 60 units have left when the reel is found.",
)  # fmt: skip
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
    """Watch a simulated bench find a bad reel.

    It measures three builds; the last takes the bad reel. Instruments are simulated in
    a process of their own and spoken to over sockets like real ones. Nothing is powered
    and nothing leaves this machine.
    """
    screens = None if headless else port
    with ExitStack() as way_out:
        folder = data or Path(
            way_out.enter_context(tempfile.TemporaryDirectory(prefix="holdpoint-"))
        )
        home = lay_out(folder)
        say(FIRST)
        if which == "recall":
            _tell_recall(home, seed=seed, json_=json_, port=screens)
        else:
            _tell_reel(home, seed=seed, units=units, json_=json_, port=screens)


def _tell_reel(
    home: Home, *, seed: int, units: int, json_: Path | None, port: int | None
) -> None:
    """Tell the story of a bad reel and print what was found beside what was true."""
    with (
        running(home, seed=seed, units=units) as (operator, store),
        _screens(home, port),
    ):
        started_s = time.monotonic()
        with progressing(3 * units, "Measuring") as step:
            operator.tell(lambda one: step(one.done, one.words))
        seconds = time.monotonic() - started_s
        result = report(operator, store, seed=seed, seconds=seconds)
        _write(json_, result)
        show(*_found_beside_true(result))
        product = str(store.frame("product")["product"].iloc[0])
        stand = [
            one
            for one in store.rows(Signal, "signals", product=product)
            if one.standing
        ]
        for signal in stand[-1:]:
            saying = sentences.finding(signal)
            show(Headline(f"\n{saying.headline}"), *saying.lines)


def _tell_recall(
    home: Home, *, seed: int, json_: Path | None, port: int | None
) -> None:
    """Tell the story of a recall and print its table."""
    from daemon.trials.stories import recall  # noqa: PLC0415 -- loads the simulator and the documents

    folder = home.folder / "recall"
    with (
        running(home, seed=seed, units=recall.UNITS) as (operator, store),
        _screens(home, port),
    ):
        with progressing(3 * recall.UNITS, "Measuring") as step:
            told = recall.tell(
                operator,
                store,
                load(home.folder),
                folder,
                seed=seed,
                step=lambda one: step(one.done, one.words),
            )
        rows = recall.rows_of(told)
        _write(json_, rows)
        show(
            Headline(told.containment.headline()),
            *told.containment.lines(),
            f"A unit in hand, at packing: must not leave: {'; '.join(told.stayed)}\n",
            pairs(((one["what"], one["is"]) for one in rows), "what", "is"),
        )
        say(f"Lists, report and cards are in {folder}")


@contextmanager
def _screens(home: Home, port: int | None) -> Iterator[None]:
    """Serve the dashboard, where there is a port for it, until a person ends it."""
    if port is None:
        yield
        return
    command, code = dashboard_command(port=port, browse=False), new_code()
    url = f"http://127.0.0.1:{port}/?code={code}"
    with child(command, home, log=home.data / "dashboard.log", more={CODE: code}):
        say(f"Dashboard at {url}")
        yield
        say(f"\nThe dashboard stays at {url}; Ctrl-C ends it.")
        Event().wait()


def _write(path: Path | None, result: object) -> None:
    if path is not None:
        write_whole(path, to_json(result) + "\n", for_all=True)


def _found_beside_true(result: dict[str, Any]) -> Iterator[Part]:
    truth = result["truth"] or {}
    found: dict[str, Any] = next(
        (f for f in result["findings"] if f["build"] == truth.get("build")), {}
    )
    compared: dict[str, Callable[[Any], str]] = {
        "build": str,
        "cause": str,
        "range": str,
        "part": str,
        "reel": str,
        "first_serial": str,
        "size_ppm": "{:+.0f}".format,
        "implied_ohm": "{:.2f}".format,
    }
    yield Table(
        [
            {
                "what": key,
                "found": write(found[key]) if found.get(key) is not None else None,
                "true": write(truth[key]) if truth.get(key) is not None else None,
            }
            for key, write in compared.items()
        ],
        {"": "what", "found": "found", "true": "true"},
    )
    delay = result["delay_units"]
    late = "missed" if delay is None else f"held at bad unit {delay}"
    yield f"\n{late}; false holds {result['false_holds']}"
    if result["bench_reopened"]:
        yield screens.reopened(result["bench_reopened"])
