"""How every command speaks: sentences and tables, or JSON; words on stderr.

A command returns what it has to show as `Shown`; `shown` gives it `--json` and prints
one or the other. Text of a person (names, reasons) is never read as markup.
"""

import os
import select
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import wraps
from math import isnan
from threading import Timer
from typing import TYPE_CHECKING, Any, NoReturn, ParamSpec

import click

from daemon.commands import FAILURE

if TYPE_CHECKING:
    from rich.console import Console

MOST_TYPED = 4096
"""Bytes of a line that a terminal gives at most."""
UNCUT = 100_000
"""Columns of a place that is no terminal: a line is as long as it is."""

MISSING = "-"
GAP = "  "
"""Between two columns."""

Given = ParamSpec("Given")
How = str | tuple[str, str] | Callable[[Any], object]
"""How a cell is made of a row: its key; a key and a format; or a function."""


class Headline(str):
    """A sentence that stands out."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under headings.

    Parameters
    ----------
    rows
        Mappings or objects.
    columns
        Heading to what stands under it.
    """

    rows: Iterable[Any]
    columns: Mapping[str, How]


Part = str | Headline | Table


def pairs(rows: Iterable[tuple[str, object]], what: str, value: str) -> Table:
    """Return a table of two columns."""
    return Table(list(rows), {what: lambda one: one[0], value: lambda one: one[1]})


class Shown:
    """What a command came to.

    Parameters
    ----------
    data
        For a program; a part that is missing or is no number is null there.
    parts
        For a person, one below the other.
    nothing
        What a person is told, on stderr, in place of the parts where there is no data.
    failed
        Whether the command ends with exit code 1.
    """

    def __init__(
        self,
        data: object,
        *parts: Part,
        nothing: str | None = None,
        failed: bool = False,
    ) -> None:
        self.data = data
        self.parts = parts
        self.nothing = nothing
        self.failed = failed


def listed(
    rows: Sequence[Any], columns: Mapping[str, How], *, nothing: str | None = None
) -> Shown:
    """Return rows for a program, and a table of them for a person."""
    return Shown(rows, Table(rows, columns), nothing=nothing)


def shown(command: Callable[Given, Shown]) -> Callable[..., None]:
    """Give a command `--json`, and print what it returns."""

    @wraps(command)
    def run(*args: Given.args, **named: Given.kwargs) -> None:
        json_ = named.pop("json_")
        result = command(*args, **named)
        if json_:
            click.echo(to_json(result.data))
        elif result.nothing is not None and not result.data:
            say(result.nothing)
        else:
            show(*result.parts)
        if result.failed:
            fail()

    return click.option("--json", "json_", is_flag=True, help="For a program.")(run)


def show(*parts: Part) -> None:
    """Print a result for a person: sentences as they are, tables in columns."""
    _print(parts, _console())


def tell(*parts: Part) -> None:
    """Tell the person, as `say` does, what takes tables."""
    _print(parts, _console(stderr=True))


def _print(parts: Iterable[Part], console: "Console") -> None:
    for part in parts:
        if isinstance(part, Table):
            _print_table(part, console)
        else:
            console.print(part, style="bold" if isinstance(part, Headline) else None)


def to_json(value: object) -> str:
    """Return a result for a program; times as ISO 8601, null for what is no number."""
    from pydantic_core import to_json as encoded  # noqa: PLC0415 -- as rich is

    return encoded(value, indent=2, inf_nan_mode="null", fallback=_plain).decode()


def say(text: str) -> None:
    """Tell the person something that is not the result."""
    click.echo(text, err=True)


def fail() -> NoReturn:
    """End with exit code 1; what is the matter was shown."""
    click.get_current_context().exit(FAILURE)


def misuse(text: str) -> NoReturn:
    """Refuse how the command was called, with exit code 2.

    Raises
    ------
    click.UsageError
        Always.
    """
    raise click.UsageError(text, click.get_current_context())


def refuse(text: str, parameter: str) -> NoReturn:
    """Refuse the value of one parameter, with exit code 2.

    Raises
    ------
    click.BadParameter
        Always.
    """
    raise click.BadParameter(text, click.get_current_context(), param_hint=parameter)


def interactive() -> bool:
    """Whether a person can be asked."""
    return sys.stdin.isatty()


def typed_ahead() -> list[str]:
    """Return the lines that were typed before anything was asked; none is left.

    A label that is scanned while another unit is measured is no answer to what the
    bench asks next, and says of no unit that it is connected. A line that is not whole
    yet is dropped.
    """
    if not interactive():
        return []
    if sys.platform == "win32":
        import msvcrt  # noqa: PLC0415

        keys = ""
        while msvcrt.kbhit():
            keys += msvcrt.getwch()
        lines = keys.replace("\n", "\r").split("\r")[:-1]
    else:
        import termios  # noqa: PLC0415

        read = b""
        # A terminal gives whole lines alone.
        while select.select([sys.stdin], [], [], 0.0)[0]:
            piece = os.read(sys.stdin.fileno(), MOST_TYPED)
            if not piece:
                break  # it is gone
            read += piece
        termios.tcflush(sys.stdin, termios.TCIFLUSH)
        lines = read.decode(errors="replace").split("\n")[:-1]
    return [line.strip() for line in lines if line.strip()]


