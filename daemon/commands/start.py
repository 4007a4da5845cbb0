"""Start the daemon and the dashboard."""

import re
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext

import click

from config import load
from daemon.commands.opened import home_here
from daemon.commands.options import PORT
from daemon.commands.showing import misuse, say
from daemon.service import (
    Home,
    StartError,
    child,
    dashboard_command,
    shared_daemon,
    simulated_bench,
)

DASHBOARD_PORT = 8540
SEED, FEWEST = 1, 4
"""Of a bench that is played: which units it draws; units of a story, of which it has
none."""


@click.command()
@click.option(
    "--no-bench", is_flag=True, help="Keep the records only; no instrument is opened."
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Port on this machine; left out, any free one.",
)
@click.option(
    "--simulated",
    is_flag=True,
    help="Play the bench of bench.toml and units of your product on this machine.",
)
@click.option("--used-by", type=int, hidden=True)
def daemon(*, no_bench: bool, port: int, simulated: bool, used_by: int | None) -> None:
    """Keep the records and measure until stopped.

    Owns the store, and serves it to screens and commands.
    """
    from daemon.service import run  # noqa: PLC0415 -- only this command needs it all

    home = home_here()
    say(
        f"Holdpoint measures for {home.folder}; stop it with Ctrl-C. The very first "
        "start prepares the statistics: a minute or more."
    )
    if simulated and no_bench:
        misuse("--simulated plays a bench; --no-bench opens none.")
    with _played(home) if simulated else nullcontext():
        run(home, with_bench=not no_bench, port=port, used_by=used_by, announce=say)
    say("Stopped; the source is off.")


@contextmanager
def _played(home: Home) -> Iterator[None]:
    """Play the bench of a home's settings at the addresses that they name.

    Raises
    ------
    StartError
        There is no bench, it is not on this machine, or it cannot be played.
    """
    bench = load(home.folder).bench
    if bench is None:
        message = (
            "bench.toml describes no bench to play; `holdpoint init` writes a "
            "simulated one"
        )
        raise StartError(message)
    options = ["--story", "none"]
    for role, one in bench.instruments.items():
        played = re.fullmatch(r"TCPIP\d*::127\.0\.0\.1::(\d+)::SOCKET", one.address)
        if played is None:
            message = (
                f"{role} is at {one.address}: only a bench on this machine can be "
                "played, such as TCPIP::127.0.0.1::5125::SOCKET"
            )
            raise StartError(message)
        options += ["--port", f"{role}={played[1]}"]
    with simulated_bench(home, seed=SEED, units=FEWEST, options=options):
        say("The bench is simulated: nothing is powered, and no unit is real.")
        yield


@click.command()
@click.option("--port", type=PORT, default=DASHBOARD_PORT, show_default=True)
@click.option("--open/--no-open", "browse", default=True, help="Open a browser.")
def dashboard(*, port: int, browse: bool) -> None:
    """Show the screens in a browser.

    Where no daemon runs, one is started without a bench.
    """
    home = home_here()
    with shared_daemon(home) as records:
        records.wait()
        log = home.data / "dashboard.log"
        with child(
            dashboard_command(port=port, browse=browse), home, log=log
        ) as screens:
            say(f"Dashboard at http://127.0.0.1:{port}; stop it with Ctrl-C.")
            if screens.wait() != 0:
                message = f"the dashboard did not start; {log} says why"
                raise StartError(message)
