"""The questions about the product: what goes in, its ranges, their parts."""

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Literal

from pydantic import Field

from config import formula
from config.dialogue import Dialogue, integer, quantity, text
from config.model import ErrorLimit, Maker, Part, Product, Range
from config.product import MOST_ADDRESS_LINES, Formula, Tolerance
from config.quantity import Unit, spell
from config.strict import Key, Name, Ohm, Ppm, Seconds, Volt

__all__ = ["ask_product"]

MOST_RANGES = 20
SOURCE_OVER_FULL_SCALE = 1.2

_UNITS: Mapping[str, Literal["A", "V"]] = {"amps": "A", "volts": "V"}


def ask_product(dialogue: Dialogue) -> Product:
    """Ask until the product is complete."""
    title = dialogue.put(
        "What is the product called?",
        text(Name),
        why="Its name as people say it, such as: Four-range photodiode amplifier.",
    )
    unit = dialogue.choose(
        "What goes in, amps or volts?",
        _UNITS,
        why="What the unit measures or amplifies; volts are taken to come out.",
        default="amps",
    )
    survives_v = dialogue.put(
        "Highest voltage that its input survives",
        quantity(Unit.VOLT, Volt),
        why="The absolute maximum from the design. The bench never goes above it.",
        default="30 V",
    )
    gain = dialogue.put(
        "Gain of a stage that all ranges share, such as 1 + R3 / R4 (Enter: none)",
        lambda answer: _with_known_names(answer) if answer else "",
        why="A formula over part names with + - * / and brackets.",
        default="",
    )
    ranges = _ask_ranges(dialogue, Unit(unit), survives_v, gain)
    parts = _ask_parts(dialogue, ranges.values())
    return Product(
        name=_short(title),
        title=title,
        input_unit=unit,
        input_absolute_maximum_v=survives_v,
        maker=_ask_maker(dialogue),
        parts=parts,
        ranges=ranges,
    )


def _short(title: str) -> str:
    """Return a title as a name for files and records.

    Examples
    --------
    >>> _short("Four-range photodiode amplifier")
    'four-range-photodiode-amplifier'
    """
    return re.sub(r"[^a-z0-9]+", "-", title.casefold()).strip("-") or "product"


def _ask_maker(dialogue: Dialogue) -> Maker | None:
    name = dialogue.put(
        "Who makes it? The name on its documents (Enter: none)",
        lambda answer: text(Name)(answer) if answer else "",
        why="Test records, releases, claims and notices are issued by this name.",
        default="",
    )
    if not name:
        return None
    address = dialogue.put(
        "The maker's address, with commas between its lines (Enter: none)",
        _lines,
        why="Street and town as they stand on a letter; at most 6 lines.",
        default="",
    )
    contact = dialogue.put(
        "Where questions go, such as a mail address (Enter: none)",
        lambda answer: text(Name)(answer) if answer else "",
        why="Stands on the documents too, for whoever has the unit.",
        default="",
    )
    return Maker(name=name, address=address, contact=contact or None)


def _lines(answer: str) -> tuple[str, ...]:
    """Read the lines of an address with commas between them.

    Examples
    --------
    >>> _lines("Lane 1, 12345 Town")
    ('Lane 1', '12345 Town')
    """
    lines = tuple(text(Name)(one.strip()) for one in answer.split(",") if one.strip())
    if len(lines) > MOST_ADDRESS_LINES:
        message = f"{answer!r}: must be {MOST_ADDRESS_LINES} lines at most"
        raise ValueError(message)
    return lines


def _ask_ranges(
    dialogue: Dialogue, unit: Unit, survives_v: float, gain: str
) -> dict[str, Range]:
    count = dialogue.put(
        "How many ranges does it have?",
        integer(Annotated[int, Field(ge=1, le=MOST_RANGES)]),
        why="Ranges that a switch chooses; each is measured and judged by itself.",
        default="1",
    )
    ranges: dict[str, Range] = {}
    usual = {"reading": "0.5 %", "full scale": "0.05 %", "settling": "500 ms"}
    for place in range(1, count + 1):
        key, one = _ask_range(
            dialogue, f"Range {place}", unit, survives_v, gain, usual, ranges
        )
        ranges[key] = one
        usual = {
            "reading": spell(one.limit.of_reading_ppm, Unit.PPM),
            "full scale": spell(one.limit.of_full_scale_ppm, Unit.PPM),
            "settling": spell(one.settle_s, Unit.SECOND),
        }
    return ranges


