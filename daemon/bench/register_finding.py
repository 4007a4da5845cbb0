"""Registers that nobody described: which of them hold what an instrument showed.

Pure: words as they were read, and what a person saw the instrument show meanwhile.
"""

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import isclose, isfinite
from statistics import median

__all__ = ["Place", "Shown", "Words", "changing", "places"]

Words = Mapping[tuple[str, int], int]
"""What registers hold, by table and number."""

FORMATS = {
    "float32": "f", "float64": "d",
    "int16": "h", "int32": "i", "int64": "q",
    "uint16": "H", "uint32": "I", "uint64": "Q",
}  # fmt: skip
WHOLE = "hiqHIQ"
TENS = (*range(-15, 7),)
"""Powers of ten that a count may stand for."""
DIGITS_OFF = 1.5
"""What is shown and what is read are of two moments: so many digits apart at most."""
LARGEST = 1e30
WITH_OFFSET = 3
"""So many values at least tell a factor and an offset."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What was shown, and what registers held meanwhile, each time they were read."""

    value: Decimal
    words: tuple[Words, ...]

    @property
    def near(self) -> float:
        """How far from it a reading may be, in its unit."""
        return DIGITS_OFF * 10.0 ** int(self.value.as_tuple().exponent)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A number in registers; what is shown is number x `factor` + `offset`."""

    table: str
    number: int
    type: str
    word_order: str | None
    """None where it fills one register."""
    factor: float
    offset: float
    exact: bool
    """Whether the factor is a power of ten, not reckoned from what was shown."""
    counts: float
    """The largest that was read: more counts tell finer steps."""

    @property
    def width(self) -> int:
        """Registers that it fills."""
        return struct.calcsize(FORMATS[self.type]) // 2

    @property
    def signed(self) -> bool:
        """Whether it may be below zero."""
        return not self.type.startswith("u")

    @property
    def spot(self) -> tuple[str, int, int, str | None]:
        """Where it is, whether it may be below zero or not."""
        return self.table, self.number, self.width, self.word_order

    @property
    def registers(self) -> frozenset[int]:
        """Their numbers."""
        return frozenset(range(self.number, self.number + self.width))

    @property
    def text(self) -> str:
        """The command that reads it."""
        return f"{self.table} {self.number} {self.type}"


def places(shown: Sequence[Shown]) -> list[Place]:
    """Return where registers hold what was shown each time, the likeliest first.

    Parameters
    ----------
    shown
        Two values at least, that differ.

    Notes
    -----
    A number whose further registers change along with it is no shorter one: the sign
    of 32 bits stands in the register beside. Where nothing fits through zero, three
    values also tell an offset.
    """
    found = list(_fitting(shown, offset=False))
    if not found and len({one.value for one in shown}) >= WITH_OFFSET:
        found = list(_fitting(shown, offset=True))
    moved = changing(shown)
    whole = [
        one
        for one in found
        if not any(
            one.table == other.table
            and one.registers < other.registers
            and {(one.table, at) for at in other.registers - one.registers} & moved
            for other in found
        )
    ]
    return sorted(
        whole,
        key=lambda one: (
            not one.exact,
            not one.type.startswith("float"),
            -one.counts,
            one.number % one.width,
            -one.width,
            not one.signed,
            one.table != "input",
            one.number,
        ),
    )


def changing(shown: Sequence[Shown]) -> frozenset[tuple[str, int]]:
    """Return the registers that held something else once something else was shown."""
    held: dict[tuple[str, int], set[int]] = {}
    for one in shown:
        for key, word in one.words[-1].items():
            held.setdefault(key, set()).add(word)
    return frozenset(key for key, words in held.items() if len(words) > 1)


def _fitting(shown: Sequence[Shown], *, offset: bool) -> Iterator[Place]:
    moved = changing(shown)
    for table, number in sorted(shown[0].words[0]):
        for type_, form in FORMATS.items():
            width = struct.calcsize(form) // 2
            keys = [(table, number + one) for one in range(width)]
            if moved.isdisjoint(keys):
                continue
            for order in ("high first", "low first") if width > 1 else (None,):
                lowest = keys[0] if order == "low first" else keys[-1]
                if form in WHOLE and lowest not in moved:
                    continue  # a shorter number, times a power of two
                numbers = _numbers(shown, keys, form, order)
                fit = numbers and _fit(numbers, shown, offset=offset)
                if numbers and fit:
                    yield Place(
                        table=table,
                        number=number,
                        type=type_,
                        word_order=order,
                        factor=fit[0],
                        offset=fit[1],
                        exact=fit[2],
                        counts=max(map(abs, numbers)),
                    )


def _numbers(
    shown: Sequence[Shown],
    keys: Sequence[tuple[str, int]],
    form: str,
    order: str | None,
) -> list[float]:
    """Return what registers held as one number; none where that cannot be."""
    keys = keys[::-1] if order == "low first" else keys
    numbers = []
    for one in shown:
        if any(key not in words for words in one.words for key in keys):
            return []
        held = [
            struct.unpack(
                f">{form}", b"".join(words[key].to_bytes(2, "big") for key in keys)
            )[0]
            for words in one.words
        ]
        if not all(isfinite(number) and abs(number) < LARGEST for number in held):
            return []
        numbers.append(float(median(held)))
    return numbers


def _fit(
    numbers: Sequence[float], shown: Sequence[Shown], *, offset: bool
) -> tuple[float, float, bool] | None:
    """Return factor, offset, and whether the factor is a power of ten; None: no fit."""
    values = [float(one.value) for one in shown]
    if len(set(numbers)) < len(set(values)):
        return None

    def fits(factor: float, added: float = 0.0) -> bool:
        return all(
            abs(number * factor + added - value) <= one.near
            for number, value, one in zip(numbers, values, shown, strict=True)
        )

    if not offset:
        for power in TENS:
            if fits(10.0**power):
                return float(f"1e{power}"), 0.0, True
        weight = sum(one * one for one in numbers)
        factor = sum(map(float.__mul__, numbers, values)) / weight if weight else 0.0
        return (factor, 0.0, False) if factor and fits(factor) else None
    count = len(numbers)
    mean, mean_value = sum(numbers) / count, sum(values) / count
    spread = sum((one - mean) ** 2 for one in numbers)
    factor = (
        sum((one - mean) * value for one, value in zip(numbers, values, strict=True))
        / spread
    )
    added = mean_value - factor * mean
    if isclose(factor, 0.0) or not fits(factor, added):
        return None
    return factor, added, False
