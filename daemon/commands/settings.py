"""Write and check the settings; complete the command in a shell."""

from collections.abc import Iterator

import click
from click.shell_completion import get_completion_class

from config import check, init as ask_and_write, load, private_folder
from daemon.commands.opened import home_here
from daemon.commands.showing import interactive, misuse, say, show
from daemon.judging import ProductModel, meters_needed, too_poor_for

SHELLS = ("bash", "zsh", "fish")


@click.command()
@click.option("--edit", is_flag=True, help="Answer again, from the answers of before.")
def init(*, edit: bool) -> None:
    """Write the settings by answering questions.

    Some 20 questions. Type ? for help and back to answer the one before again. After
    Ctrl-C it goes on where it stopped.
    """
    if not interactive():
        misuse(
            "init asks questions and needs a terminal; or copy the commented files "
            "of config/templates"
        )
    home = home_here()
    private_folder(home.folder)
    ask_and_write(
        home.folder,
        lambda question: click.prompt(
            question, default="", show_default=False, prompt_suffix=" ", err=True
        ),
        say,
        edit=edit,
        foresee=too_poor_for,
        needs=meters_needed,
    )


@click.command("check")
def config_check() -> None:
    """Say what the settings mean.

    Where they have faults, every fault is said at once.
    """
    home = home_here()
    show(*check(home.folder))
    settings = load(home.folder)
    show(*_what_moves(ProductModel.of(settings.product)))
    show(*(too_poor_for(settings) or ("This bench can judge every limit.",)))


def _what_moves(product: ProductModel) -> Iterator[str]:
    yield "What moves a reading (1 means one percent of the part is one percent):"
    for one in product.ranges:
        parts = ", ".join(
            f"{part} {effect:+.3f}" for part, effect in one.sensitivities.items()
        )
        own = (
            "no part of its own" if one.part is None else f"its own part is {one.part}"
        )
        if one.alike:
            own = f"readings cannot tell {' and '.join(one.alike)} apart"
        yield f"  range {one.title}: {parts}; {own}"


@click.command()
@click.argument("shell", type=click.Choice(SHELLS))
@click.pass_context
def completion(context: click.Context, shell: str) -> None:
    """Let a shell complete our commands.

    Prints the lines that make it do so; for bash:
    holdpoint completion bash >> ~/.bashrc
    """
    found = get_completion_class(shell)
    if found is None:
        misuse(f"nothing is known about completion in {shell}")
    root = context.find_root().command
    click.echo(found(root, {}, "holdpoint", "_HOLDPOINT_COMPLETE").source())