@contextmanager
def progressing(total: int, title: str) -> Iterator[Callable[[int, str], None]]:
    """Show a progress bar on stderr where that is a terminal, and the time left.

    Yields what takes how much is done, and words beside it.
    """
    from rich.progress import (  # noqa: PLC0415 -- as rich is
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    console = _console(stderr=True)
    with Progress(
        TextColumn(title),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("time left"),
        TimeRemainingColumn(),
        TextColumn("{task.description}", markup=False),
        console=console,
        # Results go to a file or another program as they would without the bar.
        redirect_stdout=sys.stdout.isatty(),
        disable=not console.is_terminal,
    ) as bar:
        task = bar.add_task("", total=total)
        yield lambda done, words: bar.update(task, completed=done, description=words)


@contextmanager
def if_it_lasts(
    sentence: Callable[[], str], *, after_s: float = 20.0
) -> Iterator[None]:
    """Say a sentence where what is done in here takes longer than usual.

    Which one it is, is asked when it is due: by then the reason is known.
    """
    timer = Timer(after_s, lambda: say(sentence()))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _console(*, stderr: bool = False) -> "Console":
    """Return where results go; plain when it is no terminal or NO_COLOR is set."""
    # A command's help shows nothing.
    from rich.console import Console  # noqa: PLC0415

    console = Console(
        stderr=stderr, highlight=False, markup=False, emoji=False, soft_wrap=True
    )
    if not console.is_terminal:
        console.width = UNCUT
    return console


def _print_table(table: Table, console: "Console") -> None:
    """Print a table in which no word is cut: the next command is copied from it.

    The first column, which names the row, is never wrapped either.
    """
    from rich.table import Table as Drawn  # noqa: PLC0415 -- as rich is
    from rich.text import Text  # noqa: PLC0415

    rows = [[_cell(row, how) for how in table.columns.values()] for row in table.rows]
    if (lines := _as_lines([[*table.columns], *rows], console.width)) is not None:
        console.out(lines[0], style="bold", highlight=False)
        if rows:
            console.out("\n".join(lines[1:]), highlight=False)
        return
    drawn = Drawn(box=None, pad_edge=False)
    for place, heading in enumerate(table.columns):
        cells = [heading, *(row[place] for row in rows)]
        whole = [line for cell in cells for line in cell.splitlines()]
        pieces = (
            whole if place == 0 else [word for one in whole for word in one.split()]
        )
        drawn.add_column(
            Text(heading),
            overflow="fold",
            min_width=max((Text(one).cell_len for one in pieces), default=0),
        )
    for row in rows:
        drawn.add_row(*map(Text, row))
    console.print(drawn)


def _as_lines(rows: Sequence[Sequence[str]], most: int) -> list[str] | None:
    """Return a line a row where each fits one; None where a cell takes several.

    To wrap what needs no wrapping takes seconds of a thousand rows.
    """
    from rich.cells import cell_len  # noqa: PLC0415 -- as rich is
    from rich.control import strip_control_codes  # noqa: PLC0415

    told = [[strip_control_codes(cell).expandtabs() for cell in row] for row in rows]
    if any(len(cell.splitlines()) > 1 for row in told for cell in row):
        return None
    long = [[cell_len(cell) for cell in row] for row in told]
    widths = [max(column) for column in zip(*long, strict=True)]
    if sum(widths) + len(GAP) * (len(widths) - 1) > most:
        return None
    return [
        GAP.join(
            cell + " " * (width - taken)
            for cell, taken, width in zip(row, lengths, widths, strict=True)
        )
        for row, lengths in zip(told, long, strict=True)
    ]


def _cell(row: Any, how: How) -> str:
    if not isinstance(how, str | tuple):
        return _text(how(row))
    key, form = (how, "") if isinstance(how, str) else how
    value = row.get(key) if isinstance(row, Mapping) else getattr(row, key)
    return _text(value, form)


def _text(value: object, form: str = "") -> str:
    missing = value is None or (isinstance(value, float) and isnan(value))
    if isinstance(value, datetime):
        # A person reads the clock on the wall; where an hour is told, so is its zone.
        value = value.astimezone()
        form = f"{form} %Z" if "%H" in form else form
    return MISSING if missing else format(value, form) if form else str(value)


def _plain(value: Any) -> object:
    """Return what the encoder does not know: an array's number as a number."""
    return value.item() if hasattr(value, "item") else str(value)
