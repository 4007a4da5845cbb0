"""Which column of a sheet means what, by its heading.

Headings are people's own: "1 µA in [nA]", "Ausgang 10 uA / mV", "S/N". Each is taken
apart into a range, a direction and a unit; what the maker wrote into a mapping file
goes before what is found here.
"""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from config import QuantityError, SheetMapping, Unit, parse
from config.model import Product

_WORDS: Mapping[str, tuple[str, ...]] = {
    "serial": (
        "serial", "serial number", "serial no", "serial nr", "serialnumber", "s n",
        "sn", "unit", "unit no", "device", "seriennummer", "serien nr", "seriennr",
        "geraet", "gerät", "numero de serie", "numéro de série", "n de série",
        "numero di serie", "matricola", "número de serie", "serienummer",
        "gerätenummer", "geraetenummer", "geräte nr", "geraete nr",
        "gerät nr", "geraet nr", "device no", "ser nr", "snr",
        "prüfling", "pruefling", "nr de série", "nº de serie", "nº de série",
        "nº serie", "no de série", "no de serie", "appareil", "apparecchio", "aparato",
        "numero seriale",
    ),
    "build": (
        "build", "batch", "build no", "batch no", "charge", "los", "serie", "série",
        "lotto", "lote", "production run", "batch number", "build number",
        "fertigungslos", "losnummer", "los nr", "chargennummer", "chargen nr",
        "charge nr", "fertigungscharge", "lot de fabrication", "numéro de lot",
        "numero de lot", "nº de lot", "lotto di produzione", "numero di lotto",
        "lote de fabricación", "lote de fabricacion", "número de lote",
    ),
    "measured at": (
        "measured at", "measured", "measured on", "date", "date time", "date and time",
        "datetime", "when", "timestamp", "datum", "datum zeit", "gemessen am",
        "datum uhrzeit", "fecha", "data", "messdatum", "prüfdatum", "pruefdatum",
        "gemessen", "zeitpunkt", "date de mesure", "date mesure", "data misura",
        "data di misura", "fecha de medición", "fecha de medicion", "fecha medición",
    ),
    "temperature": (
        "temperature", "temp", "room temperature", "ambient temperature", "ambient",
        "temperatur", "raumtemperatur", "umgebungstemperatur", "température",
        "temperatura", "température ambiante", "temperatura ambiente",
    ),
}  # fmt: skip
IN = {
    "in", "input", "reference", "ref", "applied", "eingang", "eingangs",
    "eingangsstrom", "eingangsspannung", "entrée",
    "entree", "ingresso", "entrada", "ingang", "ein", "eing", "referenz", "référence",
    "riferimento", "referencia",
}  # fmt: skip
OUT = {
    "out", "output", "indicated", "indication", "ausgang", "ausgangs",
    "ausgangsspannung", "sortie",
    "uscita", "salida", "uitgang", "aus", "ausg", "anzeige", "affichage",
    "indicazione", "indicación", "indicacion",
}  # fmt: skip
ZERO = {"zero", "offset", "null", "nullpunkt", "zéro", "cero"}
_ERROR = {
    "error", "err", "deviation", "fehler", "abweichung", "erreur", "errore", "desvío",
}  # fmt: skip
_REEL = {"reel", "lot", "rolle", "bobine", "bobina", "tape"}
RANGE = {
    "range", "bereich", "messbereich", "gamme", "étendue", "etendue", "calibre",
    "portata", "rango", "escala",
}  # fmt: skip
_COUNTS_OR_NAMES = {"nr", "no", "n", "nº", "num", "numero", "número", "numéro", "id"}
"""Heads of a running number, and of the serials where nothing else is of them."""
_STATISTICS = {
    "mean", "average", "avg", "min", "minimum", "max", "maximum", "std", "std dev",
    "stdev", "stddev", "sd", "sigma", "standard deviation", "spread", "sum", "total",
    "count", "n", "limit", "limits", "upper limit", "lower limit", "nominal", "target",
    "range", "mittelwert", "mittel", "summe", "anzahl", "grenze", "sollwert",
    "moyenne", "media", "gemiddelde", "median", "cv", "variance", "streuung",
}  # fmt: skip
_UNIT = re.compile(r"([pnumkM\u00b5\u03bc]?)\s?([AV])", re.ASCII)
SAME = 1e-9
"""Share by which two spellings of one full scale may differ."""
_IN_BRACKETS = re.compile(r"[\[(]([^\])]*)[\])]")
_BEHIND = re.compile(r"(?:/|,|\bin)\s*([pnumkM\u00b5\u03bc]?[AV])$")
_QUANTITY = re.compile(
    r"(?<![\w.,])(\d+(?:[.,]\d+)?)\s*([pnumkM\u00b5\u03bc]?)([AV]?)(?![A-Za-z0-9])"
)


