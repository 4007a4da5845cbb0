"""Readings that come as frames of bytes in place of lines.

A frame is shown as its bytes in hexadecimal, such as ``D7 28 01 04 D2 D6``: the
profile's `number` is a pattern of that, as it is of a line elsewhere.
"""

import re
import struct
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from config.strict import Problem, Strict, matching, where_whole

__all__ = ["Frame"]

HexBytes = Annotated[
    str,
    Field(min_length=2, max_length=60),
    matching(r"[0-9A-F]{2}(?: [0-9A-F]{2})*", "bytes such as D7 28"),
]
Factor = Annotated[float, Field(ge=-1e15, le=1e15)]
DIGITS = r"[+-]? *(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
FLOATS = {4: "f", 8: "d"}


class Frame(Strict):
    """Frames of one length that all begin alike, and how a number is coded in them."""

    starts: HexBytes
    """Bytes that each frame begins with."""
    length: Annotated[int, Field(ge=2, le=200)]
    """Bytes of a whole frame, its beginning included."""
    number_is: Literal["signed", "unsigned", "float", "digits"]
    """How the bytes of the number are read; digits are characters."""
    byte_order: Literal["high first", "low first"] = "high first"
    """Which byte of a number comes first."""
    checksum: Literal["none", "sum", "xor"] = "none"
    """What the last byte is of all bytes before it."""
    factors: dict[HexBytes, Factor] = Field(default={})
    """By what the number is multiplied: bytes of the pattern's group `range`."""

    @property
    def start(self) -> bytes:
        """What each frame begins with."""
        return bytes.fromhex(self.starts)

    def value(self, match: re.Match[str]) -> float | None:
        """Return the number in a frame that the profile's pattern matches.

        None where its bytes are no such number, or its range is not known.

        Examples
        --------
        >>> one = Frame(
        ...     starts="AB", length=4, number_is="signed", factors={"01": 0.001}
        ... )
        >>> pattern = "AB (?P<range>..) (?P<number>.. ..)"
        >>> one.value(re.fullmatch(pattern, "AB 01 FB 2E"))
        -1.234
        """
        try:
            raw = bytes.fromhex(match["number"])
        except (TypeError, ValueError):  # no whole bytes
            return None
        order: Literal["big", "little"] = (
            "big" if self.byte_order == "high first" else "little"
        )
        number: float
        match self.number_is:
            case "digits":
                if order == "little":
                    raw = raw[::-1]
                shown = raw.decode("ascii", "replace").strip().replace(",", ".")
                if re.fullmatch(DIGITS, shown) is None:
                    return None
                number = float(shown.replace(" ", ""))
            case "float":
                if len(raw) not in FLOATS:
                    return None
                mark = ">" if order == "big" else "<"
                (number,) = struct.unpack(mark + FLOATS[len(raw)], raw)
            case _:
                signed = self.number_is == "signed"
                number = float(int.from_bytes(raw, order, signed=signed))
        if not self.factors:
            return number
        factor = self.factors.get(match["range"])
        return None if factor is None else number * factor

    def wrong_pattern(self, pattern: str) -> Iterator[str]:
        """Yield what is wrong with the profile's `number` for frames."""
        groups = re.compile(pattern).groupindex
        if "number" not in groups:
            yield "must have a group (?P<number>...) around the number's bytes"
        if bool(self.factors) != ("range" in groups):
            yield "a group (?P<range>...) and factors of [frame] go together"
        if "prefix" in groups:
            yield "a frame has no prefix; its factors say that"

    def problems(self) -> Iterator[Problem]:
        """Refuse a frame that ends before its beginning does."""
        with where_whole:
            if self.length <= len(self.start):
                yield Problem(
                    path=("length",), problem="must be more than starts has bytes"
                )
        for said, factor in self.factors.items():
            with where_whole:
                if factor == 0:
                    yield Problem(path=("factors", said), problem="must not be 0")
