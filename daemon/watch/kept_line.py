"""The line in the Store: what is kept of a fold, and what a fold asks for of it.

Numbers are kept bit for bit, so that a fold that goes on from there says the same as
one that took every run again.
"""

import json
import zlib
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from functools import cache
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

import daemon.spc.detector
import daemon.watch
from config import HoldpointError, Settings
from daemon.judging import ProductModel
from daemon.spc.detector import Culprit, Line, State
from daemon.watch.events import CheckErrors, Errors, UnitErrors
from daemon.watch.fold import EVERY, Checkpoint, Event, Fold
from daemon.watch.loose_parts import LooseParts, loose_parts
from daemon.watch.segment import (
    BenchEvent,
    Checked,
    Content,
    OddUnit,
    Segment,
    SetUp,
    Version,
)
from storage import (
    Evaluation,
    Fitting,
    KeptLine,
    LineBench,
    LineMark,
    LinePiece,
    LineSegment,
    Mark,
    ReelCheck,
    Store,
    reel_of,
)

FAST = 1
"""How hard the compression tries: the rest is noise that nothing makes smaller."""
PIECE = 8192
"""Characters a row."""


NOT_WHOLE = (ValueError, KeyError, TypeError, IndexError, zlib.error)
"""What reading a damaged text ends in."""


class KeptLineError(HoldpointError):
    """What was worked out of earlier runs cannot be read; it has been let go of."""


class StoredPast:
    """What a product's fold asks for of the Store; see `fold.Past`.

    Parameters
    ----------
    store, product
        Where, and whose.
    events
        Gives what came after a mark, as of `fold.Past`.
    runs_of
        Gives a unit's runs below a number.
    """

    def __init__(
        self,
        store: Store,
        product: ProductModel,
        *,
        events: Callable[[int, int], list[Event]],
        runs_of: Callable[[str, int], list[UnitErrors]],
    ) -> None:
        self.events = events
        self.runs_of = runs_of
        self._store = store
        self._name = product.settings.name
        self._layout = product.layout

    def fittings_of(self, build: str) -> Sequence[Fitting]:
        """Return a build's fittings."""
        return self._store.rows(Fitting, product=self._name, build=build)

    def loose_parts(self, reel: str) -> LooseParts | None:
        """Return what was read of a reel before it was fitted."""
        checks = self._store.rows(ReelCheck, reel=reel, incoming=True)
        if not checks:
            return None
        nominal_ohm = reel_of(self._store, reel).nominal_ohm
        parts = [
            1e6 * (one / nominal_ohm - 1) for each in checks for one in each.readings
        ]
        worst_ohm = max(one.uncertainty_ohm for one in checks)
        return loose_parts(parts, 1e6 * worst_ohm / nominal_ohm)

    def content(self, segment: Segment, number: int) -> Content:
        """Return what was in a segment at a mark."""
        pieces = self._store.rows(
            LinePiece, product=self._name, segment=segment.index, number=number
        )
        text = "".join(one.body for one in pieces)
        try:
            return content_of(text, Line(self._layout), segment.build)
        except NOT_WHOLE as exc:
            self._let_go()
            message = (
                "what was kept of earlier runs cannot be read: stop the daemon and "
                "start it again, it then works it out anew; no run is lost"
            )
            raise KeptLineError(message) from exc

    def _let_go(self) -> None:
        """Drop all that was kept, so that the next start works it out again."""
        (mark,) = self._store.rows(Mark, product=self._name)
        nothing = LineMark(product=self._name, number=0, fingerprint="", body="")
        self._store.record_evaluation(
            Evaluation(
                product=self._name,
                number=mark.number,
                lines=(KeptLine(after=-1, mark=nothing),),
            )
        )

    def bench(self, place: int) -> tuple[int, list[BenchEvent]]:
        """Return what the bench did from an event on, and which is the first here."""
        rows = self._store.rows(
            LineBench, "line_bench_from", product=self._name, place=place
        )
        events = [_bench_event(one) for row in rows for one in json.loads(row.body)]
        return (rows[0].place if rows else place), events


