"""What pages are made of, before it is known whether they become paper or mail."""

from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256
from typing import Protocol

from daemon.presentation.documents.content import Image

CODE_DIGITS = 6
"""Of what a document says: among some thousand of one subject two rarely share it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """The words over a part."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Prose:
    """A paragraph; a strong one carries the answer, a quiet one the fine print."""

    text: str
    tone: str = "plain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """Several sentences, one below the other."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Pairs of a name and its value; empty values are left out."""

    rows: tuple[tuple[str, str], ...]

    @property
    def told(self) -> tuple[tuple[str, str], ...]:
        """Return the pairs that say something."""
        return tuple(row for row in self.rows if row[1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: its heading, its share of the width, numbers to the right."""

    heading: str
    share: float = 1.0
    number: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A table; the head is repeated on each page."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """Pictures over the whole width, or side by side."""

    images: tuple[Image, ...]
    beside: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Lines to sign on."""

    labels: tuple[str, ...]


Block = Heading | Prose | Listed | Facts | Grid | Pictures | Signature


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A whole document: what it is, for whom it stands, and its parts in order."""

    title: str
    about: str
    number: str
    issuer: str
    issued_at: datetime
    blocks: tuple[Block, ...]


class Document(Protocol):
    """What can be set on paper."""

    @property
    def number(self) -> str:
        """What it is filed under."""
        ...

    def paper(self) -> Paper:
        """Return its parts in order."""
        ...


@dataclass(frozen=True, slots=True)
class Filed:
    """A document under a number of its own: two that say other things have two."""

    number: str
    made: Paper

    def paper(self) -> Paper:
        """Return its parts in order."""
        return self.made


SIMULATED = (
    "Simulated: the program played this bench. No unit in this document is real."
)


def filed(document: Document, *, simulated: bool = False) -> Filed:
    """Return a document with a code of all that it says behind its number.

    When it was issued is left out: the same content keeps its number.

    Parameters
    ----------
    simulated
        Whether no instrument was real, which then stands above all else.
    """
    paper = document.paper()
    if simulated:
        first = Prose(text=SIMULATED, tone="strong")
        paper = replace(paper, blocks=(first, *paper.blocks))
    said = repr((paper.title, paper.about, paper.number, paper.issuer, paper.blocks))
    number = f"{paper.number}-{sha256(said.encode()).hexdigest()[:CODE_DIGITS]}"
    return Filed(number=number, made=replace(paper, number=number))
