"""A document was asked of a thing of another kind: what there is of that one."""

from collections.abc import Mapping
from shlex import quote

from daemon.traceability.papers.every_document import DOCUMENTS, Of
from storage import Build, Reel, Signal, StorageError, Store, Unit

OF: Mapping[Of, tuple[str, ...]] = {
    Of.UNIT: ("unit",),
    Of.BUILD: ("build",),
    Of.FINDING: ("finding",),
    Of.CONTAINMENT: ("finding", "reel"),
}
"""What may be named for a document."""


class MisnamedError(StorageError):
    """A document is of another kind of thing than the one that was named."""


def misnamed(store: Store, product: str, of: Of, subject: str) -> MisnamedError | None:
    """Say what was named in place of what `of` asks for; None for a name of nothing."""
    kind = _kind(store, product, subject)
    if kind is None:
        return None
    if kind in OF[of]:
        never = kind == "unit"
        return MisnamedError(f"unit {subject} was never measured") if never else None
    there = " or ".join(
        f"`holdpoint report {word} {quote(subject)}`"
        for word, one in DOCUMENTS.items()
        if kind in OF[one.of]
    )
    return MisnamedError(
        f"{subject} is a {kind}, but this document is about a {' or a '.join(OF[of])}. "
        f"About a {kind} there is: {there}"
    )


def _kind(store: Store, product: str, subject: str) -> str | None:
    """Return what is called so in the records of a product."""
    if any(one.product == product for one in store.rows(Unit, serial=subject)):
        return "unit"
    found = store.rows(Signal, "signals", product=product)
    named = {
        "finding": [one.signal for one in found],
        "build": [one.build for one in store.rows(Build, product=product)],
        "reel": [one.reel for one in store.rows(Reel, reel=subject)],
    }
    return next((kind for kind, names in named.items() if subject in names), None)
