"""The questions about the product: what goes in, its ranges, their parts."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from math import inf
from typing import Annotated, Literal

from pydantic import Field

from config import formula
from config.bench import COMPLIANCE_DEFAULT_MAX_V
from config.check import limit_words
from config.dialogue import (
    Dialogue,
    apart_by_blank,
    by_blank,
    number,
    one_for_each,
    quantity,
    text,
)
from config.formula import value_of
from config.model import ErrorLimit, Maker, Part, Product, Range, Reading
from config.product import MOST_ADDRESS_LINES, Formula, Tolerance
from config.quantity import Unit, spell
from config.strict import HIGHEST_INPUT, Key, Name, Ohm, Ppm, WithstandVolt

__all__ = ["ask_product", "reckoned"]

MOST_RANGES = 20
MOST_GAIN = 1e6
"""More is a slip: no chip has it."""
SOURCE_OVER_FULL_SCALE = 1.2
UNLIKE = 3.0
"""Times by which ranges differ at full scale that are worth a second look."""
_MILLION = 1e6
_MIXED = re.compile(r"(?<=[0-9]),(?=[0-9])")

_NAMED = re.compile(r"([^\s(),;]\s*)\(([^(),;]*)\)")
"""What stands before a name in brackets, and the name."""

_UNITS: Mapping[str, Literal["A", "V"]] = {"amps": "A", "volts": "V"}


def ask_product(dialogue: Dialogue) -> Product:
    """Ask until the product is complete, and reckon aloud what it means."""
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
        quantity(Unit.VOLT, WithstandVolt),
        why="The absolute maximum from the design"
        + (
            ". The bench never goes above it."
            if unit == "V"
            else ", not the voltage at full scale: a source of current drives an open "
            "input up to its own highest voltage. The bench never goes above it."
        ),
        default="30 V",
    )
    ranges = _ask_ranges(dialogue, Unit(unit), survives_v)
    parts = _ask_parts(dialogue, ranges.values())
    product = Product(
        name=_short(title),
        title=title,
        input_unit=unit,
        input_absolute_maximum_v=survives_v,
        parts=parts,
        ranges=ranges,
    )
    for line in reckoned(product):
        dialogue.say(line)
    dialogue.confirm(
        "Is that so?",
        _asked_about(dialogue),
        why="Compare it with the circuit. A stage that was forgotten shows here first. "
        "No asks which answer is wrong.",
    )
    return product.model_copy(update={"maker": _ask_maker(dialogue)})


_WORDS = {
    "Highest": "highest voltage",
    "Full scale": "full scale",
    "Gain": "gain",
    "The part": "parts of the ranges",
    "Volts out": "formulas",
    "Largest": "error limit",
    "Value": "values",
    "Their": "tolerance",
    "Its": "tolerance",
}
"""By how a question begins: what its answer is called."""


def _asked_about(dialogue: Dialogue) -> dict[str, str]:
    """Return the questions that were answered about the circuit, by a word for each."""
    return {
        word: question
        for question, _ in dialogue.answers
        for start, word in _WORDS.items()
        if question.startswith(start)
    }


def reckoned(product: Product) -> Iterator[str]:
    """Say what a product's answers come to, a line each."""
    values = {name: part.nominal_ohm for name, part in product.parts.items()}
    unit = Unit(product.input_unit)
    outputs: dict[str, float] = {}
    yield "This is what your answers come to:"
    for one in product.ranges.values():
        names = one.part_names
        yield f"  in -> {one.transfer} -> out"
        try:
            nominal = value_of(one.transfer, values)
            widest_ppm = sum(
                abs(value_of(one.transfer, values | {name: changed}) / nominal - 1)
                for name in names
                for changed in [values[name] * (1 + product.parts[name].tolerance_ppm
                                                / _MILLION)]
            ) * _MILLION  # fmt: skip
        except (ZeroDivisionError, OverflowError):
            yield f"  {one.title}: the formula has no value with these parts."
            continue
        volts = float(f"{nominal * one.full_scale:.4g}")
        outputs[one.title] = abs(volts)
        level = Reading().level_of_full_scale
        limit_ppm = one.limit.of_reading_ppm + one.limit.of_full_scale_ppm / level
        offset = "with" if one.limit.offset == "inside" else "without"
        comes_to = (
            f": {_percent(limit_ppm)} where it is read, at {100 * level:g} % of full "
            "scale"
            if one.limit.of_full_scale_ppm
            else f". It is read at {100 * level:g} % of full scale"
        )
        yield (
            f"  {one.title}: {spell(one.full_scale, unit)} in gives "
            f"{spell(volts, Unit.VOLT)} out at full scale. Its parts alone may make it "
            f"read {_percent(widest_ppm)} wrong; {limit_words(one.limit)}, {offset} "
            f"offset, is allowed{comes_to}. On this range a source "
            f"is never set above {spell(one.source_limit, unit)}."
        )
    yield from _loading(product, values)
    highest = max(one.full_scale for one in product.ranges.values())
    if unit is Unit.VOLT and highest > COMPLIANCE_DEFAULT_MAX_V:
        yield (
            f"  {spell(highest, unit)} can injure or kill. Your local "
            "electrical-safety rules come first; work on live parts is for people who "
            "are licensed for it."
        )
    least, most = (
        pick(outputs, key=outputs.__getitem__, default="") for pick in (min, max)
    )
    if outputs and outputs[least] * UNLIKE < outputs[most]:
        times = outputs[most] / outputs[least] if outputs[least] else inf
        yield (
            f"  Look again: at full scale range {most} gives {times:.3g} times as much "
            f"as range {least}. Is a value wrong, or the shared gain missing?"
        )


