"""Write and check the settings; complete the command in a shell."""

import click
from click.shell_completion import get_completion_class

from config.check import check
from config.load import load
from config.wizard import init as ask_and_write
from daemon.commands.manners import home_of, interactive, out, say
from daemon.judging.product import ProductModel

SHELLS = ("bash", "zsh", "fish")


@click.command()
@click.pass_context
def init(context: click.Context) -> None:
    """Write the settings by answering questions in plain words."""
    if not interactive():
        message = (
            "init asks questions and needs a terminal; or copy the commented files "
            "of config/templates"
        )
        raise click.UsageError(message, context)
    home = home_of(context)
    home.folder.mkdir(parents=True, exist_ok=True)
    ask_and_write(
        home.folder,
        lambda question: click.prompt(
            question, default="", show_default=False, prompt_suffix=" ", err=True
        ),
        say,
    )


@click.group()
def config() -> None:
    """Look at the settings."""


@config.command("check")
@click.pass_context
def config_check(context: click.Context) -> None:
    """Read all settings and say what was understood, or every fault at once."""
    home = home_of(context)
    for line in check(home.folder):
        out().print(line)
    product = ProductModel.of(load(home.folder).product)
    out().print(
        "What moves a reading (1 means one percent of the part is one percent):"
    )
    for one in product.ranges:
        parts = ", ".join(
            f"{part} {effect:+.3f}" for part, effect in one.sensitivities.items()
        )
        own = (
            "no part of its own" if one.part is None else f"its own part is {one.part}"
        )
        out().print(f"  range {one.key}: {parts}; {own}")


@click.command()
@click.argument("shell", type=click.Choice(SHELLS))
@click.pass_context
def completion(context: click.Context, shell: str) -> None:
    """Print the lines that make this shell complete our commands.

    For bash: holdpoint completion bash >> ~/.bashrc
    """
    found = get_completion_class(shell)
    root = context.find_root()
    if found is None:
        message = f"nothing is known about completion in {shell}"
        raise click.UsageError(message, context)
    click.echo(found(root.command, {}, "holdpoint", "_HOLDPOINT_COMPLETE").source())
