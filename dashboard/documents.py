"""Documents to take along: made when somebody clicks, never before."""

import io
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from typing import Any

import streamlit as st

from config import HoldpointError
from daemon.presentation import file_name
from daemon.traceability import Containment, cards, contain, page, records_about, table
from daemon.traceability.papers import DOCUMENTS, Of
from dashboard import data, look
from dashboard.data import Connection
from storage import StorageError

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
                look.plain(one.label),
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


def every(of: Of, subject: str) -> list[Paper]:
    """Return every document that is declared of such a thing."""
    return [named(name, subject) for name, paper in DOCUMENTS.items() if paper.of is of]


def named(name: str, subject: str) -> Paper:
    """Return one document by the word that its command has."""
    declared = DOCUMENTS[name]

    def make(at: Connection) -> bytes:
        from daemon.presentation import documents  # noqa: PLC0415 -- loads the page setter

        made = declared.gather(
            at.store,
            at.product,
            subject,
            issued_at=datetime.now(UTC),
            issuer=at.settings.product.issuer,
            settings=at.settings,
        )
        if not declared.many:
            return documents.pdf(made[0])
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
            for each in made:
                file.writestr(file_name(each.number, "pdf"), documents.pdf(each))
        return out.getvalue()

    mime = ZIP if declared.many else PDF
    file = file_name(f"{declared.file}-{subject}", mime.rpartition("/")[2])
    return Paper(label=declared.title, file=file, mime=mime, make=make)


def of_reel(shown: data.Shown, reel: str) -> list[Paper]:
    """Return what is declared of each finding on a reel that stands."""
    named = [one for one in shown.current if one.reel == reel and one.part]
    papers = [(found, paper) for found in named for paper in of_finding(found.signal)]
    if len(named) == 1:
        return [paper for _, paper in papers]
    return [
        replace(paper, label=f"{paper.label}, {found.signal}")
        for found, paper in papers
    ]


def of_finding(finding: str) -> list[Paper]:
    """Return what is declared of a finding."""
    return every(Of.FINDING, finding)


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


def _contained(at: Connection, subject: str) -> Containment:
    return contain(
        at.store,
        records_about(at.store, at.name, at.product.keys, subject),
        subject,
        at.product,
    )
