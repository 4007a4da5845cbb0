"""Labels for units."""

import re
from pathlib import Path

import click

from daemon.commands.manners import say
from daemon.labels import LabelError, Tape, as_png

MOST = 1000


@click.command()
@click.argument("serials", nargs=-1, required=True)
@click.option(
    "--tape", "width_mm", type=float, default=12.0, show_default=True,
    help="Printable width of the tape, mm.",
)  # fmt: skip
@click.option(
    "--dpi", type=int, default=300, show_default=True, help="The printer's resolution."
)
@click.option(
    "--into", type=click.Path(file_okay=False, path_type=Path), default=Path(),
    help="Folder for the pictures. Left out: this one.",
)  # fmt: skip
def label(serials: tuple[str, ...], width_mm: float, dpi: int, into: Path) -> None:
    """Draw a label a serial: QR code and letters, as PNG at the printer's dots.

    SERIALS are single ones or a range such as PA-1001..PA-1030.
    """
    try:
        tape = Tape(width_mm=width_mm, dots_per_inch=dpi)
        pictures = _drawn(
            [one for given in serials for one in counted_serials(given)], tape
        )
    except LabelError as exc:
        raise click.UsageError(str(exc)) from exc
    into.mkdir(parents=True, exist_ok=True)
    for name, picture in pictures.items():
        (into / name).write_bytes(picture)
    for name in pictures:
        click.echo(into / name)
    say(f"{len(pictures)} labels for {width_mm:g} mm tape at {dpi} dots per inch.")


def _drawn(serials: list[str], tape: Tape) -> dict[str, bytes]:
    """Return each label by the name of its file."""
    pictures: dict[str, bytes] = {}
    for serial in serials:
        name = re.sub(r"[^\w.-]", "_", serial) + ".png"
        if name in pictures:
            message = f"serial {serial!r}: another label has its file name {name}"
            raise LabelError(message)
        pictures[name] = as_png(serial, tape)
    return pictures


def counted_serials(given: str) -> list[str]:
    """Return the serials from one to another that count up.

    >>> counted_serials("PA-09..PA-11")
    ['PA-09', 'PA-10', 'PA-11']
    """
    first, dots, last = given.partition("..")
    if not dots:
        return [given]
    begin, end = re.fullmatch(r"(.*?)(\d+)", first), re.fullmatch(r"(.*?)(\d+)", last)
    if begin is None or end is None or begin[1] != end[1]:
        message = f"{given!r}: both ends of a range end in digits and begin alike"
        raise LabelError(message)
    numbers = range(int(begin[2]), int(end[2]) + 1)
    if not 1 <= len(numbers) <= MOST:
        message = f"{given!r}: a range counts up, over {MOST} serials at most"
        raise LabelError(message)
    return [f"{begin[1]}{number:0{len(begin[2])}}" for number in numbers]
