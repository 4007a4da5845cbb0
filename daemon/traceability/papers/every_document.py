"""Every document: what it is of, how it is called for, where its facts come from.

A document is declared here, once: `holdpoint report` and the pages offer what stands
in this table. Nothing here loads the Store or the page setter, so that help and pages
wait for neither.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from config import Settings
    from daemon.judging import ProductModel
    from daemon.presentation.documents import Document
    from storage import Store

__all__ = ["DOCUMENTS", "Declared", "Of"]


class Of(StrEnum):
    """What a document is of, in the words in which a command asks for it."""

    UNIT = "SERIAL"
    BUILD = "BUILD"
    FINDING = "FINDING"
    CONTAINMENT = "FINDING|REEL"


@dataclass(frozen=True, slots=True)
class Declared:
    """One document.

    Parameters
    ----------
    of
        What it is of.
    facts
        File and function in this room that gather what stands in it. It is given Store,
        product and subject, `issued_at` and `issuer`.
    title
        On its button.
    file
        What the file that a page gives is called, before its subject.
    says, more
        The first sentence of its help, and what else stands there.
    many
        Whether it is several documents, which a page gives in one ZIP.
    """

    of: Of
    facts: str
    title: str
    file: str
    says: str
    more: str = ""
    many: bool = False
    plans: bool = False
    """Whether it tells what is to be done, so that its function takes `settings`."""

    def gather(
        self,
        store: "Store",
        product: "ProductModel",
        subject: str,
        *,
        issued_at: datetime,
        issuer: str,
        settings: "Settings",
        **asked: Any,
    ) -> "tuple[Document, ...]":
        """Return the document, or all of them, of what the Store remembers.

        Each has a number of its own: with other content it is another document.

        Parameters
        ----------
        settings
            In force now.
        asked
            What else its function takes.

        Raises
        ------
        storage.errors.NotFoundError
            There is no such subject.
        daemon.traceability.papers.misnamed.MisnamedError
            It is one that other documents are of.
        daemon.presentation.documents.errors.ReportError
            It cannot be made of this subject.
        """
        if self.plans:
            asked["settings"] = settings
        from daemon.presentation.documents import filed  # noqa: PLC0415 -- see the top
        from storage import NotFoundError  # noqa: PLC0415

        try:
            made = self.function()(
                store, product, subject, issued_at=issued_at, issuer=issuer, **asked
            )
        except NotFoundError as exc:
            of_another = import_module(f"{__package__}.misnamed")
            other = of_another.misnamed(store, product.settings.name, self.of, subject)
            raise other or exc from exc
        simulated = settings.bench is not None and settings.bench.simulated
        return tuple(
            filed(one, simulated=simulated) for one in (made if self.many else (made,))
        )

    def function(self) -> Callable[..., Any]:
        """Return what gathers its facts; loads the file that has it."""
        file, _, name = self.facts.partition(".")
        found: Callable[..., Any] = getattr(
            import_module(f"{__package__}.{file}"), name
        )
        return found


DOCUMENTS: Mapping[str, Declared] = {
    "unit": Declared(
        Of.UNIT, "unit.unit_record", "Test record", "test-record",
        "Write the test record of a unit.",
        "It tells the latest run.",
    ),
    "build": Declared(
        Of.BUILD, "build.build_release", "Release record", "release-record",
        "Write the release record of a build.",
    ),
    "sheet": Declared(
        Of.BUILD, "sheet.build_sheet", "Sheet for the bench", "bench-sheet",
        "Write the sheet for the bench.",
        "SERIALS such as PA-1001..PA-1030 stand on it to be scanned.",
        plans=True,
    ),
    "supplier": Declared(
        Of.FINDING, "letters.supplier_report", "Report to the supplier",
        "supplier-report",
        "Write a claim to the supplier.",
        "It is the nonconformance report on the reel that a finding names.",
    ),
    "customer": Declared(
        Of.UNIT, "letters.customer_notice", "Customer's notice and card", "notice",
        "Write the notice on one unit.",
        "It goes to whoever has the unit, with its correction card.",
    ),
    "customers": Declared(
        Of.CONTAINMENT, "recall_letters.notices_of", "All notices and cards (ZIP)",
        "notices",
        "Write the notice to all holders.",
        "Everybody who has a unit that the finding concerns gets one, with its card.",
        many=True,
    ),
}  # fmt: skip
"""Word after `holdpoint report` to the document; in the order of help and pages."""
