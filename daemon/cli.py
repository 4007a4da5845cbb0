"""The `holdpoint` command.

Commands are loaded when they are called, so that asking for help or for the
bench's source to go off never waits for the plotting libraries.
"""

import difflib
import importlib
import os
import signal
import sys
from pathlib import Path

import click

from daemon.service.home import VARIABLE, Home

FAILURE = 1
SIGNALLED = 128
INTERRUPTED = SIGNALLED + signal.SIGINT

COMMANDS = {
    "init": "daemon.commands.settings:init",
    "config": "daemon.commands.settings:config",
    "demo": "daemon.commands.story:demo",
    "daemon": "daemon.commands.running:daemon",
    "dashboard": "daemon.commands.running:dashboard",
    "status": "daemon.commands.running:status",
    "measure": "daemon.commands.measuring:measure",
    "bench": "daemon.commands.bench:bench",
    "import": "daemon.commands.importing:import_",
    "build": "daemon.commands.records:build",
    "reel": "daemon.commands.records:reel",
    "hold": "daemon.commands.records:hold",
    "doubt": "daemon.commands.checking:doubt",
    "ship": "daemon.commands.leaving:ship",
    "return": "daemon.commands.leaving:return_",
    "trace": "daemon.commands.leaving:trace",
    "contain": "daemon.commands.leaving:contain",
    "card": "daemon.commands.leaving:card",
    "rework": "daemon.commands.reworking:rework",
    "ledger": "daemon.commands.ledger:ledger",
    "prove": "daemon.commands.proving:prove",
    "label": "daemon.commands.labelling:label",
    "report": "daemon.commands.reporting:report",
    "alerts": "daemon.commands.alerting:alerts",
    "whatif": "daemon.commands.asking:whatif",
    "calibrate": "daemon.commands.calibrating:calibrate",
    "variance": "daemon.commands.scattering:variance",
    "capability": "daemon.commands.scattering:capability",
    "study": "daemon.commands.story:study",
    "completion": "daemon.commands.settings:completion",
}


class LazyGroup(click.Group):
    """Loads a command when it is named; suggests near names."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 -- click's
        """Return all command names in the order of a maker's day."""
        return list(COMMANDS)

    def get_command(
        self,
        ctx: click.Context,  # noqa: ARG002 -- click's
        cmd_name: str,
    ) -> click.Command | None:
        """Load one command."""
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name].partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or say which one was perhaps meant."""
        near = difflib.get_close_matches(args[0], COMMANDS, n=1)
        if args[0] not in COMMANDS and near:
            ctx.fail(f"No such command {args[0]!r}. Did you mean {near[0]!r}?")
        return super().resolve_command(ctx, args)


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="holdpoint", prog_name="holdpoint")
@click.option(
    "--home",
    type=click.Path(file_okay=False, path_type=Path),
    help=f"Folder of the settings and the data. Else {VARIABLE}, else this folder "
    "when it holds product.toml, else your own.",
)
@click.pass_context
def holdpoint(context: click.Context, home: Path | None) -> None:
    """Tell whether this build is still the product that was designed.

    Measures every unit, notices the first unit at which something moved, and holds
    what is suspect until a named person releases it.
    """
    context.obj = Home(home) if home is not None else Home.usual()


def main() -> None:
    """Run the command; every fault is one line on stderr and exit code 1, misuse 2."""
    # Whatever was begun is ended in order: children stopped, the source off.
    signal.signal(signal.SIGTERM, _end)
    try:
        holdpoint.main(standalone_mode=False)
    except click.exceptions.Exit as exc:
        sys.exit(exc.exit_code)
    except click.ClickException as exc:
        exc.show()
        sys.exit(exc.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        sys.exit(INTERRUPTED)
    except BrokenPipeError:
        # Whoever read our output has had enough.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(FAILURE)
    except Exception as exc:
        if not _ours(exc):
            raise
        click.echo(f"holdpoint: {exc}", err=True)
        sys.exit(FAILURE)


def _end(number: int, _frame: object) -> None:
    sys.exit(SIGNALLED + number)


def _ours(fault: Exception) -> bool:
    """Whether a fault is one that its own sentence explains to a person."""
    named = type(fault).__module__.partition(".")[0] in {"config", "daemon", "storage"}
    return named or isinstance(fault, OSError)


if __name__ == "__main__":
    main()
