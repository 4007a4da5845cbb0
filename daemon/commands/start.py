"""Start the daemon and the dashboard."""

from contextlib import nullcontext

import click

from daemon.commands.opened import home_here
from daemon.commands.options import PORT
from daemon.commands.showing import say
from daemon.service import (
    StartError,
    answers,
    child,
    dashboard_command,
    running_daemon,
)

DASHBOARD_PORT = 8540


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
def daemon(*, no_bench: bool, port: int) -> None:
    """Keep the records and measure until stopped.

    Owns the records, and answers screens and commands.
    """
    from daemon.service import run  # noqa: PLC0415 -- only this command needs it all

    home = home_here()
    say(
        f"Holdpoint measures for {home.folder}; stop it with Ctrl-C. The very first "
        "start prepares the statistics: a minute or more."
    )
    run(home, with_bench=not no_bench, port=port, announce=say)
    say("Stopped; the source is off.")


@click.command()
@click.option("--port", type=PORT, default=DASHBOARD_PORT, show_default=True)
@click.option("--open/--no-open", "browse", default=True, help="Open a browser.")
def dashboard(*, port: int, browse: bool) -> None:
    """Show the screens in a browser.

    Where no daemon runs, one is started without a bench.
    """
    home = home_here()
    with nullcontext() if answers(home) else running_daemon(home, "--no-bench"):
        log = home.data / "dashboard.log"
        with child(
            dashboard_command(port=port, browse=browse), home, log=log
        ) as screens:
            say(f"Dashboard at http://127.0.0.1:{port}; stop it with Ctrl-C.")
            if screens.wait() != 0:
                message = f"the dashboard did not start; {log} says why"
                raise StartError(message)
