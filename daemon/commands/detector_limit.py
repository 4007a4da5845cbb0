"""The detector's own limit, worked out now."""

import click

from daemon.commands.opened import opened
from daemon.commands.showing import progressing, show
from daemon.watch import own_limit

STEPS = 1000


@click.command()
def calibrate() -> None:
    """Work out the product's own threshold.

    Good builds of this product are simulated until the limit keeps the accepted rate
    of false holds. The daemon does it by itself.
    """
    with opened() as at, progressing(STEPS, "Good builds") as step:
        own_limit.calibrate_wanted(
            at.home.data,
            at.settings,
            progress=lambda share: step(int(STEPS * share), ""),
        )
        said = own_limit.in_words(at.home.data, at.settings)
    show(said)