METER_OHM = 10e6
"""What a voltmeter has at its input (common practice, no source)."""
_WORTH_SAYING = 0.1
"""Share of the error limit that the meter alone may take."""


def _loading(product: Product, values: Mapping[str, float]) -> Iterator[str]:
    """Warn where the output meter loads a resistor so far that it reads low."""
    low_ppm: dict[str, float] = {}
    for one in product.ranges.values():
        ohm = formula.output_ohm(one.transfer, values)
        ppm = _MILLION * ohm / (ohm + METER_OHM)
        if ppm > _WORTH_SAYING * (
            one.limit.of_reading_ppm + one.limit.of_full_scale_ppm
        ):
            low_ppm[one.title] = ppm
    if not low_ppm:
        return
    worst = max(low_ppm, key=low_ppm.__getitem__)
    which = "range" if len(low_ppm) == 1 else "ranges"
    yield (
        f"  Mind the meter at the output: on {which} {', '.join(low_ppm)} it is "
        "connected across a resistor, unless an amplifier follows. A meter of "
        f"{spell(METER_OHM, Unit.OHM)} reads {_percent(low_ppm[worst])} low there"
        + ("" if len(low_ppm) == 1 else f" on range {worst}")
        + ". Use a meter with a higher input resistance, or correct the readings."
    )


def _percent(ppm: float) -> str:
    return f"{ppm / 1e4:.3g} %"


def _short(title: str) -> str:
    """Return a title as a name for files and records.

    Examples
    --------
    >>> _short("Four-range photodiode amplifier")
    'four-range-photodiode-amplifier'
    """
    return re.sub(r"[^a-z0-9]+", "-", title.casefold()).strip("-") or "product"


def _ask_maker(dialogue: Dialogue) -> Maker | None:
    return dialogue.put(
        "Who makes it? Name, address and mail, with commas between (Enter: none)",
        _maker,
        why="Test records, releases, claims and notices are issued by this name.",
        default="",
    )


