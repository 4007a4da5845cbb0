"""Documents to take along: made when somebody clicks, never before."""

import io
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Any

import streamlit as st

from daemon.file_names import file_name
from daemon.whereabouts.containment import Containment, contain
from daemon.whereabouts.sheets import cards, page, table
from daemon.whereabouts.tracing import Records
from dashboard import data
from dashboard.data import Connection
from storage.errors import NotFoundError, StorageError

if TYPE_CHECKING:  # the page setter takes a while to load
    from daemon.reports import Document

Make = Callable[[Connection], bytes]
PDF, CSV, HTML, ZIP = "application/pdf", "text/csv", "text/html", "application/zip"


class UndoneError(Exception):
    """A document could not be made; the page says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """One file that a person may take along, and how it is made."""

    label: str
    file: str
    mime: str
    make: Make


def offer(papers: Sequence[Paper], *, key: str) -> None:
    """Show a button a paper; nothing is made before one is clicked.

    Parameters
    ----------
    key
        Names the place on the page; one paper may be offered in several.
    """
    if not papers:
        return
    with st.container(horizontal=True, gap="small"):
        for one in papers:
            st.download_button(
                one.label,
                partial(made, one, data.remarks()),
                file_name=one.file,
                mime=one.mime,
                on_click="ignore",
                key=f"{key} {one.file}",
            )


def made(paper: Paper, remarks: data.Remarks) -> bytes:
    """Return a paper's bytes; what is against it is said on the page.

    Called by the library in a thread of its own, where no viewer is known: so the
    viewer's remarks are given.

    Raises
    ------
    UndoneError
        It could not be made; the sentence stands in the remarks.
    """
    from daemon.reports import ReportError  # noqa: PLC0415 -- loads the page setter

    try:
        return paper.make(data.connection())
    except (StorageError, ReportError) as exc:
        remarks.say(f"document {paper.file} was not made: {exc}")
        raise UndoneError(str(exc)) from exc


def unit_record(serial: str) -> Paper:
    """Return the record of a unit's latest run."""
    return _pdf(
        "Test record",
        f"test-record-{serial}",
        lambda papers, at, how: papers.unit_record(at.store, at.product, serial, **how),
    )


def release_record(build: str) -> Paper:
    """Return the release record of a build."""
    return _pdf(
        "Release record",
        f"release-record-{build}",
        lambda papers, at, how: papers.build_release(
            at.store, at.product, build, **how
        ),
    )


def build_sheet(build: str) -> Paper:
    """Return what lies on the bench while a build is measured."""
    return _pdf(
        "Sheet for the bench",
        f"bench-sheet-{build}",
        lambda papers, at, how: papers.build_sheet(
            at.store, at.product, build, (), **how
        ),
    )


def supplier_report(finding: str) -> Paper:
    """Return what a finding says to whoever supplied its reel."""
    return _pdf(
        "Report to the supplier",
        f"supplier-report-{finding}",
        lambda papers, at, how: papers.supplier_report(
            at.store, at.product, finding, **how
        ),
    )


def customer_notice(serial: str) -> Paper:
    """Return the notice to a unit's holder, from its own latest errors."""
    return _pdf(
        "Customer's notice and card",
        f"notice-{serial}",
        lambda papers, at, how: papers.customer_notice(
            at.store, at.product, serial, **how
        ),
    )


def lists(subject: str) -> tuple[Paper, ...]:
    """Return a containment's lists, and what customers and supplier are told."""

    def sheet(label: str, name: str, mime: str, write: Any) -> Paper:
        ending = mime.rpartition("/")[2]
        return Paper(
            label=label,
            file=file_name(f"{name}-{subject}", ending),
            mime=mime,
            make=lambda at: write(_contained(at, subject)).encode(),
        )

    return (
        sheet("Lists (CSV)", "containment", CSV, table),
        sheet("Lists to print", "containment", HTML, page),
        sheet("Customers' factors (CSV)", "factors", CSV, cards),
    )


def notices(subject: str, serial: str | None = None) -> Paper:
    """Return the notices to all holders of a containment, or to one unit's."""

    def make(at: Connection) -> bytes:
        from daemon import reports  # noqa: PLC0415 -- loads the page setter
        from daemon.whereabouts import papers  # noqa: PLC0415

        written = papers.notices(_contained(at, subject), at.product, **_how(at))
        if serial is not None:
            mine = [one for one in written if one.serial == serial]
            if not mine:
                raise NotFoundError(kind="holder of a unit concerned", key=serial)
            return reports.pdf(mine[0])
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
            for one in written:
                file.writestr(file_name(one.number, "pdf"), reports.pdf(one))
        return out.getvalue()

    if serial is not None:
        name = f"notice-{subject}-{serial}"
        return Paper(
            label="Notice and card", file=file_name(name, "pdf"), mime=PDF, make=make
        )
    return Paper(
        label="All notices and cards (ZIP)",
        file=file_name(f"notices-{subject}", "zip"),
        mime=ZIP,
        make=make,
    )


def _pdf(
    label: str,
    name: str,
    gather: Callable[[Any, Connection, dict[str, Any]], "Document"],
) -> Paper:
    def make(at: Connection) -> bytes:
        from daemon import papers, reports  # noqa: PLC0415 -- loads the page setter

        return reports.pdf(gather(papers, at, _how(at)))

    return Paper(label=label, file=file_name(name, "pdf"), mime=PDF, make=make)


def _how(at: Connection) -> dict[str, Any]:
    return {"issued_at": datetime.now(UTC), "issuer": at.settings.product.issuer}


def _contained(at: Connection, subject: str) -> Containment:
    return contain(at.store, Records.of(at.store, at.name, at.product.keys), subject)
