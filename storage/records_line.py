"""What the watch has worked out, kept so that a start goes on from there.

All of it follows from the runs and from what people recorded: it may be dropped at any
time, and is worked out again.
"""

from dataclasses import dataclass, field

from storage.kept import Kept, Record


@dataclass(frozen=True, slots=True, kw_only=True)
class LineMark(Record):
    """A product's line after run `number`.

    `fingerprint` names what it was worked out with, `body` is JSON.
    """

    kept = Kept(key=("product", "number"), by="record_evaluation")

    product: str
    number: int
    fingerprint: str
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSegment(Record):
    """A segment of the line, the `segment`th from 0, as it was at the mark `number`.

    `reels` is a JSON list; `source` the segment of its build that it forked from;
    `first` and `build_first` places of units on the line.
    """

    kept = Kept(key=("product", "segment", "number"), by="record_evaluation")

    product: str
    segment: int
    number: int
    build: str
    reels: str
    source: int | None
    first: int
    build_first: int
    units: int
    first_number: int
    last_number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePiece(Record):
    """The `piece`th piece, from 0, of what is in a segment at a mark; compressed."""

    kept = Kept(key=("product", "segment", "number", "piece"), by="record_evaluation")

    product: str
    segment: int
    number: int
    piece: int
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineBench(Record):
    """What the bench did up to the mark `number`, from its `place`th event on."""

    kept = Kept(key=("product", "place"), by="record_evaluation")

    product: str
    place: int
    number: int
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLine:
    """What is to be kept of a line at a mark.

    Attributes
    ----------
    after
        What was kept of runs with higher numbers is not so any more.
    mark, segments, pieces, bench
        What is new with it.
    dropped
        Earlier marks that nobody goes back to any more.
    """

    after: int
    mark: LineMark
    segments: tuple[LineSegment, ...] = field(default=())
    pieces: tuple[LinePiece, ...] = field(default=())
    bench: tuple[LineBench, ...] = field(default=())
    dropped: tuple[LineMark, ...] = field(default=())
