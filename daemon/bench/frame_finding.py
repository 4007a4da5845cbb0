"""Frames of bytes that nobody described: where one begins, and how it holds a number.

Pure: bytes as they were heard, and what a person saw the instrument show meanwhile.
"""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from math import floor, log10
from typing import Any, Literal, NamedTuple

from config import Frame
from daemon.bench.framing import CHECKSUMS

__all__ = ["Coding", "Layout", "Seen", "codings", "is_text", "layout", "pattern"]

SHORTEST, LONGEST = 3, 200
REPEATS = 4
"""So many frames at least tell where one begins."""
LIKELY = 0.25
"""Share of a frame's bytes that stay the same from one to the next, at least."""
OFTEN = 0.6
"""Share of the pieces that begin where frames do, once silence parts them."""
WIDEST = {"signed": 4, "unsigned": 4, "float": 8, "digits": 12}
NEAR = 0.002
DIGITS_OFF = 5
"""What is shown and what is sent are of two moments: so far apart they may be."""
RANGE_BYTES = 4
"""Of a run that tells range and sign; what tells the function may lie within."""
ANY = ".."


def is_text(heard: bytes) -> bool:
    r"""Whether all of it is plain text.

    Examples
    --------
    >>> is_text(b"+1.25 V\r\n"), is_text(b"\xd7\x28\x01")
    (True, False)
    """
    return all(one in b"\t\r\n" or 0x20 <= one < 0x7F for one in heard)  # noqa: PLR2004


class Layout(NamedTuple):
    """How frames of one length lie in what was heard, and those frames."""

    length: int
    checksum: Literal["none", "sum", "xor"]
    frames: tuple[bytes, ...]


def layout(
    pieces: Sequence[bytes],
    *,
    length: int | None = None,
    first: int | None = None,
    checksum: str | None = None,
) -> Layout | None:
    """Return how frames lie in what was heard; None where nothing repeats.

    Parameters
    ----------
    pieces
        What came, parted where it was silent for a moment.
    length, first, checksum
        Of a frame, where they are known: its bytes, its first byte, what its last is.

    Notes
    -----
    A frame is as long as most pieces are; where none are alike, as long as most bytes
    stand the same in each, or a part of that whose last byte is a checksum. It begins
    where most pieces begin, else where its last byte is a checksum of all before, else
    where the longest run of bytes begins that stay the same.
    """
    heard = b"".join(pieces)
    length = length or _usual(pieces) or _repeated(heard)
    if length is None or len(heard) < 2 * length:
        return None
    places = [
        at
        for at in range(length)
        if at in (same := _constant(heard, length))
        and (first is None or same[at] == first)
    ]
    if not places:
        return None
    begun = Counter(at % length for at in _beginnings(pieces) if len(pieces) >= REPEATS)
    at = max(
        places,
        key=lambda one: (
            begun[one] > OFTEN * begun.total() > 0,
            _checksum(_cut(heard, one, length), checksum) != "none",
            _run(same, one, length),
            -one,
        ),
    )
    frames = _cut(heard, at, length)
    return Layout(length, _checksum(frames, checksum), frames)


def _usual(pieces: Sequence[bytes]) -> int | None:
    """Return how long most pieces are, where silence parts enough of them."""
    lengths = Counter(map(len, pieces))
    ((length, many),) = lengths.most_common(1) or [(0, 0)]
    told = many >= max(REPEATS, OFTEN * lengths.total())
    return length if told and SHORTEST <= length <= LONGEST else None


