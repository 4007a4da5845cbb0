"""The `holdpoint` command.

Commands are loaded when they are called: help, a shell's completion, and the bench's
source that is to go off never wait for the database and the statistics.
"""

import gc
import importlib
import os
import signal
import sys
from collections.abc import Callable, Mapping
from keyword import iskeyword
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from config import keep_to_owner
from daemon.commands import FAILURE, SHARED
from daemon.commands.every_command import SECTIONS, Entries, Several
from daemon.service import VARIABLE, Home

MISUSE = 2
LEFT_LYING = 50_000
"""Objects that are made before the newest are looked through for garbage."""
SIGNALLED = 128
INTERRUPTED = SIGNALLED + signal.SIGINT
Say = Callable[[Any], None]

OURS = {"config", "daemon", "storage"}
"""Rooms whose faults say in their own sentence what is the matter."""


class ListedGroup(click.Group):
    """Commands of a table, each loaded when it is called or asked about.

    Parameters
    ----------
    sections
        Heading in the help to the commands below it.
    within
        Name of the group whose commands these are; None for the first word.
    """

    def __init__(
        self,
        name: str | None,
        *,
        sections: Mapping[str, Entries],
        within: str | None = None,
        **settings: Any,
    ) -> None:
        super().__init__(name, **settings)
        self.within = within
        self.sections = sections
        self.entries = {
            key: one for entries in sections.values() for key, one in entries.items()
        }

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 -- click's
        """Return all names in the order of a maker's day."""
        return list(self.entries)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load one command; for a shell's completion, what stands in for it."""
        entry = self.entries.get(cmd_name)
        if entry is None:
            return None
        if isinstance(entry, Several):
            return ListedGroup(
                cmd_name,
                help=entry.says,
                sections={"Commands": entry.commands},
                within=cmd_name,
            )
        if ctx.resilient_parsing:  # it is completed, not called
            from daemon.commands.completing import stand_in  # noqa: PLC0415

            return stand_in(f"{self.within or ''} {cmd_name}".strip())
        module = importlib.import_module(f"daemon.commands.{entry.module}")
        name = cmd_name if self.within is None else f"{self.within}_{cmd_name}"
        command: click.Command = getattr(
            module, f"{name}_" if iskeyword(name) else name
        )
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or say which one was perhaps meant."""
        try:
            return super().resolve_command(ctx, args)
        except click.NoSuchCommand as exc:
            raise click.NoSuchCommand(
                exc.command_name, possibilities=self.entries, ctx=ctx
            ) from None

    def format_commands(
        self,
        ctx: click.Context,  # noqa: ARG002 -- click's
        formatter: click.HelpFormatter,
    ) -> None:
        """Write the help of all commands, section by section."""
        for heading, entries in self.sections.items():
            with formatter.section(heading):
                formatter.write_dl([(key, one.says) for key, one in entries.items()])

    def shell_complete(
        self, ctx: click.Context, incomplete: str
    ) -> list[CompletionItem]:
        """Return the names and options that begin like this."""
        named = [
            CompletionItem(key, help=one.says)
            for key, one in self.entries.items()
            if key.startswith(incomplete)
        ]
        return named + click.Command.shell_complete(self, ctx, incomplete)


@click.command(
    cls=ListedGroup,
    sections=SECTIONS,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(package_name="holdpoint", prog_name="holdpoint")
@click.option(
    "--home",
    type=click.Path(file_okay=False, path_type=Path),
    help=f"Folder of the settings and the data. Else {VARIABLE}, else this folder "
    "when it holds product.toml, else your own.",
)
@click.option(
    "--shared",
    is_flag=True,
    help="Ask the record that several benches share, named in sharing.toml, not this "
    "bench's own.",
)
@click.pass_context
def holdpoint(context: click.Context, home: Path | None, *, shared: bool) -> None:
    """Tell whether this build is still the product that was designed.

    Measures every unit, notices the first unit at which something moved, and holds
    what is suspect until a named person releases it.
    """
    # Which one is usual is found out by whoever needs one: help does not.
    context.obj = None if home is None else Home(home)
    context.meta[SHARED] = shared


def main() -> None:
    """Run the command; end with its exit code, with one sentence where it failed."""
    # What loads is kept to the end: to look through it for garbage again and again
    # takes a sixth of a command's time. What is left lying later is found all the same.
    gc.set_threshold(LEFT_LYING)
    # No plugin of the settings' library is used; to look for any reads what is
    # known of every package that is installed.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # Whatever was begun is ended in order: children stopped, the source off.
    signal.signal(signal.SIGTERM, _end)
    keep_to_owner()
    try:
        code = holdpoint.main(standalone_mode=False)
    except (Exception, KeyboardInterrupt) as exc:
        code = exit_code(exc)
        if code is None:
            raise
    sys.exit(code)


def exit_code(fault: BaseException) -> int | None:
    """Say on stderr what ended the command; return its exit code.

    None for what is no fault of ours to explain: a mistake in the program, which the
    caller raises again so that it is seen where it arose.
    """
    for kinds, code, say in ENDINGS:
        if isinstance(fault, kinds):
            say(fault)
            return code
    if type(fault).__module__.partition(".")[0] not in OURS:
        return None
    _sentence(fault)
    return FAILURE


def _sentence(fault: object) -> None:
    click.echo(f"holdpoint: {fault}", err=True)


def _nobody_reads(_fault: object) -> None:
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


ENDINGS: tuple[
    tuple[type[BaseException] | tuple[type[BaseException], ...], int, Say], ...
] = (
    (click.UsageError, MISUSE, lambda fault: fault.show()),
    (click.ClickException, FAILURE, lambda fault: _sentence(fault.format_message())),
    (
        (click.Abort, KeyboardInterrupt),
        INTERRUPTED,
        lambda _: click.echo("Stopped.", err=True),
    ),
    (BrokenPipeError, FAILURE, _nobody_reads),
    (OSError, FAILURE, _sentence),
)
"""What may end a command, the exit code for it, how it is said; the first that fits.

Any other fault of our rooms has exit code 1 and says its own sentence.
"""


def _end(number: int, _frame: object) -> None:
    sys.exit(SIGNALLED + number)


if __name__ == "__main__":
    main()
