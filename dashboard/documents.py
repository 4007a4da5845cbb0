"""Documents to take along: made when somebody clicks, never before."""

import io
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Any

import streamlit as st

from config import HoldpointError
from daemon.presentation import file_name
from daemon.traceability import Containment, Records, cards, contain, page, table
from dashboard import data
from dashboard.data import Connection
from storage import StorageError

if TYPE_CHECKING:  # the page setter takes a while to load
    from daemon.presentation.documents import Document

Make = Callable[[Connection], bytes]
PDF, CSV, HTML, ZIP = "application/pdf", "text/csv", "text/html", "application/zip"


class UndoneError(HoldpointError):
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
    from daemon.presentation.documents import ReportError  # noqa: PLC0415 -- loads the page setter

    try:
        return paper.make(data.connection())
    except (StorageError, ReportError) as exc:
        remarks.say(f"document {paper.file} was not made: {exc}")
        raise UndoneError(str(exc)) from exc


def unit_record(serial: str) -> Paper:
    """Return the record of a unit's latest run."""
    return _pdf("Test record", "test-record", serial, lambda by: by.unit_record)


def release_record(build: str) -> Paper:
    """Return the release record of a build."""
    return _pdf("Release record", "release-record", build, lambda by: by.build_release)


def build_sheet(build: str) -> Paper:
    """Return what lies on the bench while a build is measured."""
    return _pdf("Sheet for the bench", "bench-sheet", build, lambda by: by.build_sheet)


def supplier_report(finding: str) -> Paper:
    """Return what a finding says to whoever supplied its reel."""
    return _pdf(
        "Report to the supplier",
        "supplier-report",
        finding,
        lambda by: by.supplier_report,
    )


def of_reel(shown: data.Shown, reel: str) -> list[Paper]:
    """Return a report to the supplier for each finding on a reel that stands."""
    named = [one for one in shown.current if one.reel == reel and one.part]
    if len(named) == 1:
        return [supplier_report(named[0].signal)]
    return [
        replace(paper, label=f"{paper.label}, {one.signal}")
        for one in named
        for paper in [supplier_report(one.signal)]
    ]


def customer_notice(serial: str) -> Paper:
    """Return the notice to a unit's holder, from its own latest errors."""
    return _pdf(
        "Customer's notice and card", "notice", serial, lambda by: by.customer_notice
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


def notices(subject: str) -> Paper:
    """Return the notices to all holders of a containment."""

    def make(at: Connection) -> bytes:
        from daemon.presentation import documents  # noqa: PLC0415 -- loads the page setter
        from daemon.traceability.papers import recall_letters  # noqa: PLC0415

        written = recall_letters.notices(
            _contained(at, subject), at.product, **_how(at)
        )
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
            for one in written:
                file.writestr(file_name(one.number, "pdf"), documents.pdf(one))
        return out.getvalue()

    return Paper(
        label="All notices and cards (ZIP)",
        file=file_name(f"notices-{subject}", "zip"),
        mime=ZIP,
        make=make,
    )


def _pdf(
    label: str,
    name: str,
    subject: str,
    gatherer: Callable[[Any], Callable[..., "Document"]],
) -> Paper:
    """Return a document on one thing; `gatherer` picks its function."""

    def make(at: Connection) -> bytes:
        # Loads the page setter.
        from daemon.presentation import documents  # noqa: PLC0415
        from daemon.traceability import papers  # noqa: PLC0415

        gather = gatherer(papers)
        return documents.pdf(gather(at.store, at.product, subject, **_how(at)))

    file = file_name(f"{name}-{subject}", "pdf")
    return Paper(label=label, file=file, mime=PDF, make=make)


def _how(at: Connection) -> dict[str, Any]:
    return {"issued_at": datetime.now(UTC), "issuer": at.settings.product.issuer}


def _contained(at: Connection, subject: str) -> Containment:
    return contain(at.store, Records.of(at.store, at.name, at.product.keys), subject)
