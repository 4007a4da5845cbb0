"""The detector's own limit, worked out now."""

import click

from daemon import limits
from daemon.commands.opened import opened
from daemon.commands.showing import progressing, show

STEPS = 1000


@click.command()
def calibrate() -> None:
    """Work out the detector's limit.

    Good builds of this product are simulated until the limit keeps the accepted rate
    of false holds. The daemon does it by itself.
    """
    with opened() as at, progressing(STEPS, "Good builds") as step:
        limits.calibrate_wanted(
            at.home, at.settings, progress=lambda share: step(int(STEPS * share), "")
        )
        said = limits.in_words(at.home, at.settings)
    show(said)