def _maker(answer: str) -> Maker | None:
    """Read a name, the lines of an address, and where questions go.

    Examples
    --------
    >>> _maker("Moreno Lab, Lane 1, 12345 Town, service@example.org").lines
    ('Moreno Lab', 'Lane 1', '12345 Town', 'service@example.org')
    """
    lines = [text(Name)(one.strip()) for one in answer.split(",") if one.strip()]
    if not lines:
        return None
    name, *address = lines
    contact = None
    if address and ("@" in address[-1] or "://" in address[-1]):
        contact = address.pop()
    if len(address) > MOST_ADDRESS_LINES:
        message = f"{answer!r}: the address must be {MOST_ADDRESS_LINES} lines at most"
        raise ValueError(message)
    return Maker(name=name, address=tuple(address), contact=contact)


def _ask_ranges(dialogue: Dialogue, unit: Unit, survives_v: float) -> dict[str, Range]:
    most = min(survives_v, HIGHEST_INPUT) if unit is Unit.VOLT else HIGHEST_INPUT
    example = "1u, 10u, 100u, 1m" if unit is Unit.AMPERE else "100m, 1, 10"
    scales = dialogue.put(
        f"Full scale of each range, with commas between them, such as {example}",
        _titled_scales(unit, most),
        why=f"The largest input of each range, in {unit.value} with any prefix. Each "
        "range is measured and judged by itself. Ranges of one full scale need a name "
        "each, in brackets behind it, such as 10 (low), 10 (high).",
    )
    count = len(scales)
    gain = dialogue.put(
        "Gain of a stage that all ranges share, such as 1 + R3 / R4 (Enter: none)",
        _gain,
        why="A formula over part names with + - * / and brackets. Each range is "
        "multiplied by it. A chip with a fixed gain has no part to name: type the "
        "number alone, such as 20. A resistor of a divider is no gain, though all "
        "ranges share it: write it into the formula of each range, which is asked "
        "next.",
        default="",
    )
    asked = (
        "The part that sets each range, in the same order, such as R11, R12"
        if unit is Unit.AMPERE
        else "Volts out over volts in of each range, in the same order, such as "
        "R2 / (R1 + R2)"
    )
    transfers = dialogue.put(
        asked,
        one_for_each(_transfer(gain), count),
        why=(
            "A part, or a formula such as RS1 + RS2: volts out over amps in"
            if unit is Unit.AMPERE
            else "A formula over part names: volts out over volts in"
        )
        + ", one for each range with commas between them. It is multiplied by the "
        "shared gain, unless it names a part of that gain.",
    )
    limits = dialogue.put(
        "Largest error allowed: of reading + of full scale, with or without offset, "
        "for all or for each",
        one_for_each(_limit, count, all_alike=True),
        why="The error limit is the sum of a share of reading and one of full scale. "
        "With offset: what it reads at zero counts, and zero is judged. Without "
        "offset: it is taken off first and judged by nothing. Where neither is said, "
        "it is with offset. One for each range with commas between them.",
        default="0.5 % + 0.05 % with offset",
    )
    ranges: dict[str, Range] = {}
    for place, (title, full_scale) in enumerate(scales):
        ranges[_key(title)] = Range(
            title=title,
            full_scale=full_scale,
            transfer=transfers[place],
            limit=limits[place],
            source_limit=min(_rounded(full_scale * SOURCE_OVER_FULL_SCALE), most),
        )
    return ranges


def _titled_scales(
    unit: Unit, most: float
) -> Callable[[str], tuple[tuple[str, float], ...]]:
    """Return a reader of the ranges' titles, each another, with their full scales.

    A title is the full scale, and behind it what is written in brackets.

    >>> _titled_scales(Unit.VOLT, 100.0)("10 (low), 10 (high), 100")
    (('10 V low', 10.0), ('10 V high', 10.0), ('100 V', 100.0))
    """
    scales = _scales(unit, most)

    def read(answer: str) -> tuple[tuple[str, float], ...]:
        found = scales(_NAMED.sub(r"\1", answer))
        titles = [spell(one, unit) for one in found]
        for named in _NAMED.finditer(answer):
            before = _NAMED.sub(r"\1", answer[: named.end()])
            place = len(scales(before)) - 1
            titles[place] = text(Name)(f"{titles[place]} {named[2].strip()}")
        if len({_key(title) for title in titles}) < len(titles):
            message = (
                f"{answer!r}: two ranges are called the same; put another name in "
                "brackets behind each, such as 10 (low), 10 (high)"
            )
            raise ValueError(message)
        return tuple(zip(titles, found, strict=True))

    return read


