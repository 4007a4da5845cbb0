"""Turn the bench's source off, and allow measuring again."""

import click

from daemon.commands.opened import home_here
from daemon.commands.showing import say
from daemon.service import Client


class SourceNotOffError(Exception):
    """The source could not be shown to be off."""


@click.command("off")
def bench_off() -> None:
    """Turn the source off now.

    It stays off. A help, no safety function: software-off is no isolation. Disconnect
    before you touch anything.
    """
    # Loaded late to keep the usual way short.
    from daemon.bench import TAKE_AS_LIVE  # noqa: PLC0415
    from daemon.service import source_off  # noqa: PLC0415

    reason = source_off(home_here())
    if reason is not None:
        message = f"the source could not be shown to be off ({reason}): {TAKE_AS_LIVE}"
        raise SourceNotOffError(message)
    say("The source is off; `holdpoint bench on` lets a daemon measure again.")


@click.command("on")
def bench_on() -> None:
    """Allow measuring again.

    The next unit waits for the check standard.
    """
    with Client.of(home_here().data) as client:
        client.resume()
    say("Measuring is allowed again.")