def _repeated(heard: bytes) -> int | None:
    """Return after how many bytes most of them are the same again."""
    lengths = range(SHORTEST, min(LONGEST, len(heard) // REPEATS) + 1)
    rated = [(len(_constant(heard, one)) / one, -one) for one in lengths]
    share, shortest = max(rated, default=(0.0, 0))
    if share < LIKELY:
        return None
    # Readings that take turns repeat after several frames only.
    parts = (one for one in lengths if -shortest % one == 0 and -shortest != one)
    return next((one for one in parts if _adds_up(heard, one)), -shortest)


def _adds_up(heard: bytes, length: int) -> bool:
    return any(
        _checksum(_cut(heard, at, length), None) != "none" for at in range(length)
    )


def _beginnings(pieces: Sequence[bytes]) -> Iterator[int]:
    at = 0
    for one in pieces:
        yield at
        at += len(one)


def _constant(heard: bytes, length: int) -> dict[int, int]:
    """Return the bytes that stand the same in each frame, by their place."""
    columns = ((at, set(heard[at::length])) for at in range(length))
    return {at: next(iter(one)) for at, one in columns if len(one) == 1}


def _cut(heard: bytes, at: int, length: int) -> tuple[bytes, ...]:
    return tuple(
        heard[one : one + length] for one in range(at, len(heard) - length + 1, length)
    )


def _checksum(
    frames: Sequence[bytes], known: str | None
) -> Literal["none", "sum", "xor"]:
    for name in ("sum", "xor"):
        if known in {None, name} and all(
            CHECKSUMS[name](one[:-1]) == one[-1] for one in frames
        ):
            return "sum" if name == "sum" else "xor"
    return "none"


def _run(same: Mapping[int, int], at: int, length: int) -> int:
    """Return how many bytes from a place on stay the same."""
    many = 0
    while many < length and (at + many) % length in same:
        many += 1
    return many


class Seen(NamedTuple):
    """Frames that came while an instrument showed a number, in the profile's unit."""

    shown: Decimal
    frames: tuple[bytes, ...]


class Coding(NamedTuple):
    """How a frame holds a number: where, as what, and times what by range."""

    at: int
    width: int
    number_is: Literal["signed", "unsigned", "float", "digits"]
    byte_order: Literal["high first", "low first"]
    factors: tuple[tuple[bytes, float], ...]
    """By the bytes that tell the range; those of one range alone are empty."""
    range_at: int = 0


def codings(seen: Sequence[Seen], *, summed: bool) -> list[Coding]:
    """Return how the number may be held that frames and a person both showed.

    The likeliest first: with the fewest factors, then with a sign of its own.

    Parameters
    ----------
    seen
        At least one, not zero; the more differ, the fewer codings are left.
    summed
        Whether a frame's last byte is a checksum, which holds no number.

    Examples
    --------
    >>> both = [
    ...     Seen(Decimal(shown), (bytes.fromhex(raw),))
    ...     for shown, raw in (("9.012", "AB 02 23 34"), ("-0.900", "AB 02 FC 7C"))
    ... ]
    >>> one, *_ = codings(both, summed=False)
    >>> one.at, one.width, one.number_is, one.factors
    (2, 2, 'signed', ((b'', 0.001),))
    """
    length = len(seen[0].frames[0]) - summed
    found: list[Coding] = []
    for number_is, widest in WIDEST.items():
        for width in range(1, widest + 1):
            for at in range(1, length - width + 1):
                for order in ("high first", "low first"):
                    if width == 1 and order == "low first":
                        continue
                    how: Any = (number_is, order)
                    found += _fitting(seen, at, width, how, length)
    # Of bytes that say the same the more are taken: the first of a number may be 0 yet.
    found.sort(
        key=lambda one: (len(one.factors), one.number_is == _unlikely(one), -one.width)
    )
    return found


def _unlikely(coding: Coding) -> str:
    """Return what a number is not likely to be: its sign stands in one place."""
    apart = any(factor < 0 for _, factor in coding.factors)
    return "signed" if apart else "unsigned"


def _fitting(
    seen: Sequence[Seen], at: int, width: int, how: tuple[Any, Any], length: int
) -> Iterator[Coding]:
    """Yield a coding that makes what was shown of each frame, if one does."""
    number_is, order = how
    factors = []
    for one in seen:
        of_one = {
            _factor(_number(frame[at : at + width], number_is, order), one.shown)
            for frame in set(one.frames)
        }
        if len(of_one) != 1 or None in of_one:
            return
        factors.append(of_one.pop() or 0.0)
    made = Coding(at, width, number_is, order, ((b"", factors[0]),))
    if len(set(factors)) == 1:
        yield made
        return
    for many in range(1, RANGE_BYTES + 1):
        for place in range(1, length - many + 1):
            if place < at + width and at < place + many:
                continue
            by_range = _by_range(seen, factors, place, many)
            if by_range is not None:
                yield made._replace(factors=by_range, range_at=place)
                return


def _by_range(
    seen: Sequence[Seen], factors: Sequence[float], at: int, many: int
) -> tuple[tuple[bytes, float], ...] | None:
    """Return which factor goes with which bytes, where these tell them apart."""
    told: dict[bytes, float] = {}
    for one, factor in zip(seen, factors, strict=True):
        for frame in one.frames:
            if told.setdefault(frame[at : at + many], factor) != factor:
                return None
    return tuple(sorted((_with_signs(told) if many > 1 else told).items()))


def _with_signs(told: Mapping[bytes, float]) -> dict[bytes, float]:
    """Add what was not seen where one byte tells the sign and the others the size."""
    for at in range(len(next(iter(told)))):
        sizes = {raw[:at] + raw[at + 1 :]: abs(told[raw]) for raw in told}
        signs = {raw[at]: 1 if told[raw] > 0 else -1 for raw in told}
        made = {
            size[:at] + bytes([byte]) + size[at:]: sign * factor
            for size, factor in sizes.items()
            for byte, sign in signs.items()
        }
        if len(set(signs.values())) == len(signs) and told.items() <= made.items():
            return made
    return dict(told)


def _number(raw: bytes, number_is: Any, order: Any) -> float | None:
    frame = Frame(starts="00", length=LONGEST, number_is=number_is, byte_order=order)
    match = re.fullmatch("(?P<number>.*)", raw.hex(" ").upper())
    return None if match is None else frame.value(match)


def _factor(number: float | None, shown: Decimal) -> float | None:
    """Return the power of ten, either sign, that makes of a number what was shown."""
    value = float(shown)
    if not number or not value or abs(number) > 1e30 or abs(number) < 1e-30:  # noqa: PLR2004
        return None
    power = floor(log10(abs(value / number)) + 0.5)
    factor = 10.0**power * (1 if value / number > 0 else -1)
    digit = 10.0 ** int(shown.as_tuple().exponent)
    off = abs(number * factor - value)
    return factor if off <= max(NEAR * abs(value), DIGITS_OFF * digit) else None


def pattern(
    coding: Coding,
    right: Iterable[bytes],
    other: Iterable[bytes],
    *,
    start: int,
    number: str | None = None,
) -> tuple[str, int]:
    """Return the profile's pattern of a frame, and how many bytes tell its function.

    Parameters
    ----------
    right
        Frames that say the quantity.
    other
        Frames that say another one: what no right frame shares with them is demanded.
    start
        Bytes that every frame begins with.
    number
        What stands for the number's bytes; left out, any do, as a group.
    """
    right, other = list(right), list(other)
    length = len(right[0])
    ranged = len(coding.factors[0][0])
    parts, at, demanded = [], 0, 0
    while at < length:
        if at == coding.at:
            parts.append(number or _group("number", coding.width))
            at += coding.width
        elif ranged and at == coding.range_at:
            parts.append(_group("range", ranged) if number is None else _any(ranged))
            at += ranged
        else:
            here = {one[at] for one in right}
            tells = len(here) == 1 and other and here.isdisjoint(o[at] for o in other)
            demanded += bool(tells)
            parts.append(f"{right[0][at]:02X}" if tells or at < start else ANY)
            at += 1
    return " ".join(parts), demanded


def _any(many: int) -> str:
    return " ".join([ANY] * many)


def _group(name: str, many: int) -> str:
    return f"(?P<{name}>{_any(many)})"
