"""How every command speaks: results on stdout, words on stderr, faults in one line."""

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from math import isnan
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console
from rich.table import Table

from config.load import load
from config.model import Settings
from daemon.home import Home
from storage.serials import SerialRangeError, counted_serials

if TYPE_CHECKING:  # the database takes longer to load than all else
    from daemon.watch import FindLimit
    from storage.store import Store

FAILURE = 1
"""Exit code of a command that could not do what it was asked; misuse is 2."""


def out() -> Console:
    """Return where results go; plain when it is no terminal or NO_COLOR is set."""
    return Console(highlight=False, soft_wrap=True)


def err() -> Console:
    """Return where messages and progress go."""
    return Console(stderr=True, highlight=False, soft_wrap=True)


def say(text: str) -> None:
    """Tell the person something that is not the result."""
    click.echo(text, err=True)


def as_json(value: object) -> None:
    """Print a result for a program."""
    click.echo(to_json(value))


def to_json(value: object) -> str:
    """Return a result for a program; times as ISO 8601 texts."""
    return json.dumps(value, indent=2, default=str)


def as_table(rows: Sequence[Mapping[Any, Any]], columns: Mapping[str, str]) -> None:
    """Print rows for a person.

    Parameters
    ----------
    columns
        Row key to the words above its column.
    """
    table = Table(box=None, pad_edge=False)
    for heading in columns.values():
        table.add_column(heading)
    for row in rows:
        table.add_row(*(_text(row.get(key)) for key in columns))
    out().print(table)


def expanded(
    context: click.Context, parameter: click.Parameter, given: tuple[str, ...]
) -> tuple[str, ...]:
    """Return serials with every range such as PA-1001..PA-1030 counted out."""
    try:
        return tuple(one for each in given for one in counted_serials(each))
    except SerialRangeError as exc:
        raise click.BadParameter(str(exc), context, parameter) from exc


def interactive() -> bool:
    """Whether a person can be asked."""
    return sys.stdin.isatty()


def _text(value: Any) -> str:
    missing = value is None or (isinstance(value, float) and isnan(value))
    return "-" if missing else str(value)


def home_of(context: click.Context) -> Home:
    """Return the home that the command line chose."""
    found = context.find_object(Home)
    return found if found is not None else Home.usual()


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """The settings and the store that a command works with."""

    home: Home
    settings: Settings
    store: "Store"

    @property
    def product(self) -> str:
        """Name of the product."""
        return self.settings.product.name

    def own_limit(self) -> "FindLimit":
        """Return what finds the product's own limit of the detector."""
        from daemon.limits import limits_of  # noqa: PLC0415 -- see the top

        return limits_of(self.home, self.settings).serving


@contextmanager
def opened(context: click.Context) -> Iterator[Opened]:
    """Open the store: through the daemon where one runs, else the file for a moment.

    Raises
    ------
    config.errors.ConfigError
        The settings have faults.
    storage.errors.StorageError
        The store cannot be opened.
    """
    from storage.access import open_store  # noqa: PLC0415 -- see the top
    from storage.records import Product  # noqa: PLC0415

    home = home_of(context)
    settings = load(home.folder)
    with open_store(home.data) as store:
        store.keep(Product(product=settings.product.name, title=settings.product.title))
        yield Opened(home=home, settings=settings, store=store)
