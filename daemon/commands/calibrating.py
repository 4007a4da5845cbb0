"""The detector's own limit, worked out now."""

import click

from daemon.commands.manners import home_of, opened, out
from daemon.commands.story import progressing
from daemon.trials.stories.demo import Step
from daemon.watch import own_limit

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
        own_limit.calibrate_wanted(
            home.data,
            at.settings,
            progress=lambda share: step(
                Step(done=int(STEPS * share), units=STEPS, words="")
            ),
        )
        said = own_limit.in_words(home.data, at.settings)
    out().print(said)
