"""Documents: unit, build, supplier, customer, and the sheet for the bench."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from daemon.commands.manners import Opened, expanded, opened, say
from daemon.presentation.file_names import file_name

if TYPE_CHECKING:  # the page setter takes a while to load
    from daemon.judging.product import ProductModel
    from daemon.presentation.documents import Document

FORMS = ("pdf", "html", "png")
Gather = Callable[[Opened, "ProductModel", dict[str, Any]], "Document"]
GatherAll = Callable[[Opened, "ProductModel", dict[str, Any]], Sequence["Document"]]


@click.group()
def report() -> None:
    """Write documents: test record, release, claim, notice, sheet for the bench."""


def _options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option(
            "--into", type=click.Path(file_okay=False, path_type=Path), default=Path(),
            help="Folder for the document. Left out: this one.",
        ),
        click.option(
            "--as", "form", type=click.Choice(FORMS), default="pdf", show_default=True,
            help="PDF/A to archive, HTML for a mail, PNG to look at.",
        ),
        click.option(
            "--issuer", envvar="HOLDPOINT_ISSUER", default="",
            help="Who issues it. Else HOLDPOINT_ISSUER, then product.toml's maker.",
        ),
        click.pass_context,
    ):  # fmt: skip
        command = option(command)
    return command


@report.command()
@click.argument("serial")
@_options
def unit(context: click.Context, serial: str, **chosen: Any) -> None:
    """Write the test record of a unit's latest run."""
    from daemon.traceability import papers  # noqa: PLC0415

    _write(
        context,
        chosen,
        lambda at, product, how: papers.unit_record(at.store, product, serial, **how),
    )


@report.command()
@click.argument("name", metavar="BUILD")
@_options
def build(context: click.Context, name: str, **chosen: Any) -> None:
    """Write the release record of a build."""
    from daemon.traceability import papers  # noqa: PLC0415

    _write(
        context,
        chosen,
        lambda at, product, how: papers.build_release(at.store, product, name, **how),
    )


@report.command()
@click.argument("name", metavar="BUILD")
@click.argument("serials", nargs=-1, callback=expanded)
@_options
def sheet(
    context: click.Context, name: str, serials: tuple[str, ...], **chosen: Any
) -> None:
    """Write the sheet for the bench; SERIALS such as PA-1001..PA-1030 to scan."""
    from daemon.traceability import papers  # noqa: PLC0415

    _write(
        context,
        chosen,
        lambda at, product, how: papers.build_sheet(
            at.store, product, name, list(serials), **how
        ),
    )


@report.command()
@click.argument("serial")
@_options
def customer(context: click.Context, serial: str, **chosen: Any) -> None:
    """Write the notice to whoever has a unit, with its correction card."""
    from daemon.traceability import papers  # noqa: PLC0415

    _write(
        context,
        chosen,
        lambda at, product, how: papers.customer_notice(
            at.store, product, serial, **how
        ),
    )


@report.command()
@click.argument("subject", metavar="FINDING|REEL")
@_options
def customers(context: click.Context, subject: str, **chosen: Any) -> None:
    """Write the notice, with its correction card, to every holder of a finding."""
    from daemon.commands.leaving import records_of  # noqa: PLC0415
    from daemon.traceability.containment import contain  # noqa: PLC0415
    from daemon.traceability.papers.containment import notices  # noqa: PLC0415

    def gather(
        at: Opened, product: "ProductModel", how: dict[str, Any]
    ) -> "Sequence[Document]":
        found = contain(at.store, records_of(at), subject)
        if found.withdrawn is not None:
            raise click.ClickException(found.headline())
        return notices(found, product, **how)

    _write_all(context, chosen, gather)


@report.command()
@click.argument("finding")
@click.option(
    "--label", type=click.Path(dir_okay=False, exists=True, path_type=Path),
    help="Photograph of the reel's label.",
)  # fmt: skip
@click.option(
    "--photo", "photos", multiple=True,
    type=click.Path(dir_okay=False, exists=True, path_type=Path),
    help="Photograph to attach; may be given again.",
)  # fmt: skip
@click.option("--ask", help="What you ask of the supplier, in place of replacement.")
@_options
def supplier(
    context: click.Context,
    finding: str,
    *,
    label: Path | None,
    photos: tuple[Path, ...],
    ask: str | None,
    **chosen: Any,
) -> None:
    """Write the nonconformance report on the reel that a finding names."""

    def gather(at: Opened, product: "ProductModel", how: dict[str, Any]) -> "Document":
        from daemon.presentation.documents import Image, NoSupplierError  # noqa: PLC0415
        from daemon.traceability import papers  # noqa: PLC0415

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

    _write(context, chosen, gather)


def _write(context: click.Context, chosen: dict[str, Any], gather: Gather) -> None:
    _write_all(context, chosen, lambda *given: (gather(*given),))


def _write_all(
    context: click.Context, chosen: dict[str, Any], gather: GatherAll
) -> None:
    from daemon.judging.product import ProductModel  # noqa: PLC0415
    from daemon.presentation import documents  # noqa: PLC0415

    with opened(context) as at:
        made = gather(
            at,
            ProductModel.of(at.settings.product),
            {
                "issued_at": datetime.now(UTC),
                "issuer": chosen["issuer"] or at.settings.product.issuer,
            },
        )
    into: Path = chosen["into"]
    into.mkdir(parents=True, exist_ok=True)
    for document in made:
        number = document.number
        files: dict[str, bytes] = {}
        match chosen["form"]:
            case "pdf":
                files[file_name(number, "pdf")] = documents.pdf(document)
            case "html":
                files[file_name(number, "html")] = documents.html(document).encode()
            case _:
                for place, page in enumerate(documents.png(document), 1):
                    files[file_name(f"{number}-{place}", "png")] = page
        for name, data in files.items():
            (into / name).write_bytes(data)
            click.echo(into / name)
        say(f"{number} is written.")