def _ask_range(
    dialogue: Dialogue,
    label: str,
    unit: Unit,
    survives_v: float,
    gain: str,
    usual: Mapping[str, str],
    taken: Iterable[str],
) -> tuple[str, Range]:
    most = survives_v if unit is Unit.VOLT else 1_000.0
    full_scale = dialogue.put(
        f"{label}: full scale, such as {'10u' if unit is Unit.AMPERE else '100m'}",
        quantity(unit, Annotated[float, Field(gt=0, le=most)]),
        why=f"The largest input of this range, in {unit.value} with any prefix.",
    )
    title = dialogue.put(
        f"{label}: its name",
        _unlike(taken),
        why="What is printed at the switch. Each range needs its own name.",
        default=spell(full_scale, unit),
    )
    transfer = dialogue.put(
        f"{label}: the part that sets it, such as R11, or a whole formula",
        _transfer(gain),
        why="One part name is multiplied by the shared gain. A formula says output "
        "over input itself, with + - * / and brackets, and is taken as it is.",
    )
    of_reading_ppm = dialogue.put(
        f"{label}: largest error, of reading",
        quantity(Unit.PPM, Ppm),
        why="The error limit is the sum of a share of reading and one of full scale.",
        default=usual["reading"],
    )
    lowest = Field(ge=0, le=1_000_000) if of_reading_ppm else Field(gt=0, le=1_000_000)
    of_full_scale_ppm = dialogue.put(
        f"{label}: and of full scale",
        quantity(Unit.PPM, Annotated[float, lowest]),
        why="The part of the limit that does not shrink with the reading; 0 ppm if "
        "there is none.",
        default=usual["full scale"],
    )
    source_limit = dialogue.put(
        f"{label}: the most that the source may ever give",
        quantity(unit, Annotated[float, Field(ge=full_scale, le=most)]),
        why="A hard limit on what the bench sends to this range.",
        default=spell(min(_rounded(full_scale * SOURCE_OVER_FULL_SCALE), most), unit),
    )
    settle_s = dialogue.put(
        f"{label}: settling time",
        quantity(Unit.SECOND, Seconds),
        why="How long to wait after a change of level before reading.",
        default=usual["settling"],
    )
    return _key(title), Range(
        title=title,
        full_scale=full_scale,
        transfer=transfer,
        limit=ErrorLimit(
            of_reading_ppm=of_reading_ppm, of_full_scale_ppm=of_full_scale_ppm
        ),
        source_limit=source_limit,
        settle_s=settle_s,
    )


def _key(title: str) -> str:
    return title.replace(" ", "")


def _rounded(value: float) -> float:
    """Return a value without the crumbs of a multiplication."""
    return float(f"{value:.6g}")


def _unlike(taken: Iterable[str]) -> Callable[[str], str]:
    """Return a reader of a range's name that no other range has."""

    def read(answer: str) -> str:
        if _key(answer) in taken:
            message = f"{answer!r}: another range has this name"
            raise ValueError(message)
        return text(Name)(answer)

    return read


def _transfer(gain: str) -> Callable[[str], str]:
    """Return a reader of the part that sets a range, or of its whole formula."""

    def read(answer: str) -> str:
        one_part = re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", answer)
        whole = f"{answer} * ({gain})" if one_part and gain else answer
        return _with_known_names(whole)

    return read


def _with_known_names(answer: str) -> str:
    """Return a formula whose names can all be part names."""
    whole = text(Formula)(answer)
    for name in formula.part_names(whole):
        text(Key)(name)
    return whole


def _value_of(name: str) -> Callable[[str], float]:
    """Return a reader of a part's value that does not take its name for one.

    `R11` is 0.11 ohm in the marking code, and easily typed for the part itself.
    """

    def read(answer: str) -> float:
        if answer.casefold() == name.casefold():
            message = f"{answer!r}: is the part's name; its value in ohms is asked"
            raise ValueError(message)
        return quantity(Unit.OHM, Ohm)(answer)

    return read


def _ask_parts(dialogue: Dialogue, ranges: Iterable[Range]) -> dict[str, Part]:
    names = dict.fromkeys(name for one in ranges for name in one.part_names)
    parts: dict[str, Part] = {}
    usual = "0.1 %"
    for name in names:
        nominal_ohm = dialogue.put(
            f"{name}: its value, such as 10k or 499.9k",
            _value_of(name),
            why="The nominal value from the parts list, in ohms with any prefix.",
        )
        tolerance_ppm = dialogue.put(
            f"{name}: its tolerance",
            quantity(Unit.PPM, Tolerance),
            why="What the part is sold as, such as 0.1 %.",
            default=usual,
        )
        usual = spell(tolerance_ppm, Unit.PPM)
        parts[name] = Part(nominal_ohm=nominal_ohm, tolerance_ppm=tolerance_ppm)
    return parts
