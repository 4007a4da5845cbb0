"""What more belongs to one command than its text: answers, and its number's map."""

import re
from collections.abc import Iterator
from math import isclose, trunc
from typing import Annotated

from pydantic import AfterValidator, Field

from config.strict import Name, Problem, Strict, matching, where_whole

__all__ = ["MAPS", "Command", "Commands", "Exchange", "Pattern"]

MAPS = ("unit", "factor", "offset", "whole", "lowest", "highest", "texts")
"""Keys that say what becomes of a number."""

PREFIXES = {"": 1.0, **{one: 10.0 ** (3 * n) for n, one in enumerate("fpnum", -5)}}
PREFIXES |= {one: 10.0 ** (3 * n) for n, one in enumerate("kMG", 1)}
SAME_NUMBER = 1e-9
"""Two numbers this close, relatively, are one."""
ALMOST_WHOLE = 1e-9
"""What arithmetic leaves away of a whole number, relatively."""

Command = Annotated[
    str,
    Field(min_length=1, max_length=200),
    matching(r"[ -~]+", "plain ASCII characters"),
]
Commands = Annotated[tuple[Command, ...], Field(strict=False)]


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as exc:
        message = f"must be a regular expression; {exc}"
        raise ValueError(message) from exc
    return text


Pattern = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_pattern)]
Bound = Annotated[float, Field(ge=-1e15, le=1e15)]
UnitName = Annotated[
    str,
    Field(min_length=1, max_length=5),
    matching(r"[fpnumkMG]?(?:A|V|ohm)", "A, V or ohm, with an SI prefix or without"),
]


class Exchange(Strict):
    """How one command is answered, and what becomes of the number in it.

    A number is sent as value x `factor` + `offset`, and one that is read is
    answer x `factor` + `offset`; value in ampere, volt or ohm.
    """

    expect: Pattern | None = None
    """Pattern that the whole answer matches; the command waits for it."""
    lines: Annotated[int, Field(ge=1, le=100)] = 1
    """Lines of the answer; `\\n` stands between them in patterns."""
    yes: Pattern | None = None
    no: Pattern | None = None
    """Patterns of an answer that says yes, and no."""
    unit: UnitName | None = None
    """Unit of the number, in place of a factor."""
    factor: Bound = 1.0
    offset: Bound = 0.0
    whole: bool = False
    """Whether the number is whole: rounded towards zero, before `offset`."""
    lowest: Bound | None = None
    highest: Bound | None = None
    """What is sent is never below and never above."""
    texts: dict[Name, Command] = Field(default={})
    """What is sent in place of a value: value to text."""
    before: Commands = ()
    after: Commands = ()
    """Commands that go before it and after it."""

    @property
    def written(self) -> tuple[str, ...]:
        """The keys that say something."""
        return tuple(
            key
            for key, field in type(self).model_fields.items()
            if getattr(self, key) != field.default
        )

    @property
    def maps(self) -> tuple[str, ...]:
        """Those of them that say what becomes of a number."""
        return tuple(key for key in self.written if key in MAPS)

    def sent(self, value: float, digits: int) -> str:
        """Return what stands in a command for a value.

        Parameters
        ----------
        value
            Ampere, volt or ohm.
        digits
            Significant digits of a number that is not whole.

        Raises
        ------
        ValueError
            The command cannot say this value; the text is a sentence's end.

        Examples
        --------
        >>> Exchange(factor=4.095e6, whole=True, highest=4095.0).sent(0.9e-3, 9)
        '3685'
        >>> Exchange(unit="mA").sent(9e-6, 9)
        '0.009'
        >>> Exchange(texts={"1e-3": "R2", "1e-2": "R3"}).sent(0.001, 9)
        'R2'
        """
        if self.texts:
            for key, text in self.texts.items():
                if isclose(float(key), value, rel_tol=SAME_NUMBER):
                    return text
            known = ", ".join(self.texts)
            message = f"the profile has no text for {value:g}; it has {known}"
            raise ValueError(message)
        factor = self.factor if self.unit is None else 1 / _size(self.unit)
        number = value * factor
        if self.whole:
            # Towards zero, so that no source gives more than was asked for.
            number = trunc(number * (1 + ALMOST_WHOLE))
        number += self.offset
        for bound, beyond, word in (
            (self.lowest, self.lowest is not None and number < self.lowest, "lowest"),
            (
                self.highest,
                self.highest is not None and number > self.highest,
                "highest",
            ),
        ):
            if beyond:
                message = f"{value:g} would be sent as {number:g}; {word} is {bound:g}"
                raise ValueError(message)
        return str(round(number)) if self.whole else f"{number:.{digits}g}"

    def chosen(self, position: str) -> str:
        """Return what stands in a command for a switch's position.

        Raises
        ------
        ValueError
            The profile has texts, and none for it.
        """
        if not self.texts:
            return position
        if position not in self.texts:
            known = ", ".join(self.texts)
            message = f"the profile has no text for {position!r}; it has {known}"
            raise ValueError(message)
        return self.texts[position]

    def read(self, number: float) -> float:
        """Return the value of a number that was answered."""
        factor = self.factor if self.unit is None else _size(self.unit)
        return number * factor + self.offset

    def problems(self) -> Iterator[Problem]:
        """Refuse keys that say two things about one number."""
        with where_whole:
            if self.unit is not None and self.factor != 1.0:
                yield Problem(
                    path=("factor",), problem="say either unit or factor, not both"
                )
        with where_whole:
            if self.factor == 0:
                yield Problem(path=("factor",), problem="must not be 0")
        with where_whole:
            if self.whole and self.offset != trunc(self.offset):
                yield Problem(
                    path=("offset",), problem="must be whole, since the number is"
                )
        with where_whole:
            low, high = self.lowest, self.highest
            if low is not None and high is not None and low >= high:
                yield Problem(path=("highest",), problem=f"must be > lowest, {low:g}")
        with where_whole:
            if self.texts and len(self.maps) > 1:
                other = next(key for key in self.maps if key != "texts")
                yield Problem(
                    path=(other,), problem="texts say what is sent; delete one of both"
                )


def _size(unit: str) -> float:
    """Return how much one of a unit is in ampere, volt or ohm."""
    return PREFIXES[unit.removesuffix("ohm").removesuffix("A").removesuffix("V")]
