"""An instrument that sends frames of bytes, described by what it shows meanwhile.

Nobody needs to know how its frames are made. A person says what the instrument shows,
changes that a few times, and what its bytes do along with it tells the rest.
"""

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal, InvalidOperation
from re import fullmatch
from typing import Any

from config import Dialogue, Kind, Profile
from daemon.bench.frame_finding import (
    Coding,
    Layout,
    Seen,
    codings,
    is_text,
    layout,
    pattern,
)
from daemon.bench.framing import Frames

__all__ = [
    "STEADY",
    "FramesFound",
    "Hear",
    "describe_frames",
    "offered",
    "shown_number",
]

Hear = Callable[[], list[bytes]]
"""Returns what comes now, parted where it is silent for a moment."""
SHOWN = 3
LONGEST_START = 2
FramesFound = dict[str, Any]
"""Keys of a profile."""

STEADY = "Wait until what it shows stands still."
CHANGES = (
    ("What does it show now", True),
    ("Have it show another number on the same range. What does it show then", True),
    ("Swap its leads, so that its sign is the other. What does it show then", False),
    ("Have it show a number on another range. What does it show then", False),
    ("Have it show a number on a third range. What does it show then", False),
)
"""What a person is asked, and whether it must be answered."""


def offered(dialogue: Dialogue, heard: Sequence[bytes]) -> bool:
    """Show bytes that are no text; return whether they are to be taken as frames."""
    said = b"".join(heard)
    if not said or is_text(said):
        return False
    dialogue.say(f"  It sends bytes that are no text: {_hex(said[:24])} ...")
    return dialogue.agree(
        "Are these frames of bytes, to be found out by what it shows?",
        why="No: it sends lines, and another baud or parity would make them text.",
        default=True,
    )


def shown_number(answer: str) -> Decimal | None:
    """Return what an instrument shows, digit by digit; None of an empty answer.

    Raises
    ------
    ValueError
        It is no number, or zero, which tells nothing of where it is held.
    """
    if not answer:
        return None
    try:
        shown = Decimal(answer.replace(",", "."))
    except InvalidOperation:
        shown = Decimal("nan")
    if not shown.is_finite() or not shown:
        message = f"{answer!r}: must be a number with all its digits, not 0"
        raise ValueError(message)
    return shown


def describe_frames(
    dialogue: Dialogue,
    hear: Hear,
    unit: str,
    kind: Kind,
    known: Mapping[str, Profile],
    *,
    asked: bool = False,
) -> FramesFound | None:
    """Find out how frames hold a reading; return that as keys of a profile.

    Parameters
    ----------
    hear
        Hears them anew.
    unit
        In which the reading is told.
    known
        Profiles that may fit as they are, by name.
    asked
        Whether each piece that is heard is one answer.

    Returns
    -------
    dict or None
        None where it could not be found out; that was said.
    """
    return _Finding(dialogue, hear, unit, asked=asked).found(kind, known)


