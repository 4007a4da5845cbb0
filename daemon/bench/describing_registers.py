"""An instrument that has registers, described by what it shows meanwhile.

Nobody needs to know which registers hold its reading, nor how. A person says what the
instrument shows, changes that once or twice, and the registers that follow tell.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from typing import Any, NamedTuple

from config import Dialogue, number
from daemon.bench.connection import RegisterLine
from daemon.bench.describing_frames import STEADY, shown_number
from daemon.bench.register_finding import Place, Shown, changing, places

__all__ = ["RegistersFound", "describe_registers", "require_answer"]

Open = Callable[[str], RegisterLine]
"""Opens the line, with a word order."""

TABLES = ("input", "holding")
LOOKED_FOR = "0-127"
BLOCK = 32
"""So many registers are asked for at once; where it refuses, half as many."""
TIMES = 3
"""They are read for each value that is shown."""
PATIENCE = 4
"""A table of which so many questions were not answered has no more registers."""
BESIDE, LONGEST = 2, 8
"""A register that a manual names may be counted otherwise, and fill several."""
HIGHEST = 65_535
SHOWN = 5

CHANGES = (
    ("What does it show now", True),
    ("Have it show another number, as large as it can. What does it show then", True),
    (
        "Have it show one below zero, as with its leads swapped. What does it show",
        False,
    ),
    ("Have it show a fourth number. What does it show then", False),
)
"""What a person is asked, and whether it must be answered."""


class RegistersFound(NamedTuple):
    """What registers hold a reading, as a profile says it."""

    word_order: str | None
    keys: dict[str, Any]
    of_reading: dict[str, Any]
    """Of `[exchange.read]`."""


class _Block(NamedTuple):
    table: str
    first: int
    many: int


def require_answer(line: RegisterLine) -> None:
    """See that a device answers, be it that it has no such register.

    Raises
    ------
    OSError
        It does not, or the line is gone.
    ValueError
        It does not; a gateway said so.
    """
    first, *others = TABLES
    try:
        line.words(first, 0, 1)
    except (TimeoutError, ValueError):
        for table in others:
            line.words(table, 0, 1)


def describe_registers(
    dialogue: Dialogue, opened: Open, unit: str
) -> RegistersFound | None:
    """Find out which registers hold a reading, and how.

    Parameters
    ----------
    unit
        In which the reading is told.

    Returns
    -------
    RegistersFound or None
        None where it could not be found out; that was said.

    Raises
    ------
    OSError
        The line is gone.
    """
    finding = _Finding(dialogue, opened, unit)
    try:
        return finding.found()
    finally:
        finding.close()


class _Finding:
    def __init__(self, dialogue: Dialogue, opened: Open, unit: str) -> None:
        self._dialogue = dialogue
        self._opened = opened
        self._unit = unit
        self._line = opened("high first")
        self._blocks: list[_Block] = []
        self._fault = ""

    def close(self) -> None:
        self._line.close()

    def found(self) -> RegistersFound | None:
        where = self._dialogue.put(
            "Where is its reading? As its manual says, such as 30001 or input 0; or "
            "from where to where it is looked for",
            _where,
            why="Registers are read only, nothing is written. 40001 of a manual is "
            "holding 0, 30001 is input 0.",
            default=LOOKED_FOR,
        )
        self._blocks = [one for block in where for one in self._readable(block)]
        if not self._blocks:
            why = f": {self._fault}" if self._fault else ", it has none there"
            self._dialogue.say(f"  No register there can be read{why}.", again=True)
            return None
        self._dialogue.say(f"  These can be read: {_said_blocks(self._blocks)}.")
        shown: list[Shown] = []
        for question, needed in CHANGES:
            self._see(shown, f"{question}, in {self._unit}?", needed=needed)
        place = self._chosen(shown)
        return None if place is None else self._made(place, shown)

    def _readable(self, block: _Block) -> Iterator[_Block]:
        """Yield the parts of a block that it lets be read."""
        left = [block]
        silent = 0
        while left and silent < PATIENCE:
            table, first, many = left.pop(0)
            if many > BLOCK:
                left[:0] = _parts(table, first, many, BLOCK)
                continue
            try:
                words = self._line.words(table, first, many)
            except (OSError, ValueError) as exc:
                self._fault = str(exc)
                silent += 1
                words = None
            if words is not None:
                yield _Block(table, first, many)
            elif many > 1:
                left[:0] = _parts(table, first, many, many // 2)

    def _words(self) -> dict[tuple[str, int], int]:
        """Return what all registers hold that can be read."""
        held = {}
        for table, first, many in self._blocks:
            try:
                words = self._line.words(table, first, many)
            except (OSError, ValueError):
                continue
            for place, word in enumerate(words or ()):
                held[table, first + place] = word
        return held

    def _see(self, shown: list[Shown], question: str, *, needed: bool) -> None:
        """Ask what is shown, and read the registers meanwhile."""
        known = {one.value for one in shown}

        def read(answer: str) -> Decimal | None:
            value = shown_number(answer)
            if value in known:
                message = f"{answer!r}: must be another number than before"
                raise ValueError(message)
            return value

        value = self._dialogue.put(
            question if needed else f"{question} (Enter: left out)",
            read,
            why=f"{STEADY} All its digits, such as -0.9012 where it shows -901.2 mV.",
            default=None if needed else "",
        )
        if value is not None:
            words = tuple(self._words() for _ in range(TIMES))
            shown.append(Shown(value=value, words=words))

    def _chosen(self, shown: Sequence[Shown]) -> Place | None:
        """Return where the reading is; asked where several registers hold it."""
        found = places(shown)
        if not found:
            moved = ", ".join(f"{table} {at}" for table, at in sorted(changing(shown)))
            self._dialogue.say(
                "  No registers hold what was shown. "
                + (f"These changed: {moved}." if moved else "None of them changed.")
                + " Its reading may stand elsewhere, or something moved meanwhile.",
                again=True,
            )
            return None
        found = self._signed(found, shown)
        if len(found) == 1:
            return found[0]
        self._dialogue.say("  Several hold what was shown, the likeliest first:")
        found = found[:SHOWN]
        for place, one in enumerate(found, 1):
            self._dialogue.say(f"  {place}: {self._said(one)}")

        def read(answer: str) -> Place:
            if answer not in {str(one) for one in range(1, len(found) + 1)}:
                message = f"{answer!r}: must be 1 to {len(found)}"
                raise ValueError(message)
            return found[int(answer) - 1]

        return self._dialogue.put(
            "Which of them is its reading?",
            read,
            why="As its manual says. A number of 32 bits reaches further than one of "
            "16, and one with digits after the point is finer than a count.",
            default="1",
        )

    def _signed(self, found: list[Place], shown: Sequence[Shown]) -> list[Place]:
        """Leave out what counts below zero, or does not, where both fit."""
        counts = [one for one in found if not one.type.startswith("float")]
        both = {one.spot for one in counts if one.signed}
        both &= {one.spot for one in counts if not one.signed}
        if not both or any(one.value < 0 for one in shown):
            return found
        below = self._dialogue.agree(
            "Can it show a number below zero?",
            why="A count without a sign reaches twice as far; with one it may be "
            "below zero. No number below zero was shown.",
            default=True,
        )
        return [
            one
            for one in found
            if one not in counts or one.spot not in both or one.signed == below
        ]

    def _made(self, place: Place, shown: Sequence[Shown]) -> RegistersFound:
        """Return what the profile says; ask what only a manual knows."""
        self._dialogue.say(f"  The reading is in {self._said(place)}.")
        keys: dict[str, Any] = {"read": place.text}
        of_reading: dict[str, Any] = {}
        factor, offset = place.factor, place.offset
        if not place.exact:
            factor, offset = self._by_its_manual(place)
        if factor < 0 or offset:
            of_reading = {"factor": factor} | ({"offset": offset} if offset else {})
        elif factor != 1.0:
            keys["scale"] = factor
        over = self._over(place, shown)
        if over is not None:
            keys["beyond_range"] = re.escape(over)
        return RegistersFound(place.word_order, keys, of_reading)

    def _by_its_manual(self, place: Place) -> tuple[float, float]:
        """Ask for a factor that what was shown tells to its own digits only."""
        factor = self._dialogue.put(
            f"By what is its number multiplied, to be in {self._unit}? About "
            f"{place.factor:.6g}, by what was shown",
            number(float),
            why="Type what the manual says, with all its digits: what was shown tells "
            "it no better than its own digits do.",
            default=f"{place.factor:.9g}",
        )
        if not place.offset:
            return factor, 0.0
        offset = self._dialogue.put(
            f"What is added to that, in {self._unit}? About {place.offset:.6g}",
            number(float),
            why="Its reading where its number is 0.",
            default=f"{place.offset:.9g}",
        )
        return factor, offset

    def _over(self, place: Place, shown: Sequence[Shown]) -> str | None:
        """Have it show overload; return what stands for that, where one number does."""
        if not self._dialogue.agree(
            "Have it show overload, such as too much on its smallest range. Is that "
            "done?",
            why="What stands in its registers then must not be a reading. No: it "
            "cannot be done now.",
            default=False,
        ):
            return None
        line = self._opened(place.word_order or "high first")
        try:
            held = {line.query(place.text) for _ in range(TIMES)}
        finally:
            line.close()
        self._dialogue.say(f"  Then it says {' and '.join(sorted(held))}.")
        if len(held) > 1:
            self._dialogue.say("  That changes, so nothing tells it from a reading.")
            return None
        (text,) = held
        read = float(text) * place.factor + place.offset
        if any(abs(read - float(one.value)) <= one.near for one in shown):
            self._dialogue.say("  That is a reading which was shown before.")
            return None
        return text

    def _said(self, place: Place) -> str:
        """Return a place in words."""
        last = place.number + place.width - 1
        where = f"{place.table} {place.number}"
        if place.word_order is not None:
            first = "high" if place.word_order == "high first" else "low"
            where += f" to {last}, the {first} word first"
        if place.exact and place.factor == 1.0:
            counts = f"in {self._unit}"
        elif place.exact:
            counts = f"in units of {place.factor:g} {self._unit}"
        else:
            counts = f"in units of about {place.factor:.6g} {self._unit}"
        if place.offset:
            counts += f", {place.offset:.6g} {self._unit} added"
        return f"{where}: {place.type}, {counts}"


def _where(answer: str) -> list[_Block]:
    """Return which registers an answer means.

    Raises
    ------
    ValueError
        None.
    """
    if of_manual := re.fullmatch(r"([34])(\d{4}|\d{5})", answer):
        table = "input" if of_manual[1] == "3" else "holding"
        return [_around(table, max(0, int(of_manual[2]) - 1))]
    if named := re.fullmatch(r"(input|holding) +(\d+)", answer):
        return [_around(named[1], int(named[2]))]
    if part := re.fullmatch(r"(\d+) *(?:-|to) *(\d+)", answer):
        first, last = int(part[1]), int(part[2])
        if first <= last <= HIGHEST:
            return [_Block(table, first, last - first + 1) for table in TABLES]
    message = (
        f"{answer!r}: must be a register, such as 30001, 40001, input 0 or holding 0; "
        f"or from where to where, such as {LOOKED_FOR}, at most {HIGHEST}"
    )
    raise ValueError(message)


def _parts(table: str, first: int, many: int, of_first: int) -> list[_Block]:
    return [
        _Block(table, first, of_first),
        _Block(table, first + of_first, many - of_first),
    ]


def _around(table: str, at: int) -> _Block:
    first = max(0, at - BESIDE)
    return _Block(table, first, at - first + LONGEST)


def _said_blocks(blocks: Sequence[_Block]) -> str:
    """Return registers in words, those that follow each other together."""
    spans: list[list[Any]] = []
    for table, first, many in blocks:
        if spans and spans[-1][0] == table and spans[-1][2] + 1 == first:
            spans[-1][2] = first + many - 1
        else:
            spans.append([table, first, first + many - 1])
    return ", ".join(
        f"{table} {first}" + (f" to {last}" if last > first else "")
        for table, first, last in spans
    )