def kept_of(fold: Fold, product: str, fingerprint: str) -> tuple[KeptLine, ...]:
    """Return what is to be kept of a fold at its marks since it was last kept."""
    lines: list[KeptLine] = []
    after = fold.kept_to
    place, bench = fold.bench_unkept()
    gone = fold.gone()
    done: set[tuple[int, int]] = set()
    for one in fold.unkept:
        versions = [
            pair
            for pair in fold.versions_unkept(one.number)
            if (pair[0].index, pair[1].number) not in done
        ]
        done |= {(segment.index, kept.number) for segment, kept in versions}
        new, bench = bench[: one.bench - place], bench[one.bench - place :]
        pieces = [
            LineBench(
                product=product,
                place=place,
                number=one.number,
                body=json.dumps([_of_bench(event) for event in new]),
            )
        ]
        lines.append(
            KeptLine(
                after=after,
                mark=LineMark(
                    product=product,
                    number=one.number,
                    fingerprint=fingerprint,
                    body=_of_mark(one, fold.found_bad_now),
                ),
                segments=tuple(_row(product, *pair) for pair in versions),
                pieces=tuple(
                    piece for pair in versions for piece in _pieces(product, *pair)
                ),
                bench=tuple(pieces if new else ()),
                dropped=tuple(
                    LineMark(product=product, number=number, fingerprint="", body="")
                    for number in gone
                ),
            )
        )
        after, place, gone = one.number, one.bench, []
    return tuple(lines)


def go_on_from(
    fold: Fold, store: Store, product: str, fingerprint: str, *, until: int
) -> str | None:
    """Let an empty fold go on from what is kept; say why not where it cannot.

    Parameters
    ----------
    fold, store, product
        Which, from where.
    fingerprint
        Of `fingerprint_of`: what was worked out by another is not gone by.
    until
        The watermark: what was kept of runs above it is of another store.
    """
    marks = store.rows(LineMark, product=product)
    if not marks:
        # So few are looked through at every start, in no time: nobody is told.
        return "what they taught was not stored yet" if until >= EVERY else None
    if any(one.fingerprint != fingerprint for one in marks):
        return "records, settings or program are others than before"
    if marks[-1].number > until:
        return "what was kept is of later runs"
    try:
        bodies = [json.loads(one.body) for one in marks]
        checkpoints = [
            _checkpoint(one.number, body)
            for one, body in zip(marks, bodies, strict=True)
        ]
        segments = _segments(store.rows(LineSegment, product=product), fold)
        if len(segments) != checkpoints[-1].segments:
            return "what was kept is not whole"
        found_bad = [(what, name) for what, name in bodies[-1]["found_bad"]]
        if (active := checkpoints[-1].active) is not None:
            # The one that is gone on with: read now, while all can be folded again.
            _ = segments[active].content
    except (*NOT_WHOLE, KeptLineError):
        return "what was kept cannot be read"
    fold.go_on_from(checkpoints, segments, found_bad)
    return None


def _segments(rows: Sequence[LineSegment], fold: Fold) -> list[Segment]:
    segments: list[Segment] = []
    for row in rows:
        if row.segment == len(segments):
            segment = Segment(
                index=row.segment,
                build=row.build,
                reels=tuple(json.loads(row.reels)),
                first=row.first,
                build_first=row.build_first,
                source=None if row.source is None else segments[row.source],
                content=None,
                fetch=fold.fetch,
            )
            segment.first_number = row.first_number
            segments.append(segment)
        segment = segments[row.segment]
        segment.count, segment.last_number = row.units, row.last_number
        segment.versions.append(
            Version(
                number=row.number,
                count=row.units,
                last_number=row.last_number,
                content=None,
            )
        )
    return segments


def _row(product: str, segment: Segment, kept: Version) -> LineSegment:
    return LineSegment(
        product=product,
        segment=segment.index,
        number=kept.number,
        build=segment.build,
        reels=json.dumps(segment.reels),
        source=None if segment.source is None else segment.source.index,
        first=segment.first,
        build_first=segment.build_first,
        units=kept.count,
        first_number=segment.first_number,
        last_number=kept.last_number,
    )


