"""Labels for units."""

import re
from collections.abc import Sequence
from pathlib import Path

import click

from config import write_whole
from daemon.commands.options import into_folder, serials_given
from daemon.commands.showing import misuse, say
from daemon.presentation import LabelError, Tape, as_png, as_svg


@click.command()
@serials_given(required=True)
@click.option(
    "--tape", "width_mm", type=float, default=12.0, show_default=True,
    help="Printable width of the tape, mm.",
)  # fmt: skip
@click.option(
    "--dpi", type=int, default=300, show_default=True, help="The printer's resolution."
)
@click.option(
    "--as", "kind", type=click.Choice(["png", "svg"]), default="png",
    show_default=True, help="Dots for the printer, or lines for a page.",
)  # fmt: skip
@into_folder("Folder for the pictures. Left out: this one.")
def label(
    serials: tuple[str, ...], width_mm: float, dpi: int, kind: str, into: Path
) -> None:
    """Draw labels for units.

    Each serial has a label: QR code and letters, on the printer's dots. SERIALS are
    single ones or a range such as PA-1001..PA-1030.
    """
    try:
        tape = Tape(width_mm=width_mm, dots_per_inch=dpi)
        pictures = _drawn(serials, tape, kind)
    except LabelError as exc:
        misuse(str(exc))
    into.mkdir(parents=True, exist_ok=True)
    for name, picture in pictures.items():
        write_whole(into / name, picture, for_all=True)
    for name in pictures:
        click.echo(into / name)
    say(f"{len(pictures)} labels for {width_mm:g} mm tape at {dpi} dots per inch.")


def _drawn(serials: Sequence[str], tape: Tape, kind: str) -> dict[str, bytes]:
    """Return each label by the name of its file."""
    pictures: dict[str, bytes] = {}
    for serial in serials:
        name = re.sub(r"[^\w.-]", "_", serial) + f".{kind}"
        if name in pictures:
            message = f"serial {serial!r}: another label has its file name {name}"
            raise LabelError(message)
        if kind == "svg":
            pictures[name] = as_svg(serial, tape).encode()
        else:
            pictures[name] = as_png(serial, tape)
    return pictures
