"""Documents from their content: as PDF, as pictures of the pages, as a mail."""

from daemon.presentation.documents.blocks import Document
from daemon.presentation.documents.setting import set_pdf, set_png


def pdf(document: Document) -> bytes:
    """Return a document as PDF/A-1b; the same content gives the same bytes.

    Raises
    ------
    daemon.presentation.documents.errors.ReportError
        Naming the font, the picture or the reason.
    """
    return set_pdf(document.paper())


def png(document: Document, *, dots_per_inch: float = 110.0) -> tuple[bytes, ...]:
    """Return pictures of a document's pages.

    Raises
    ------
    daemon.presentation.documents.errors.ReportError
        Naming the font, the picture or the reason.
    """
    return set_png(document.paper(), dots_per_inch=dots_per_inch)


def html(document: Document) -> str:
    """Return a document for a mail: one page, nothing fetched from anywhere.

    Raises
    ------
    daemon.presentation.documents.errors.ReportError
        Naming the picture that cannot be used.
    """
    # Its pictures need a drawing library that no PDF does.
    from daemon.presentation.documents.mail import as_html  # noqa: PLC0415

    return as_html(document.paper())
