"""The detector's own limit, worked out now."""

import click

from daemon import limits
from daemon.commands.manners import home_of, opened, out
from daemon.commands.story import progressing
from daemon.demo import Step

STEPS = 1000


@click.command()
@click.pass_context
def calibrate(context: click.Context) -> None:
    """Work out the detector's limit for this product.

    Good builds are simulated until the limit keeps the accepted rate of false holds.
    The daemon does it by itself.
    """
    home = home_of(context)
    with opened(context) as at, progressing(STEPS, "Good builds") as step:
        limits.calibrate_wanted(
            home,
            at.settings,
            progress=lambda share: step(
                Step(done=int(STEPS * share), units=STEPS, words="")
            ),
        )
        said = limits.in_words(home, at.settings)
    out().print(said)
