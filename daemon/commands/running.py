"""The daemon, the dashboard, and what is going on now."""

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import asdict
from typing import Any

import click

from daemon import limits, rejudging, words
from daemon.client import Client
from daemon.commands.manners import Opened, as_json, as_table, home_of, opened, out, say
from daemon.cycle import Cycle
from daemon.holds import end_offer
from daemon.home import Home
from daemon.processes import (
    StartError,
    answers,
    child,
    dashboard_command,
    running_daemon,
)
from daemon.product import ProductModel
from daemon.proving import sharpened
from daemon.whereabouts.doubted import by_reason, doubted
from storage.answers import BuildState, HoldState, LatestResult, RunInDoubt
from storage.errors import UnreachableError
from storage.records import Cause, Proof, Signal

DASHBOARD_PORT = 8540


@click.command()
@click.option("--no-bench", is_flag=True, help="Serve the store only; open nothing.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Loopback port; left out: any free one.",
)
@click.pass_context
def daemon(context: click.Context, no_bench: bool, port: int) -> None:
    """Own the store, serve it to screens and commands, and measure."""
    from daemon.service import run  # noqa: PLC0415 -- only this command needs it all

    home = home_of(context)
    say(
        f"Holdpoint measures for {home.folder}; stop it with Ctrl-C. The very first "
        "start prepares the statistics: a minute or more."
    )
    run(home, with_bench=not no_bench, port=port, announce=say)
    say("Stopped; the source is off.")


@click.command()
@click.option(
    "--port", type=click.IntRange(1, 65535), default=DASHBOARD_PORT, show_default=True
)
@click.option("--open/--no-open", "browse", default=True, help="Open a browser.")
@click.pass_context
def dashboard(context: click.Context, port: int, browse: bool) -> None:
    """Show the screens; start a daemon without a bench where none runs."""
    home = home_of(context)
    with nullcontext() if answers(home) else running_daemon(home, "--no-bench"):
        log = home.data / "dashboard.log"
        with child(dashboard_command(port=port, browse=browse), home, log=log) as shown:
            say(f"Dashboard at http://127.0.0.1:{port}; stop it with Ctrl-C.")
            if shown.wait() != 0:
                message = f"the dashboard did not start; {log} says why"
                raise StartError(message)


@click.command()
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def status(context: click.Context, json_: bool) -> None:
    """Say what to do now: what is held, why, and what the bench is doing."""
    home = home_of(context)
    bench = _doing(home)
    with opened(context) as at:
        builds = at.store.rows(BuildState, product=at.product)
        in_doubt = at.store.rows(RunInDoubt, product=at.product)
        latest = at.store.rows(LatestResult, product=at.product)
        doubts = doubted(latest, in_doubt)
        holds = at.store.rows(HoldState, product=at.product)
        raised = at.store.rows(Signal, "signals", product=at.product)
        found = sharpened(
            raised,
            at.store.rows(Proof, "proofs", product=at.product),
            ProductModel.of(at.settings.product),
        )
        standing = [one for one in holds if one.disposal is None]
        saying = words.standing(
            signals=found,
            builds=builds,
            holds=standing,
            units=sum(one.units for one in builds),
        )
        warned = words.warnings(
            at.store.rows(Signal, product=at.product, cause=Cause.CHART),
            [one.build for one in builds],
        )
        judged_again = rejudging.sentences(
            at.store,
            at.product,
            {key: one.title for key, one in at.settings.product.ranges.items()},
        )
        watched_by = _offline(at) if bench is None else bench
    if json_:
        as_json(
            {
                "headline": saying.headline,
                "lines": saying.lines,
                "also": saying.apart,
                "builds": [asdict(one) for one in builds],
                "in_doubt": [asdict(one) for one in in_doubt],
                "findings": [
                    {
                        "finding": one.signal,
                        "build": one.build,
                        "cause": one.cause,
                        "says": words.finding(one).headline,
                        "standing": one.standing,
                    }
                    for one in found
                ],
                "offered_ends": _offered(standing, raised),
                "warnings": warned,
                "judged_again": judged_again,
                "limit": watched_by["limit"],
                "history": watched_by["history"],
                "daemon": bench,
            }
        )
        return
    out().print(saying.headline, style="bold")
    for line in (*saying.lines, *(f"Also to do: {one}" for one in saying.apart)):
        out().print(line)
    if builds:
        out().print()
        as_table(
            [asdict(one) for one in builds],
            {"build": "build", "units": "units", "state": "state"},
        )
    out().print()
    doing = "not running" if bench is None else bench["trouble"] or bench["phase"]
    out().print(f"Daemon: {doing}.")
    out().print(*words.watching(watched_by, said=saying.lines), sep="\n")
    if doubts:
        out().print(
            f"In doubt: {words.counted(len(doubts), 'unit')}, because "
            f"{list(by_reason(doubts, doubts))[-1]}; `holdpoint doubt list` says which."
        )
    for said in warned:
        out().print(said)
    for said in judged_again:
        out().print(said)
    if bench is not None and bench["session"] and bench["check_due"]:
        out().print(f"No unit is judged before a check: {bench['check_due']}.")
    for remark in () if bench is None else bench["remarks"]:
        out().print(remark)
    if bench is not None and bench["reopened"]:
        out().print(
            "Times that the bench was lost and opened anew, and a unit measured again: "
            f"{bench['reopened']}; last: {bench['lost']}."
        )
    if bench is not None and bench["stalled"]:
        out().print(f"Stalled: {bench['stalled']}.", style="bold")
    if bench is not None and bench["alarm"]:
        out().print(f"Alarm: {bench['alarm']}", style="bold")


def _offered(
    standing: Sequence[HoldState], raised: Sequence[Signal]
) -> list[dict[str, Any]]:
    """Return the ends that are offered of holds whose finding asks for them no more."""
    found = {one.signal: one for one in raised}
    return [
        {"hold": one.hold} | asdict(offer)
        for one in standing
        if (offer := end_offer(one, found.get(one.signal or ""))) is not None
    ]


def _doing(home: Home) -> dict[str, Any] | None:
    """Return what a running daemon does; None where none answers."""
    try:
        with Client.of(home.data) as client:
            return client.state()
    except UnreachableError:
        return None


def _offline(at: Opened) -> dict[str, Any]:
    """Return what a daemon would say of its watching, worked out from the rows."""
    cycle = Cycle(at.settings, at.store, own_limit=at.own_limit())
    return {
        "limit": limits.in_words(at.home, at.settings),
        "calibrating_percent": None,
        "history": cycle.history(),
    }