def _pieces(product: str, segment: Segment, kept: Version) -> Iterator[LinePiece]:
    if kept.content is None:
        raise LookupError(segment.index)
    text = text_of(kept.content)
    for piece, first in enumerate(range(0, len(text), PIECE)):
        yield LinePiece(
            product=product,
            segment=segment.index,
            number=kept.number,
            piece=piece,
            body=text[first : first + PIECE],
        )


# ---- what is in a segment, as text


def text_of(content: Content) -> str:
    """Return what is in a segment as text: arrays bit for bit, compressed."""
    units = content.units
    place = {id(unit): index for index, unit in enumerate(units)}
    ranges = content.line.layout.ranges
    variance = np.full((len(units), ranges), np.nan)
    for row, unit in zip(variance, units, strict=True):
        if unit.variance_ppm2 is not None:
            row[:] = unit.variance_ppm2
    arrays = [
        *content.line.saved(),
        np.array([unit.errors_ppm for unit in units], np.float64),
        variance,
    ]
    told = {
        "arrays": [[one.dtype.str, one.shape] for one in arrays],
        "bench_taken": content.bench_taken,
        "unseated": content.unseated,
        "settled": [
            [where.cause, where.place, *what] for where, what in content.settled.items()
        ],
        "odd": [
            [
                place[id(odd.unit)],
                odd.place,
                odd.probability,
                odd.size_ppm,
                odd.reach_ppm,
                odd.again,
            ]
            for odd in content.odd
        ],
        "units": [
            [
                unit.number,
                unit.run,
                unit.serial,
                unit.at.isoformat(),
                unit.session,
                unit.set_up,
                unit.seatable,
                unit.variance_ppm2 is not None,
                unit.ambient_c,
                unit.again,
            ]
            for unit in units
        ],
    }
    head = json.dumps(told).encode()
    packed = b"".join(
        [len(head).to_bytes(8, "little"), head, *(one.tobytes() for one in arrays)]
    )
    return b64encode(zlib.compress(packed, FAST)).decode()


def content_of(text: str, line: Line, build: str) -> Content:
    """Return what is in a segment of a build, from `text_of`; into a new `line`."""
    packed = zlib.decompress(b64decode(text))
    begin = 8 + int.from_bytes(packed[:8], "little")
    told = json.loads(packed[8:begin])
    arrays = []
    for kind, shape in told["arrays"]:
        dtype = np.dtype(kind)
        size = int(np.prod(shape, dtype=np.int64))
        flat = np.frombuffer(packed, dtype, size, begin)
        arrays.append(flat.reshape(shape).copy())
        begin += size * dtype.itemsize
    *state, errors, variance = arrays
    line.restore(State(*state))
    units = [
        UnitErrors(
            number=number,
            run=run,
            serial=serial,
            build=build,
            errors_ppm=errors[index],
            at=datetime.fromisoformat(at),
            session=session,
            set_up=set_up,
            seatable=seatable,
            variance_ppm2=variance[index] if measured else None,
            ambient_c=ambient_c,
            again=again,
        )
        for index, (
            number, run, serial, at, session, set_up, seatable, measured, ambient_c,
            again,
        ) in enumerate(told["units"])
    ]  # fmt: skip
    return Content(
        line=line,
        bench_taken=told["bench_taken"],
        units=units,
        unseated=told["unseated"],
        settled={
            Culprit(cause, place): (number, likely)
            for cause, place, number, likely in told["settled"]
        },
        odd=[
            OddUnit(
                unit=units[index],
                place=place,
                probability=probability,
                size_ppm=size_ppm,
                reach_ppm=reach_ppm,
                again=again,
            )
            for index, place, probability, size_ppm, reach_ppm, again in told["odd"]
        ],
    )


# ---- marks and the bench, as JSON: a float's shortest text is that float again


