"""Turn the bench's source off, and allow measuring again."""

from contextlib import suppress

import click

from config import HoldpointError
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
    from daemon.service import can_say_off, source_off  # noqa: PLC0415

    home = home_here()
    # Read before the daemon lets go of them; settings only once the source is off.
    can_say = can_say_off(home) if home.orders.exists() else None
    reason = source_off(home)
    if reason is not None:
        message = f"the source could not be shown to be off ({reason}): {TAKE_AS_LIVE}"
        raise SourceNotOffError(message)
    if can_say is None:
        with suppress(HoldpointError):  # the daemon's source, whatever is written now
            can_say = can_say_off(home)
    said = (
        "The source is off"
        if can_say is not False
        else "The source was told to go off, and cannot say whether it is: look at the "
        "instrument"
    )
    say(f"{said}; `holdpoint bench on` lets a daemon measure again.")


@click.command("on")
def bench_on() -> None:
    """Allow measuring again.

    The next unit waits for the check standard.
    """
    with Client.of(home_here().data) as client:
        client.resume()
    say("Measuring is allowed again.")
