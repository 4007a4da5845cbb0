"""Speak to the bench: find and try its instruments, turn the source off."""

import click

from daemon.commands.checking import bench_check, bench_compare, bench_end
from daemon.commands.manners import home_of, say
from daemon.commands.meeting import bench_find, bench_try
from daemon.commands.selftesting import pace, selftest
from daemon.service.client import Client


class SourceNotOffError(Exception):
    """The source could not be shown to be off."""


@click.group()
def bench() -> None:
    """Speak to the bench."""


bench.add_command(bench_find)
bench.add_command(bench_try)
bench.add_command(bench_check)
bench.add_command(bench_end)
bench.add_command(bench_compare)


@bench.command("off")
@click.pass_context
def bench_off(context: click.Context) -> None:
    """Turn the source off now, and keep it off.

    A help, no safety function: software-off is no isolation. Disconnect before you
    touch anything.
    """
    # Loaded late to keep the usual way short.
    from daemon.bench.guard import TAKE_AS_LIVE  # noqa: PLC0415
    from daemon.service.safe_off import source_off  # noqa: PLC0415

    reason = source_off(home_of(context))
    if reason is not None:
        message = f"the source could not be shown to be off ({reason}): {TAKE_AS_LIVE}"
        raise SourceNotOffError(message)
    say("The source is off; `holdpoint bench on` lets a daemon measure again.")


@bench.command("on")
@click.pass_context
def bench_on(context: click.Context) -> None:
    """Allow measuring again; the next unit waits for the check standard."""
    with Client.of(home_of(context).data) as client:
        client.resume()
    say("Measuring is allowed again.")


bench.add_command(pace)
bench.add_command(selftest)