def _scales(unit: Unit, most: float) -> Callable[[str], tuple[float, ...]]:
    """Return a reader of the ranges' full scales."""
    one = quantity(unit, Annotated[float, Field(gt=0, le=most)])

    def read(answer: str) -> tuple[float, ...]:
        try:
            scales = tuple(
                one(piece.strip()) for piece in by_blank(answer) or answer.split(",")
            )
        except ValueError as exc:
            if by_blank(_MIXED.sub(".", answer)):
                message = (
                    f"{answer!r}: put a comma and a blank between the ranges, such as "
                    "2.5 mA, 10 mA"
                )
                raise ValueError(message) from exc
            pieces = apart_by_blank(answer)
            if len(pieces) == answer.count(",") + 1 and ";" not in answer:
                raise
            scales = tuple(map(one, pieces))
        else:
            if 1 < len(apart_by_blank(answer)) < len(scales) and _MIXED.search(answer):
                message = (
                    f"{answer!r}: a comma between digits may be a decimal sign; write "
                    "it as a point, and a blank after each other comma"
                )
                raise ValueError(message)
        if len(scales) > MOST_RANGES:
            message = f"{answer!r}: must be {MOST_RANGES} ranges at most"
            raise ValueError(message)
        return scales

    return read


SHARES = ("reading", "full scale")
"""Of what a limit's two numbers are, in this order where nobody says it."""


def _limit(answer: str) -> ErrorLimit:
    """Read an error limit: so much of reading, and so much of full scale.

    Examples
    --------
    >>> one = _limit("0.5 % + 0.05 %")
    >>> one.of_reading_ppm, one.of_full_scale_ppm, one.offset
    (5000.0, 500.0, 'inside')
    >>> _limit("0.5 % without offset").offset
    'apart'
    >>> one = _limit("0.05 % of full scale + 0.1 % of reading with offset")
    >>> one.of_reading_ppm, one.of_full_scale_ppm
    (1000.0, 500.0)
    >>> _limit("0.05 % of full scale").of_reading_ppm
    0.0
    """
    found = re.fullmatch(r"(.*?)(?:\s+(with|without)\s+offset)?", answer.strip())
    shares, offset = ("", None) if found is None else found.groups()
    told: dict[str, float] = {}
    parts = shares.split("+")
    for part, usual in zip(parts, SHARES, strict=False):
        number, _, of = part.partition(" of ")
        told[of.strip() or usual] = quantity(Unit.PPM, Ppm)(number)
    if (
        len(parts) > len(SHARES)
        or len(told) < len(parts)
        or not told.keys() <= {*SHARES}
    ):
        message = f"{answer!r}: must be one share of reading and one of full scale"
        raise ValueError(message)
    reading_ppm, full_scale_ppm = (told.get(one, 0.0) for one in SHARES)
    if reading_ppm + full_scale_ppm == 0:
        message = f"{answer!r}: no unit meets an error limit of 0"
        raise ValueError(message)
    return ErrorLimit(
        of_reading_ppm=reading_ppm,
        of_full_scale_ppm=full_scale_ppm,
        offset="apart" if offset == "without" else "inside",
    )


def _key(title: str) -> str:
    """Return what a range is called in the files: what every keyboard has.

    >>> _key("100 µA")
    '100uA'
    """
    plain = title.replace("\N{MICRO SIGN}", "u")
    plain = plain.replace("\N{GREEK CAPITAL LETTER OMEGA}", "ohm")
    return re.sub(r"[^A-Za-z0-9._-]", "", plain)