def _of_mark(one: Checkpoint, found_bad: frozenset[tuple[str, str]]) -> str:
    told = {
        "segments": one.segments,
        "active": one.active,
        "bench": one.bench,
        "session": one.session,
        "standard": one.standard,
        "walk_ppm": _listed(one.walk_ppm),
        "trusted": sorted(
            one.trusted, key=lambda place: -1 if place is None else place
        ),
        "found_bad": sorted(found_bad),
    }
    return json.dumps(told)


def _checkpoint(number: int, told: Mapping[str, Any]) -> Checkpoint:
    return Checkpoint(
        number=number,
        segments=told["segments"],
        active=told["active"],
        bench=told["bench"],
        session=told["session"],
        standard=told["standard"],
        walk_ppm=_numbers(told["walk_ppm"]),
        trusted=frozenset(told["trusted"]),
    )


def _of_bench(event: BenchEvent) -> list[Any]:
    if isinstance(event, SetUp):
        return [event.number, event.session, _listed(event.walk_ppm)]
    check = event.check
    return [
        check.number,
        check.session,
        _listed(check.errors_minus_known_ppm),
        _listed(check.variance_ppm2),
        _listed(check.allowed_ppm2),
        check.at.isoformat(),
        check.standard,
        event.first,
    ]


def _bench_event(told: Sequence[Any]) -> BenchEvent:
    number, session, numbers, *more = told
    if not more:
        return SetUp(number=number, session=session, walk_ppm=_numbers(numbers))
    variance, allowed, at, standard, first = more
    check = CheckErrors(
        number=number,
        session=session,
        errors_minus_known_ppm=np.array(numbers, np.float64),
        variance_ppm2=np.array(variance, np.float64),
        allowed_ppm2=np.array(allowed, np.float64),
        at=datetime.fromisoformat(at),
        standard=standard,
    )
    return Checked(check=check, first=first)


def _listed(numbers: Errors | None) -> list[float] | None:
    return None if numbers is None else numbers.tolist()


def _numbers(told: list[float] | None) -> Errors | None:
    return None if told is None else np.array(told, np.float64)


# ---- what it was worked out with


def fingerprint_of(product: ProductModel, settings: Settings) -> str:
    """Return the name of all that a line depends on beside its rows.

    The product as the detector takes it, what the bench resolves, the program and the
    libraries that reckon. Limits are no part of it: they judge the line and do not
    change it. Nor are check standards: what was known of them comes with each run.
    """
    layout = product.layout
    bench = settings.bench
    depends_on = [
        product.keys,
        product.watched_parts,
        [dict(one.tempco_ppm_per_k) for one in product.ranges],
        [one.nominal_transfer for one in product.ranges],
        product.tolerance_ppm.tolist(),
        layout.tolerance_ppm.tolist(),
        layout.sensitivity.tolist(),
        layout.unit_ppm,
        layout.ratio.tolist(),
        layout.tempco.tolist(),
        layout.reel_factors,
        layout.level,
        asdict(layout.assumed),
        None
        if bench is None
        else _without_addresses(
            bench.model_dump(
                mode="json", exclude={"check_standard", "further_standards"}
            )
        ),
        _program(),
    ]
    return sha256(json.dumps(depends_on).encode()).hexdigest()[:32]


def _without_addresses(told: Any) -> Any:
    """Return settings less where instruments are reached."""
    if isinstance(told, dict):
        return {
            name: _without_addresses(value)
            for name, value in told.items()
            if name != "address"
        }
    return told


@cache
def _program() -> str:
    """Return the name of the program that folds: of its text, and of what reckons."""
    digest = sha256()
    for text in _texts():
        digest.update(text)
    for library in ("numpy", "numba"):
        digest.update(version(library).encode())
    return digest.hexdigest()


def _texts() -> Iterator[bytes]:
    for room in (daemon.spc.detector, daemon.watch):
        for file in sorted(Path(str(room.__file__)).parent.glob("*.py")):
            yield file.read_bytes()
