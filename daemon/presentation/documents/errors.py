"""What can go wrong with a document.

ReportError
    FontMissingError     the letters that a document is set in are not there
    LayoutError          the page could not be set
    ImageError           a picture that cannot be read, or is too large
    NoSupplierError      a finding for which no supplier answers
    WithdrawnError       a finding that concerns nobody any more
"""

from config import HoldpointError


class ReportError(HoldpointError):
    """A document cannot be made."""


class FontMissingError(ReportError):
    """The letters are not where the program keeps them."""

    def __init__(self, *, family: str, folder: str) -> None:
        super().__init__(
            f"font {family} is missing from {folder}; install the program anew"
        )
        self.family = family
        self.folder = folder


class LayoutError(ReportError):
    """The page could not be set."""

    def __init__(self, *, document: str, reason: str) -> None:
        super().__init__(f"document {document} could not be set: {reason}")
        self.document = document
        self.reason = reason


class ImageError(ReportError):
    """A picture cannot be used."""

    def __init__(self, *, name: str, reason: str) -> None:
        super().__init__(f"picture {name}: {reason}")
        self.name = name
        self.reason = reason


class NoSupplierError(ReportError):
    """A finding names no reel that was received, so no supplier is concerned."""

    def __init__(self, *, finding: str) -> None:
        super().__init__(
            f"finding {finding} names no reel, so there is nobody to write to. If its "
            "parts came on a reel, record it with `holdpoint reel add REEL --nominal "
            "VALUE --tolerance SHARE`, and which part it feeds with `holdpoint reel "
            "fit REEL PART --build BUILD --from SERIAL`. Imported units: import the "
            "same sheet again then. The finding names the reel from then on"
        )
        self.finding = finding


class WithdrawnError(ReportError):
    """A finding was withdrawn: it concerns nobody, so nobody is written to."""

    def __init__(self, *, why: str) -> None:
        super().__init__(why)
