"""Documents: unit, build, supplier, customer, and the sheet for the bench."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from daemon.commands.opened import Opened, opened
from daemon.commands.options import FILE, into_folder, serials_given
from daemon.commands.showing import say
from daemon.file_names import file_name

if TYPE_CHECKING:  # the page setter takes a while to load
    from daemon.product import ProductModel
    from daemon.reports import Document

FORMS = ("pdf", "html", "png")
Gather = Callable[[Opened, "ProductModel", dict[str, Any]], "Document"]
GatherAll = Callable[[Opened, "ProductModel", dict[str, Any]], Sequence["Document"]]


def _options(command: Callable[..., Any]) -> Callable[..., Any]:
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
        command = option(command)
    return command


@click.command()
@click.argument("serial")
@_options
def unit(serial: str, **chosen: Any) -> None:
    """Write the test record of a unit.

    It tells the latest run.
    """
    from daemon import papers  # noqa: PLC0415

    _write(
        chosen,
        lambda at, product, how: papers.unit_record(at.store, product, serial, **how),
    )


@click.command()
@click.argument("name", metavar="BUILD")
@_options
def build(name: str, **chosen: Any) -> None:
    """Write the release record of a build."""
    from daemon import papers  # noqa: PLC0415

    _write(
        chosen,
        lambda at, product, how: papers.build_release(at.store, product, name, **how),
    )


@click.command()
@click.argument("name", metavar="BUILD")
@serials_given()
@_options
def sheet(name: str, serials: tuple[str, ...], **chosen: Any) -> None:
    """Write the sheet for the bench.

    With SERIALS such as PA-1001..PA-1030 to scan.
    """
    from daemon import papers  # noqa: PLC0415

    _write(
        chosen,
        lambda at, product, how: papers.build_sheet(
            at.store, product, name, list(serials), **how
        ),
    )


@click.command()
@click.argument("serial")
@_options
def customer(serial: str, **chosen: Any) -> None:
    """Write the notice on one unit.

    To whoever has it, with its correction card.
    """
    from daemon import papers  # noqa: PLC0415

    _write(
        chosen,
        lambda at, product, how: papers.customer_notice(
            at.store, product, serial, **how
        ),
    )


@click.command()
@click.argument("subject", metavar="FINDING|REEL")
@_options
def customers(subject: str, **chosen: Any) -> None:
    """Write the notice to all holders.

    To everybody who has a unit that the finding concerns, with its correction card.
    """
    from daemon.commands.recall import records_of  # noqa: PLC0415
    from daemon.whereabouts.containment import contain  # noqa: PLC0415
    from daemon.whereabouts.papers import notices  # noqa: PLC0415

    def gather(
        at: Opened, product: "ProductModel", how: dict[str, Any]
    ) -> "Sequence[Document]":
        found = contain(at.store, records_of(at), subject)
        if found.withdrawn is not None:
            raise click.ClickException(found.headline())
        return notices(found, product, **how)

    _write_all(chosen, gather)


@click.command()
@click.argument("finding")
@click.option("--label", type=FILE, help="Photograph of the reel's label.")
@click.option(
    "--photo", "photos", multiple=True, type=FILE,
    help="Photograph to attach; may be given again.",
)  # fmt: skip
@click.option("--ask", help="What you ask of the supplier, in place of replacement.")
@_options
def supplier(
    finding: str,
    *,
    label: Path | None,
    photos: tuple[Path, ...],
    ask: str | None,
    **chosen: Any,
) -> None:
    """Write a supplier's claim.

    The nonconformance report on the reel that a finding names.
    """

    def gather(at: Opened, product: "ProductModel", how: dict[str, Any]) -> "Document":
        from daemon import papers  # noqa: PLC0415
        from daemon.reports import Image, NoSupplierError  # noqa: PLC0415

        try:
            made = papers.supplier_report(at.store, product, finding, **how)
        except NoSupplierError as exc:
            raise click.ClickException(str(exc)) from exc
        return replace(
            made,
            requested_action=ask or made.requested_action,
            label=None
            if label is None
            else Image(data=label.read_bytes(), caption=f"Label: {label.name}"),
            photos=tuple(
                Image(data=one.read_bytes(), caption=one.name) for one in photos
            ),
        )

    _write(chosen, gather)


def _write(chosen: dict[str, Any], gather: Gather) -> None:
    _write_all(chosen, lambda *given: (gather(*given),))


def _write_all(chosen: dict[str, Any], gather: GatherAll) -> None:
    from daemon import reports  # noqa: PLC0415
    from daemon.product import ProductModel  # noqa: PLC0415

    with opened() as at:
        documents = gather(
            at,
            ProductModel.of(at.settings.product),
            {
                "issued_at": datetime.now(UTC),
                "issuer": chosen["issuer"] or at.settings.product.issuer,
            },
        )
    into: Path = chosen["into"]
    into.mkdir(parents=True, exist_ok=True)
    for document in documents:
        number = document.number
        files: dict[str, bytes] = {}
        match chosen["form"]:
            case "pdf":
                files[file_name(number, "pdf")] = reports.pdf(document)
            case "html":
                files[file_name(number, "html")] = reports.html(document).encode()
            case _:
                for place, page in enumerate(reports.png(document), 1):
                    files[file_name(f"{number}-{place}", "png")] = page
        for name, data in files.items():
            (into / name).write_bytes(data)
            click.echo(into / name)
        say(f"{number} is written.")
