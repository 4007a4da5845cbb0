"""Documents by command: each that is declared, in every form."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from config import write_whole
from daemon.commands.opened import opened
from daemon.commands.options import (
    FILE,
    documents_folder,
    into_folder,
    serials_given,
)
from daemon.commands.showing import progressing, say
from daemon.judging import ProductModel
from daemon.presentation import documents, file_name
from daemon.presentation.documents import Document, Image
from daemon.traceability.papers import DOCUMENTS

FORMS = ("pdf", "html", "png")
NOBODY = (
    "Nothing is written: by the records, no unit that it concerns has left. Record "
    "what left with `holdpoint ship`."
)
Decorator = Callable[[Callable[..., None]], Callable[..., None]]


def _picture(caption: str) -> Callable[..., Any]:
    """Read the photographs that an option names."""

    def read(path: Path) -> Image:
        return Image(data=path.read_bytes(), caption=caption.format(path.name))

    def given(
        _context: click.Context,
        _parameter: click.Parameter,
        value: Path | Sequence[Path] | None,
    ) -> Image | tuple[Image, ...] | None:
        if value is None:
            return None
        if isinstance(value, Path):
            return read(value)
        return tuple(read(one) for one in value)

    return given


ASKED: Mapping[str, tuple[Decorator, ...]] = {
    "sheet": (serials_given(),),
    "supplier": (
        click.option("--ask", help="What you ask of the supplier, in place of "
                     "replacement."),
        click.option("--photo", "photos", multiple=True, type=FILE,
                     callback=_picture("{}"),
                     help="Photograph to attach; may be given again."),
        click.option("--label", type=FILE, callback=_picture("Label: {}"),
                     help="Photograph of the reel's label."),
    ),
}  # fmt: skip
"""What a document takes besides its subject; most take nothing."""

EVERYWHERE: tuple[Decorator, ...] = (
    into_folder("Folder for the document. Left out: documents, beside the settings.",
                default=None),
    click.option(
        "--as", "form", type=click.Choice(FORMS), default="pdf", show_default=True,
        help="PDF/A to archive, HTML for a mail, PNG to look at.",
    ),
    click.option(
        "--issuer", envvar="HOLDPOINT_ISSUER", default="",
        help="Who issues it. Else HOLDPOINT_ISSUER, then product.toml's maker.",
    ),
)  # fmt: skip


def __getattr__(name: str) -> click.Command:
    """Return the command of a declared document, such as `report_unit`."""
    kind = name.removeprefix("report_")
    if kind == name or kind not in DOCUMENTS:
        raise AttributeError(name)
    return _command(kind)


def _command(kind: str) -> click.Command:
    """Make a command that writes a document to a folder."""
    declared = DOCUMENTS[kind]

    def write(
        *, subject: str, into: Path | None, form: str, issuer: str, **asked: Any
    ) -> None:
        with opened() as at:
            made = declared.gather(
                at.store,
                ProductModel.of(at.settings.product),
                subject,
                issued_at=datetime.now(UTC),
                issuer=issuer or at.settings.product.issuer,
                settings=at.settings,
                **asked,
            )
        if not made:
            say(NOBODY)
            return
        into = documents_folder() if into is None else into
        into.mkdir(parents=True, exist_ok=True)
        with (
            progressing(len(made), "Writing")
            if len(made) > 1
            else nullcontext(lambda *_: None) as step
        ):
            for count, document in enumerate(made, 1):
                for name, data in _files(document, form).items():
                    click.echo(write_whole(into / name, data, for_all=True))
                say(f"{document.number} is written to {into.resolve()}.")
                step(count, "")

    command: Callable[..., None] = write
    subject: Decorator = click.argument("subject", metavar=declared.of)
    for asks in (*ASKED.get(kind, ()), subject, *EVERYWHERE):
        command = asks(command)
    return click.command(kind, help=f"{declared.says}\n\n{declared.more}")(command)


def _files(document: Document, form: str) -> dict[str, bytes]:
    """Return a document's files by their names."""
    number = document.number
    match form:
        case "pdf":
            return {file_name(number, "pdf"): documents.pdf(document)}
        case "html":
            return {file_name(number, "html"): documents.html(document).encode()}
        case _:
            return {
                file_name(f"{number}-{place}", "png"): page
                for place, page in enumerate(documents.png(document), 1)
            }
