"""Documents from their content: as PDF, as pictures of the pages, as a mail."""

from daemon.presentation.documents.blocks import Paper
from daemon.presentation.documents.build import build_release
from daemon.presentation.documents.content import (
    BuildRelease,
    BuildSheet,
    CustomerNotice,
    Document,
    SupplierReport,
    UnitRecord,
)
from daemon.presentation.documents.customer import customer_notice
from daemon.presentation.documents.mail import as_html
from daemon.presentation.documents.setting import set_pdf, set_png
from daemon.presentation.documents.supplier import supplier_report
from daemon.presentation.documents.unit import build_sheet, unit_record


def paper_of(document: Document) -> Paper:
    """Return a document's parts in order."""
    match document:
        case UnitRecord():
            return unit_record(document)
        case BuildRelease():
            return build_release(document)
        case SupplierReport():
            return supplier_report(document)
        case CustomerNotice():
            return customer_notice(document)
        case BuildSheet():
            return build_sheet(document)


def pdf(document: Document) -> bytes:
    """Return a document as PDF/A-1b; the same content gives the same bytes.

    Raises
    ------
    daemon.presentation.documents.errors.ReportError
        Naming the font, the picture or the reason.
    """
    return set_pdf(paper_of(document))


def png(document: Document, *, dots_per_inch: float = 110.0) -> tuple[bytes, ...]:
    """Return pictures of a document's pages.

    Raises
    ------
    daemon.presentation.documents.errors.ReportError
        Naming the font, the picture or the reason.
    """
    return set_png(paper_of(document), dots_per_inch=dots_per_inch)


def html(document: Document) -> str:
    """Return a document for a mail: one page, nothing fetched from anywhere.

    Raises
    ------
    daemon.presentation.documents.errors.ReportError
        Naming the picture that cannot be used.
    """
    return as_html(paper_of(document))
