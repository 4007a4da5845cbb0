"""What a shell completes after a command, without loading the command.

`parameters.json` says it for every command and is written from the commands:

    python -m daemon.commands.completing

A test holds both together.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

WRITTEN = Path(__file__).with_name("parameters.json")

Described = dict[str, Any]


def stand_in(name: str) -> click.Command:
    """Return a command that completes like the one of this name, and does nothing.

    Parameters
    ----------
    name
        All words, such as "hold end".
    """
    every = json.loads(WRITTEN.read_text(encoding="utf-8"))
    params = [_parameter(**one) for one in every[name]]
    return click.Command(name.rpartition(" ")[2], params=params)


def described(command: click.Command) -> list[Described]:
    """Return what completing needs to know of a command's parameters."""
    return [
        _described(one) for one in command.params if not getattr(one, "hidden", False)
    ]


def _described(one: click.Parameter) -> Described:
    said: Described = {"names": [*one.opts, *one.secondary_opts], "nargs": one.nargs}
    if isinstance(one, click.Option):
        said |= {"help": one.help, "is_flag": one.is_flag, "multiple": one.multiple}
    if isinstance(one.type, click.Choice):
        said["choices"] = list(one.type.choices)
    if isinstance(one.type, click.Path):
        said["folder"] = not one.type.file_okay
    return said


def _parameter(
    *,
    names: list[str],
    nargs: int,
    choices: list[str] | None = None,
    folder: bool | None = None,
    **of_option: Any,
) -> click.Parameter:
    kind: click.ParamType[Any] | None = None
    if choices is not None:
        kind = click.Choice(choices)
    elif folder is not None:
        kind = click.Path(file_okay=not folder)
    if not of_option:
        return click.Argument(names, nargs=nargs, type=kind, required=False)
    if of_option["is_flag"]:
        # A switch and its opposite are declared together.
        return click.Option(["/".join(names)], **of_option)
    return click.Option(names, nargs=nargs, type=kind, **of_option)


def write() -> None:
    """Write anew what stands of every command."""
    # Only whoever changed a command loads them all.
    from daemon.commands.cli import holdpoint  # noqa: PLC0415

    said = {" ".join(words): described(one) for words, one in leaves(holdpoint)}
    WRITTEN.write_text(json.dumps(said, indent=1) + "\n", encoding="utf-8")


def leaves(
    group: click.Group, *words: str
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Load every command, one after another, with the words that call it."""
    context = click.Context(group)
    for name in group.list_commands(context):
        one = group.get_command(context, name)
        if isinstance(one, click.Group):
            yield from leaves(one, *words, name)
        elif one is not None:
            yield (*words, name), one


if __name__ == "__main__":
    write()