def _rounded(value: float) -> float:
    """Return a value without the crumbs of a multiplication."""
    return float(f"{value:.6g}")


def _transfer(gain: str) -> Callable[[str], str]:
    """Return a reader of what sets a range, which the shared gain multiplies.

    What names a part of the gain itself is a whole formula, and taken as it is.

    >>> _transfer("1 + R3 / R4")("RS1+RS2"), _transfer("20")("R11")
    ('(RS1+RS2) * (1 + R3 / R4)', 'R11 * 20')
    """
    fixed = _fixed(gain)
    shared = set() if fixed or not gain else set(formula.part_names(gain))

    def read(answer: str) -> str:
        own = _with_known_names(answer)
        if not gain or set(formula.part_names(own)) & shared:
            return own
        one_part = re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", own)
        whole = f"{own if one_part else f'({own})'} * {gain if fixed else f'({gain})'}"
        return _with_known_names(whole)

    return read


def _gain(answer: str) -> str:
    """Read the gain of a stage: a formula of its parts, a plain number, or nothing.

    >>> _gain("1 + R3 / R4"), _gain("20"), _gain("1,5"), _gain("")
    ('1 + R3 / R4', '20', '1.5', '')
    """
    if not answer or (fixed := _fixed(answer)):
        return answer and fixed
    return _with_known_names(answer)


def _fixed(answer: str) -> str:
    """Return a plain number as it stands in a formula; nothing where it is none."""
    if not re.fullmatch(r"[0-9]+(?:[.,][0-9]+)?", answer):
        return ""
    value = number(Annotated[float, Field(gt=0, le=MOST_GAIN)])(answer)
    return f"{value:.12g}"


def _with_known_names(answer: str) -> str:
    """Return a formula whose names can all be part names."""
    whole = text(Formula)(answer)
    for name in formula.part_names(whole):
        text(Key)(name)
    return whole


def _values(names: Sequence[str]) -> Callable[[str], tuple[float, ...]]:
    """Return a reader of the parts' values that does not take a name for one.

    `R11` is 0.11 ohm in the marking code, and easily typed for the part itself.
    """
    known = {name.casefold() for name in names}

    def value(answer: str) -> float:
        if answer.casefold() in known:
            message = f"{answer!r}: is the part's name; its value in ohms is asked"
            raise ValueError(message)
        return quantity(Unit.OHM, Ohm)(answer)

    return one_for_each(value, len(names))


def _counted(name: str) -> list[tuple[str, int]]:
    """Return what sorts names as a person counts.

    >>> sorted(["R10", "R2", "R1"], key=_counted)
    ['R1', 'R2', 'R10']
    """
    pieces = re.findall(r"([^0-9]*)([0-9]*)", name)
    return [(text, int(digits or 0)) for text, digits in pieces]


def _ask_parts(dialogue: Dialogue, ranges: Iterable[Range]) -> dict[str, Part]:
    used = Counter(name for one in ranges for name in one.part_names)
    # Each range's own first, then what they share; both as a person counts them.
    names = sorted(used, key=lambda name: (used[name] > 1, _counted(name)))
    one = len(names) == 1
    values = dialogue.put(
        f"Value of {names[0]}, such as 4k99"
        if one
        else f"Values of {', '.join(names)}, with commas between them",
        _values(names),
        why="The nominal values from the parts list, in ohms with any prefix, such as "
        "499.9k or 4k99.",
    )
    tolerances = dialogue.put(
        "Its tolerance" if one else "Their tolerance, for all or for each",
        one_for_each(quantity(Unit.PPM, Tolerance), len(names), all_alike=True),
        why="What the parts are sold as, such as 0.1 %.",
        default="0.1 %",
    )
    return {
        name: Part(nominal_ohm=values[place], tolerance_ppm=tolerances[place])
        for place, name in enumerate(names)
    }