MOST_NAMED = 12
"""Headings that a refusal names."""


class TwiceError(Exception):
    """Two headings that mean the same reading: nobody knows which one counts."""

    def __init__(self, first: str, second: str, means: str) -> None:
        super().__init__(
            f"headings {first!r} and {second!r} both mean {means!r}; say with "
            "--mapping which one counts"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column that is understood: where it is, what it means, in which unit.

    `means` is "serial", "build", "measured at", "temperature", "reel of PART", or of a
    range "KEY in", "KEY out", "KEY in zero", "KEY out zero".
    """

    place: int
    heading: str
    means: str
    unit: str | None = None

    @property
    def is_reading(self) -> bool:
        """Whether numbers of a range stand in it."""
        return self.means not in _WORDS and not self.means.startswith("reel of ")


def unit_in(text: str) -> str | None:
    """Return the unit that a cell consists of, as `config.parse` reads it.

    >>> unit_in("[mV]"), unit_in("µA"), unit_in("in")
    ('mV', 'µA', None)
    """
    found = _UNIT.fullmatch(text.strip(" []()"))
    return None if found is None else f"{found[1]}{found[2]}"


def is_statistic(text: str) -> bool:
    """Whether what stands in place of a serial is the name of a mean or a limit.

    >>> is_statistic("Std. dev."), is_statistic("PA-1")
    (True, False)
    """
    return " ".join(words(text)) in _STATISTICS


def build_in(title: str) -> str | None:
    """Return the build that a line such as "Batch 7 (October)" names; None for none.

    >>> build_in("Batch 7 (October)"), build_in("Build: B-3"), build_in("Batch sheet")
    ('7', 'B-3', None)
    """
    found = re.fullmatch(r"(\w+)(?:\s+(?:no|nr)\b\.?)?\s*:?\s+(.+)", title.strip())
    if found is None or found[1].casefold() not in _WORDS["build"]:
        return None
    named = _IN_BRACKETS.sub("", found[2]).strip()
    return named if re.search(r"\d", named) else None


def columns_of(
    headings: Sequence[str], product: Product, mapping: SheetMapping | None
) -> list[Column]:
    """Return the columns that are understood, those of the mapping first.

    Of two dates, or two serials, the first one counts.

    Raises
    ------
    LookupError
        A column that the mapping names is not there.
    TwiceError
        Two headings that the mapping does not name mean the same reading.
    """
    found: list[Column] = []
    for heading, means, unit in [] if mapping is None else mapping.named():
        if heading not in headings:
            raise LookupError(heading)
        found.append(
            Column(
                place=headings.index(heading),
                heading=heading,
                means=means,
                unit=unit or unit_of(heading),
            )
        )
    named = {one.place for one in found}
    mapped = {one.means for one in found}
    taken = set(mapped)
    for place, heading in enumerate(headings):
        if place in named or not heading:
            continue
        meant = meaning(heading, product)
        if meant in taken and meant not in {*_WORDS, *mapped}:
            first = next(one.heading for one in found if one.means == meant)
            raise TwiceError(first, heading, meant)
        if meant is None or meant in taken:
            continue
        taken.add(meant)
        found.append(
            Column(place=place, heading=heading, means=meant, unit=unit_of(heading))
        )
    if "serial" not in taken and len(weak := list(_numbers(headings, named))) == 1:
        (place,) = weak
        found.append(Column(place=place, heading=headings[place], means="serial"))
    return sorted(found, key=lambda one: one.place)


def _numbers(headings: Sequence[str], named: Collection[int]) -> Iterator[int]:
    """Yield columns headed by nothing but the word for a number."""
    for place, heading in enumerate(headings):
        if place not in named and " ".join(words(heading)) in _COUNTS_OR_NAMES:
            yield place


def meaning(heading: str, product: Product) -> str | None:
    """Return what a heading means, None where it means nothing to us."""
    said = words(_IN_BRACKETS.sub(lambda one: _kept(one[1]), heading))
    plain = " ".join(said)
    for means, known in _WORDS.items():
        if plain in known:
            return means
    # Of a temperature alone: "c" behind another word is its first letter.
    if plain.removesuffix(" c").removesuffix(" degc") in _WORDS["temperature"]:
        return "temperature"
    there = set(said)
    if there & _ERROR:
        return None
    parts = [name for name in product.parts if name.casefold() in there]
    if there & _REEL and len(parts) == 1:
        return f"reel of {parts[0]}"
    directions = [way for way, known in (("in", IN), ("out", OUT)) if there & known]
    key = range_of(heading, product)
    if key is None and len(product.ranges) == 1 and there & (IN | OUT) == there - ZERO:
        (key,) = product.ranges  # there is no other that it could be of
    if key is None or len(directions) != 1:
        return None
    zero = " zero" if there & ZERO else ""
    return f"{key} {directions[0]}{zero}"


def pairs(columns: Iterable[Column], product: Product) -> list[str]:
    """Return the keys of the ranges of which both columns are there."""
    there = {one.means for one in columns}
    return [key for key in product.ranges if {f"{key} in", f"{key} out"} <= there]


def why_not(rows: Sequence[Sequence[str]], product: Product) -> str:
    """Return why no row of these is the headings of a sheet of units."""
    example = (
        f"'{next(iter(product.ranges))} in' and '{next(iter(product.ranges))} out'"
    )
    wanted = (
        f"A sheet must have one row for each unit, a column 'serial', and for each "
        f"range two columns such as {example}"
    )
    best = max(rows, key=lambda row: len(_columns(row, product)), default=())
    columns = _columns(best, product)
    have = {one.means for one in columns}
    said = {word for heading in best for word in words(heading)}
    if pairs(columns, product) and "serial" not in have:
        place = {one.place for one in columns}
        other = next(
            (one for at, one in enumerate(best) if one and at not in place), ""
        )
        how = f". {how_to_say(other, 'serial')}" if other else ""
        return f"there is no column of serials. Head it 'serial'{how}"
    if "serial" in have and said & RANGE and said & (IN | OUT):
        return (
            "it has one row for each reading, and does not say which are in and which "
            f"out. {wanted}; or a row for each range with a column 'in' and one 'out'"
        )
    if "serial" in have and said & _ERROR:
        return f"it has errors and no readings. {wanted}, with what the meters read"
    first = [row[0] for row in rows if row]
    turned = _columns(first, product)
    if pairs(turned, product):
        return f"its units are in columns. {wanted}. Exchange rows and columns"
    meant = {one.place for one in columns}
    strange = [one for at, one in enumerate(best) if one and at not in meant]
    if not strange:
        return f"no headings are understood. {wanted}. Found: nothing"
    none = "" if have else "no headings are understood. "
    told = ", ".join(repr(one) for one in strange[:MOST_NAMED])
    more = len(strange) - MOST_NAMED
    rest = f" and {more} more" if more > 0 else ""
    return (
        f"{none}{wanted}. Not understood: {told}{rest}. "
        f"{how_to_say(strange[0], f'{next(iter(product.ranges))} out')}"
    )


def how_to_say(heading: str, means: str) -> str:
    """Return how a mapping file says what a heading means, such as "1uA out"."""
    name = heading.replace("\\", "\\\\").replace('"', '\\"')
    return (
        "To say what a heading means, write it into a file columns.toml, "
        f'such as: columns = {{ "{name}" = "{means}" }}. '
        "Then add to the command: --mapping columns.toml"
    )


def _columns(row: Sequence[str], product: Product) -> list[Column]:
    """Return the columns of a row that may be headings, or anything."""
    try:
        return columns_of(row, product, None)
    except TwiceError:
        return []


def _kept(inside: str) -> str:
    """Return what is in brackets, nothing where it is a unit."""
    return "" if unit_in(inside) else f" {inside} "


def unit_of(heading: str) -> str | None:
    """Return the unit that a heading names, if it does."""
    for inside in _IN_BRACKETS.findall(heading):
        if unit := unit_in(inside):
            return unit
    behind = _BEHIND.search(heading)
    return behind[1] if behind else None


def range_of(heading: str, product: Product) -> str | None:
    """Return the range that a heading names: by full scale, key or title."""
    text = _IN_BRACKETS.sub(lambda one: _kept(one[1]), heading)
    base = Unit(product.input_unit)
    for number, prefix, unit in _QUANTITY.findall(text):
        if unit not in {"", base.value}:
            continue
        try:
            value = parse(f"{number.replace(',', '.')} {prefix}{base.value}", base)
        except QuantityError:
            continue
        alike = [
            key
            for key, one in product.ranges.items()
            if (prefix or unit) and abs(value / one.full_scale - 1) < SAME
        ]
        if len(alike) == 1:
            return alike[0]
        # Of ranges with one full scale the name tells which is meant.
    small = "".join(words(text))
    named = [
        key
        for key, one in product.ranges.items()
        if any(_letters(name) in small for name in (key, one.title))
    ]
    # "10uA" holds "0uA": of names inside each other the longest is meant.
    return max(named, key=len, default=None)


def _letters(name: str) -> str:
    return "".join(words(name))


def words(text: str) -> list[str]:
    """Return the words of a heading, small, with one spelling of micro."""
    same = text.replace("\u00b5", "u").replace("\u03bc", "u").casefold()
    return re.findall(r"[^\W_]+", same)
