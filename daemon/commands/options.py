"""Options and arguments that many commands have."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from daemon.commands.opened import home_here
from storage import SerialRangeError, counted_serials

Command = TypeVar("Command", bound=Callable[..., Any])

DAY = click.DateTime(["%Y-%m-%d"])
FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
NEW_FILE = click.Path(dir_okay=False, path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)
PORT = click.IntRange(1, 65535)


def by_person(
    says: str = "Who decides; listed in plan.toml.", *, required: bool = True
) -> Callable[[Command], Command]:
    """Ask who it is; the environment may say it for a whole session."""
    return click.option(
        "--person", required=required, envvar="HOLDPOINT_PERSON", show_envvar=True,
        help=says,
    )  # fmt: skip


def serials_given(*, required: bool = False) -> Callable[[Command], Command]:
    """Take serials, with every range such as PA-1001..PA-1030 counted out."""
    return click.argument("serials", nargs=-1, required=required, callback=_counted)


def into_folder(
    says: str, *, default: Path | None = Path()
) -> Callable[[Command], Command]:
    """Ask for the folder to write to."""
    return click.option("--into", type=FOLDER, default=default, help=says)


def documents_folder() -> Path:
    """Return where documents and lists go unless another folder is named."""
    return home_here().folder / "documents"


def _counted(
    context: click.Context, parameter: click.Parameter, given: tuple[str, ...]
) -> tuple[str, ...]:
    try:
        return tuple(one for each in given for one in counted_serials(each))
    except SerialRangeError as exc:
        raise click.BadParameter(str(exc), context, parameter) from exc
