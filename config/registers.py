"""What a command says to an instrument that has registers instead of words.

Modbus Application Protocol 1.1b3, 4.3: four tables, each counted from 0 as it goes over
the line. Many manuals count from 1, with the table's digit before it: 40001 is
`holding 0`, 30001 is `input 0`.
"""

import re
from collections.abc import Iterator
from typing import Annotated, Literal, NamedTuple

from pydantic import Field

from config.strict import Strict

__all__ = ["TYPES", "Access", "Modbus", "access_of", "wrong_access"]

BITS = ("coil", "discrete")
REGISTERS = ("holding", "input")
WRITABLE = ("coil", "holding")
TYPES = ("int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64")
HIGHEST = 65_535
_ACCESS = re.compile(r"(?P<table>[a-z]+) +(?P<number>\d+)(?P<rest>(?: +\S+)*)")


class Access(NamedTuple):
    """A register, or a bit, that is read or written."""

    table: str
    number: int
    type: str | None
    """None of a bit."""
    value: str | None
    """What is written; None where it is read."""

    @property
    def whole(self) -> bool:
        """Whether it holds whole numbers only."""
        return self.type is None or not self.type.startswith("float")


def access_of(text: str) -> Access:
    """Return what a command says.

    Raises
    ------
    ValueError
        It is no such command; the text says what is.

    Examples
    --------
    >>> access_of("input 12 float32")
    Access(table='input', number=12, type='float32', value=None)
    >>> access_of("coil 3 1").value
    '1'
    """
    match = _ACCESS.fullmatch(text)
    if match is None or match["table"] not in (*BITS, *REGISTERS):
        message = (
            "must be a table (coil, discrete, holding or input), the number of a "
            "register, its type, and what is written to it: 'holding 10 float32 5'"
        )
        raise ValueError(message)
    table, number, rest = match["table"], int(match["number"]), match["rest"].split()
    if number > HIGHEST:
        message = f"register {number} must be >= 0 and <= {HIGHEST}"
        raise ValueError(message)
    kind = None
    if table in REGISTERS:
        kind = rest.pop(0) if rest else None
        if kind not in TYPES:
            message = f"the type of a register must be one of {', '.join(TYPES)}"
            raise ValueError(message)
    if len(rest) > 1:
        message = f"says more than one value: {' '.join(rest)!r}"
        raise ValueError(message)
    if rest and table not in WRITABLE:
        message = f"nothing can be written to {table} {number}"
        raise ValueError(message)
    return Access(table, number, kind, rest[0] if rest else None)


class Modbus(Strict):
    """An instrument that speaks Modbus: RTU on a serial line, TCP on a socket."""

    device: Annotated[int, Field(ge=0, le=255)] = 1
    """Its number on the line; `addressee` in bench.toml comes before it."""
    word_order: Literal["high first", "low first"] = "high first"
    """Of numbers that fill more than one register."""


def wrong_access(text: str, *, asks: bool, whole: bool) -> Iterator[str]:
    """Yield what is wrong with a command for registers.

    Parameters
    ----------
    asks : bool
        Whether it is to be answered.
    whole : bool
        Whether the number that it fills in is whole.
    """
    try:
        access = access_of(re.sub(r"\{\w+\}", "0", text))
    except ValueError as exc:
        yield str(exc)
        return
    if asks and access.value is not None:
        yield "is to be answered, so it writes nothing: delete the value"
    if not asks and access.value is None:
        yield "writes nothing: a value must stand at its end"
    if "{" in text and access.whole and not whole:
        yield (
            "its register holds whole numbers: write whole = true into the command's "
            "[exchange] table"
        )