class _Finding:
    def __init__(
        self, dialogue: Dialogue, hear: Hear, unit: str, *, asked: bool
    ) -> None:
        self._dialogue = dialogue
        self._hear = hear
        self._unit = unit
        self._asked = asked
        self._like: Layout | None = None
        """How the frames lay that were heard first, or surest."""

    def found(self, kind: Kind, known: Mapping[str, Profile]) -> FramesFound | None:
        frames = self._frames()
        if not frames:
            return None
        self._show(frames)
        fits = self._known(frames, kind, known)
        return self._by_what_it_shows() if fits is None else fits

    def _frames(self) -> tuple[bytes, ...]:
        """Return frames that come now; none, and said so, where nothing repeats."""
        pieces, like = self._hear(), self._like
        length = None if like is None else like.length
        if like is None and self._whole(pieces):
            length = len(pieces[0])
        found = layout(
            pieces,
            length=length,
            first=like.frames[0][0] if like else None,
            checksum=like.checksum if like else None,
        )
        if found is None and like is not None:  # its checksum was one by chance
            found = layout(pieces, length=length, first=like.frames[0][0])
        if found is None:
            heard = _hex(b"".join(pieces)[:60]) or "nothing"
            self._dialogue.say(
                f"  No frames of one length are seen in that: {heard}. See that baud "
                "and parity are right, and that its sending is turned on.",
                again=True,
            )
            return ()
        if like is None or "none" in {found.checksum, like.checksum}:
            self._like = found
        return found.frames

    def _whole(self, pieces: Sequence[bytes]) -> bool:
        return self._asked and len({len(one) for one in pieces}) == 1

    def _show(self, frames: Sequence[bytes]) -> None:
        say = self._dialogue.say
        say(f"  Frames of {len(frames[0])} bytes, the newest first:")
        for one in list(dict.fromkeys(reversed(frames)))[:SHOWN]:
            say(f"    {_hex(one)}")

    def _known(
        self, frames: Sequence[bytes], kind: Kind, known: Mapping[str, Profile]
    ) -> FramesFound | None:
        """Offer a profile that reads these frames as they are, if one does."""
        for name, one in known.items():
            if one.frame is None or one.kind is not kind:
                continue
            value = _read_by(one, frames)
            if value is None:
                continue
            self._dialogue.say(
                f"  As profile {name!r} reads them, it shows {value:.9g} {self._unit}."
            )
            if self._dialogue.agree(
                "Does the instrument show that?",
                why="No: its frames are made otherwise, and are found out.",
                default=False,
            ):
                said = one.model_dump(
                    include={"number", "beyond_range", "frame", "scale"},
                    exclude_defaults=True,
                )
                return dict(said)
        return None

    def _by_what_it_shows(self) -> FramesFound | None:
        seen: list[Seen] = []
        for question, needed in CHANGES:
            if not self._see(seen, f"{question}, in {self._unit}?", needed=needed):
                return None
        like = self._like
        left = codings(seen, summed=like is not None and like.checksum != "none")
        if not left:
            self._dialogue.say(
                "  No bytes of these frames hold what was shown. Something moved while "
                "it was heard; or their digits are pictures of a display's segments: "
                'then type what it shows, with profile = "typed".',
                again=True,
            )
            return None
        return self._made(left[0], seen)

    def _see(self, seen: list[Seen], question: str, *, needed: bool) -> bool:
        """Ask what is shown and hear what comes then; False where no frames came."""
        shown = self._dialogue.put(
            question if needed else f"{question} (Enter: left out)",
            shown_number,
            why=f"{STEADY} All its digits, such as -0.9012 where it shows -901.2 mV.",
            default=None if needed else "",
        )
        if shown is None:
            return True
        frames = self._frames()
        if frames:
            seen.append(Seen(shown, frames))
        return bool(frames)

    def _other(self, question: str, why: str) -> tuple[bytes, ...]:
        """Have a person change something; return the frames that come then."""
        done = self._dialogue.agree(f"{question} Is that done?", why=why, default=True)
        return self._frames() if done else ()

    def _made(self, coding: Coding, seen: Sequence[Seen]) -> FramesFound:
        """Return the keys of a profile; ask what must not be taken for a reading."""
        right = [frame for one in seen for frame in one.frames]
        self._say_coding(coding)
        other = self._other(
            "Turn it to another function, such as ohms, at any reading.",
            "Its frames must not be read as this quantity. No: none is there.",
        )
        over = self._other(
            "Turn it back, and have it show overload, such as by open leads on ohms "
            "or too much on a small range.",
            "What it sends then must not be a reading. No: it cannot be done now.",
        )
        if over:
            self._dialogue.agree(
                "Have it show a reading again. Is that done?",
                why="It is read by its new profile next.",
                default=True,
            )
        start = min(_alike([*right, *other, *over]), LONGEST_START, coding.at)
        if coding.factors[0][0]:
            start = min(start, coding.range_at)
        if not start:
            self._dialogue.say("  Its frames have no byte that all begin with.")
            return {}
        number, told = pattern(coding, right, other, start=start)
        known = {raw for raw, _ in coding.factors}
        ranged = slice(coding.range_at, coding.range_at + len(coding.factors[0][0]))
        told += bool(coding.factors[0][0]) and known.isdisjoint(
            one[ranged] for one in other
        )
        if other and not told:
            self._dialogue.say(
                "  Nothing in its frames says the function: whoever turns it to "
                "another one has that read as this quantity."
            )
        frame: dict[str, Any] = {
            "starts": _hex(right[0][:start]),
            "length": len(right[0]),
            "number_is": coding.number_is,
            "byte_order": coding.byte_order,
        }
        if self._like is not None and self._like.checksum != "none":
            frame["checksum"] = self._like.checksum
        found: FramesFound = {"number": number}
        if coding.factors[0][0]:
            frame["factors"] = {_hex(raw): factor for raw, factor in coding.factors}
        elif coding.factors[0][1] != 1.0:
            found["scale"] = coding.factors[0][1]
        held = {one[coding.at : coding.at + coding.width] for one in over}
        if len(held) == 1:
            found["beyond_range"], _ = pattern(
                coding, right, other, start=start, number=_hex(held.pop())
            )
        found["frame"] = frame
        return found

    def _say_coding(self, coding: Coding) -> None:
        last = coding.at + coding.width
        self._dialogue.say(
            f"  The number is in bytes {coding.at + 1} to {last} of a frame: "
            f"{coding.number_is}, {coding.byte_order}."
        )
        for raw, factor in coding.factors:
            where = f" where {_hex(raw)} stands from byte {coding.range_at + 1} on"
            where = where if raw else ""
            self._dialogue.say(f"  It counts {factor:g} {self._unit}{where}.")


def _read_by(profile: Profile, frames: Sequence[bytes]) -> float | None:
    """Return what a profile reads in the newest frame, if all are such readings."""
    how = profile.frame
    if how is None:
        return None
    values = []
    for one in frames:
        try:
            text = Frames(how.start, how.length, how.checksum).text(one)
        except ValueError:
            return None
        match = fullmatch(profile.number, text)
        value = None if match is None else how.value(match)
        if value is None:
            return None
        values.append(value * profile.scale)
    return values[-1]


def _alike(frames: Sequence[bytes]) -> int:
    """Return how many bytes all of them begin with."""
    for at, column in enumerate(zip(*frames, strict=True)):
        if len(set(column)) > 1:
            return at
    return len(frames[0])


def _hex(raw: bytes) -> str:
    return raw.hex(" ").upper()
