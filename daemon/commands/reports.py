"""Documents: unit, build, supplier, customer, and the sheet for the bench."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import click

from daemon.commands.opened import Opened, opened
from daemon.commands.options import FILE, into_folder, serials_given
from daemon.commands.recall import records_of
from daemon.commands.showing import say
from daemon.judging import ProductModel
from daemon.presentation import documents, file_name
from daemon.presentation.documents import Document, Image, NoSupplierError
from daemon.traceability import contain, papers
from daemon.traceability.papers import notices

FORMS = ("pdf", "html", "png")
Made = TypeVar("Made", bound=Document)


@dataclass(frozen=True, slots=True)
class Issued:
    """What every document is made of, and who issues it when."""

    at: Opened
    product: ProductModel
    by: dict[str, Any]

    def made(self, make: Callable[..., Made], *what: object) -> Made:
        """Make one document of the Store's rows."""
        return make(self.at.store, self.product, *what, **self.by)


def _written(gather: Callable[..., Iterable[Document]]) -> click.Command:
    """Make a command of what gathers documents: it writes them to a folder."""

    @wraps(gather)
    def write(*, into: Path, form: str, issuer: str, **asked: Any) -> None:
        with opened() as at:
            by = {
                "issued_at": datetime.now(UTC),
                "issuer": issuer or at.settings.product.issuer,
            }
            issued = Issued(at, ProductModel.of(at.settings.product), by)
            documents = list(gather(issued, **asked))
        into.mkdir(parents=True, exist_ok=True)
        for document in documents:
            for name, data in _files(document, form).items():
                (into / name).write_bytes(data)
                click.echo(into / name)
            say(f"{document.number} is written.")

    for option in (
        into_folder("Folder for the document. Left out: this one."),
        click.option(
            "--as", "form", type=click.Choice(FORMS), default="pdf", show_default=True,
            help="PDF/A to archive, HTML for a mail, PNG to look at.",
        ),
        click.option(
            "--issuer", envvar="HOLDPOINT_ISSUER", default="",
            help="Who issues it. Else HOLDPOINT_ISSUER, then product.toml's maker.",
        ),
    ):  # fmt: skip
        write = option(write)
    name = gather.__name__.removeprefix("report_")
    return click.command(name)(write)


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


@_written
@click.argument("serial")
def report_unit(issued: Issued, serial: str) -> Iterable[Document]:
    """Write the test record of a unit.

    It tells the latest run.
    """
    yield issued.made(papers.unit_record, serial)


@_written
@click.argument("name", metavar="BUILD")
def report_build(issued: Issued, name: str) -> Iterable[Document]:
    """Write the release record of a build."""
    yield issued.made(papers.build_release, name)


@_written
@click.argument("name", metavar="BUILD")
@serials_given()
def report_sheet(
    issued: Issued, name: str, serials: tuple[str, ...]
) -> Iterable[Document]:
    """Write the sheet for the bench.

    SERIALS such as PA-1001..PA-1030 stand on it to be scanned.
    """
    yield issued.made(papers.build_sheet, name, list(serials))


@_written
@click.argument("serial")
def report_customer(issued: Issued, serial: str) -> Iterable[Document]:
    """Write the notice on one unit.

    It goes to whoever has the unit, with its correction card.
    """
    yield issued.made(papers.customer_notice, serial)


@_written
@click.argument("subject", metavar="FINDING|REEL")
def report_customers(issued: Issued, subject: str) -> Iterable[Document]:
    """Write the notice to all holders.

    Everybody who has a unit that the finding concerns gets one, with its card.
    """
    at = issued.at
    found = contain(at.store, records_of(at), subject)
    if found.withdrawn is not None:
        raise click.ClickException(found.headline())
    return notices(found, issued.product, **issued.by)


@_written
@click.argument("finding")
@click.option("--label", type=FILE, help="Photograph of the reel's label.")
@click.option(
    "--photo", "photos", multiple=True, type=FILE,
    help="Photograph to attach; may be given again.",
)  # fmt: skip
@click.option("--ask", help="What you ask of the supplier, in place of replacement.")
def report_supplier(
    issued: Issued,
    finding: str,
    *,
    label: Path | None,
    photos: tuple[Path, ...],
    ask: str | None,
) -> Iterable[Document]:
    """Write a claim to the supplier.

    It is the nonconformance report on the reel that a finding names.
    """
    try:
        made = issued.made(papers.supplier_report, finding)
    except NoSupplierError as exc:
        raise click.ClickException(str(exc)) from exc
    yield replace(
        made,
        requested_action=ask or made.requested_action,
        label=None if label is None else _picture(label, f"Label: {label.name}"),
        photos=tuple(_picture(one, one.name) for one in photos),
    )


def _picture(path: Path, caption: str) -> Image:
    return Image(data=path.read_bytes(), caption=caption)
