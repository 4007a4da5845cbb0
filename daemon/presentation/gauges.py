"""Gauge studies in words: who reads what, and what the scatter is made of."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, TypeAlias

from config import Unit
from daemon.presentation.figures import (
    MINUS,
    OHM,
    PLUS_MINUS,
    PREFIXES,
    capital,
    counted,
    day_of,
    decimals_for,
)
from daemon.spc import gauge
from storage import GaugeKind

if TYPE_CHECKING:
    from daemon.spc.variance import Interval

    Found: TypeAlias = (
        gauge.CrossedStudy
        | gauge.Type1Study
        | gauge.BiasStudy
        | gauge.LinearityStudy
        | gauge.StabilityStudy
    )

GOOD, USELESS = 0.1, 0.3
"""Share of the spread or of the tolerance (common practice, no source)."""
FEWEST_CATEGORIES = 5
"""Categories of parts that a gauge should tell (common practice, no source)."""
CAPABLE = 1.33
"""Of Cg and Cgk (common practice, no source)."""
USUAL_READINGS = 25
"""Of a type-1 study (common practice, no source)."""
USUAL_TIMES = 20
"""That limits rest on (common practice, no source)."""
SURE = 0.05
"""A bias or a drift is shown where chance makes one as large more seldom."""
KINDS = {
    GaugeKind.CROSSED: "crossed: do people agree?",
    GaugeKind.TYPE_1: "type 1: will it do for these limits?",
    GaugeKind.BIAS: "bias: is its mean right?",
    GaugeKind.LINEARITY: "linearity: is it right over the range?",
    GaugeKind.STABILITY: "stability: does it stay right?",
}
DRAWN = {
    GaugeKind.CROSSED: "part",
    GaugeKind.TYPE_1: "reading",
    GaugeKind.BIAS: "reading",
    GaugeKind.LINEARITY: "reference",
    GaugeKind.STABILITY: "day",
}
"""What a row of the picture is."""
WITH_PREFIX = {Unit.VOLT: "V", Unit.AMPERE: "A", Unit.OHM: OHM}
"""Units whose numbers take a prefix."""


def due(
    part: str,
    appraiser: str,
    trial: int,
    *,
    read: int,
    cells: int,
    time: int | None = None,
) -> str:
    """Say what is read next; `time` counts the days of a stability study.

    >>> due("PA-7", "Ada", 2, read=14, cells=90)
    'Reading 15 of 90: Ada reads PA-7, trial 2.'
    >>> due("REF-1", "Ada", 2, read=4, cells=60, time=2)
    'Reading 5 of 60: Ada reads REF-1, day 2, trial 2.'
    """
    what = f"{part}, trial" if time is None else f"{part}, day {time}, trial"
    return f"Reading {read + 1} of {cells}: {appraiser} reads {what} {trial}."


def later(part: str, last: object) -> str:
    """Say that the next day of a stability study has not come.

    >>> later("REF-1", "2026-11-03")
    'REF-1 was read on 2026-11-03. Read it again on a later day.'
    """
    return f"{part} was read on {last}. Read it again on a later day."


def amount(value: float, unit: str, *, half: float | None = None) -> str:
    """Return a number in a study's unit, to the second digit of its half width.

    >>> amount(0.00091234567, "V"), amount(-2.5, "mm")
    ('912.35 µV', '−2.5 mm')
    >>> amount(0.9000123, "V", half=2.1e-6)
    '900.0123 mV'
    """  # noqa: RUF002 -- the doctest shows the true minus sign
    scale, named = in_prefix([value], unit)
    scaled = value / scale
    text = f"{scaled:.{decimals_for(half / scale)}f}" if half else f"{scaled:.5g}"
    return f"{text} {named}".replace("-", MINUS)


def in_prefix(values: Iterable[float], unit: str) -> tuple[float, str]:
    """Return what numbers of a study are divided by on an axis, and its title.

    >>> in_prefix([0.0009, 0.0008], "V"), in_prefix([0.0009], "mm")
    ((1e-06, 'µV'), (1.0, 'mm'))
    """
    largest = max((abs(one) for one in values), default=0.0)
    for known, letter in WITH_PREFIX.items():
        if unit == known.value and largest > 0.0:
            scale, prefix = next((p for p in PREFIXES if largest >= p[0]), PREFIXES[-1])
            return scale, f"{prefix}{letter}"
    return 1.0, unit


def about(value: float, low: float, high: float, unit: str) -> str:
    """Return a number with its 95 % interval."""
    half = (high - low) / 2

    def one(number: float) -> str:
        return amount(number, unit, half=half)

    return f"{one(value)} (95 %: {one(low)} to {one(high)})"


def spread(found: "gauge.CrossedStudy", unit: str) -> list[dict[str, str]]:
    """Return where the scatter comes from, as rows of a table."""
    of = found.spread
    total = of.total
    named = (
        ("repeatability (EV)", of.repeatability),
        ("reproducibility (AV)", of.reproducibility),
        ("gauge: both (GRR)", of.gauge),
        ("parts (PV)", of.part),
        ("total (TV)", total),
    )
    return [
        {
            "source": name,
            "s": f"{value:.5g} {unit}",
            "share": f"{100 * value / total:.1f} %" if total else "-",
        }
        for name, value in named
    ]


def facts(found: "Found", unit: str) -> list[dict[str, str]]:
    """Return what a study of references found, as rows of a table."""
    rows: list[tuple[str, str]] = []
    match found:
        case gauge.Type1Study():
            rows = [
                *_of_bias(found.bias, unit),
                ("Cg", f"{found.cg:.2f}"),
                ("Cgk", f"{found.cgk:.2f}"),
            ]
        case gauge.BiasStudy():
            rows = _of_bias(found, unit)
        case gauge.LinearityStudy():
            rows = _of_line(found, unit)
        case gauge.StabilityStudy():
            rows = _over_time(found, unit)
    return [{"what": what, "value": value} for what, value in rows]


def _of_bias(found: "gauge.BiasStudy", unit: str) -> list[tuple[str, str]]:
    return [
        ("readings", str(found.n)),
        ("mean", amount(found.mean, unit, half=found.standard_error)),
        ("standard deviation", amount(found.s, unit)),
        ("bias", _about(found.bias, found.interval, unit)),
    ]


def _of_line(found: "gauge.LinearityStudy", unit: str) -> list[tuple[str, str]]:
    slope = found.slope_interval
    return [
        (f"bias at {amount(known, unit)}", amount(bias, unit, half=found.s))
        for known, bias in found.reference_bias
    ] + [
        (
            "slope of the bias",
            f"{100 * found.slope:.3g} % (95 %: {100 * slope.lower:.3g} to "
            f"{100 * slope.upper:.3g} %)".replace("-", MINUS),
        ),
        (
            "bias at zero, by the line",
            _about(found.intercept, found.intercept_interval, unit),
        ),
        ("standard deviation around the line", amount(found.s, unit)),
    ]


def _over_time(found: "gauge.StabilityStudy", unit: str) -> list[tuple[str, str]]:
    limits = found.limits
    lower, centre, upper = (
        amount(one, unit, half=limits.sigma)
        for one in (limits.lower, limits.centre, limits.upper)
    )
    rows = [
        ("days", str(len(found.means))),
        ("mean", centre),
        ("limits of a day's mean", f"{lower} to {upper}"),
        ("drift a day", _about(found.drift, found.interval, unit)),
    ]
    if found.components is not None:
        rows += [
            ("scatter (s) inside a day", amount(found.components.s_inside, unit)),
            ("scatter (s) from day to day", amount(found.components.s_across, unit)),
        ]
    return rows


def said(
    found: "Found",
    unit: str,
    *,
    tolerance: float | None = None,
    known_uncertainty: float | None = None,
    days: Sequence[datetime] = (),
) -> list[str]:
    """Say what a study means for whoever uses the gauge.

    Parameters
    ----------
    unit
        Of the readings.
    tolerance
        Width between the limits.
    known_uncertainty
        Expanded (k = 2), of what the references are known to be.
    days
        Of a stability study, in their order.
    """
    bias: gauge.BiasStudy | None
    match found:
        case gauge.CrossedStudy():
            return _said_crossed(found, tolerance)
        case gauge.Type1Study():
            lines = _said_type1(found, tolerance or 0.0, unit)
            bias = found.bias
        case gauge.BiasStudy():
            lines, bias = [_said_bias(found, unit)], found
        case gauge.LinearityStudy():
            lines, bias = _said_linearity(found, unit), None
        case _:
            return _said_stability(found, days)
    if known_uncertainty is None:
        lines.append("How sure the reference itself is was not said.")
    elif bias is None or abs(bias.bias) <= known_uncertainty:
        lines.append(
            f"The reference itself is known to {PLUS_MINUS}"
            f"{amount(known_uncertainty, unit)}: so much of a bias may be its own."
        )
    else:
        lines.append(
            f"The bias is larger than the reference is unsure "
            f"({PLUS_MINUS}{amount(known_uncertainty, unit)})."
        )
    return lines


def _about(value: float, interval: "Interval", unit: str) -> str:
    return about(value, interval.lower, interval.upper, unit)


def _said_type1(found: "gauge.Type1Study", tolerance: float, unit: str) -> list[str]:
    width = f"limits that are {amount(tolerance, unit)} apart"
    if found.cg < CAPABLE:
        least = amount(found.least_tolerance(CAPABLE), unit)
        good = (
            f"Its readings scatter too much for {width}: it would do from {least} on."
        )
    elif found.cgk < CAPABLE:
        good = f"Its readings agree, but their mean is too far off for {width}."
    else:
        good = f"The gauge will do for {width}."
    both = f"Cg is {found.cg:.2f} and Cgk {found.cgk:.2f}"
    room = f"{100 * found.share:.0f} % of that width"
    meant = f"Cg is {room} over {found.sigmas:.0f} standard deviations of the readings"
    lines = [
        f"{both}; {CAPABLE} or more is wanted of both. {good}",
        f"{meant}; Cgk is what the bias leaves of it.",
        _said_bias(found.bias, unit),
    ]
    if found.bias.n < USUAL_READINGS:
        lines.append(
            f"This rests on {found.bias.n} readings; {USUAL_READINGS} or more are "
            "usual."
        )
    return lines


def _said_bias(found: "gauge.BiasStudy", unit: str) -> str:
    off = _about(found.bias, found.interval, unit)
    told = f"The mean lies {off} from the reference"
    if found.p < SURE:
        return f"{told}: that is no chance."
    return f"{told}: chance alone may make as much."


def _said_linearity(found: "gauge.LinearityStudy", unit: str) -> list[str]:
    (low, at_low), *_, (high, at_high) = found.reference_bias
    ends = (
        f"The bias is {amount(at_low, unit, half=found.s)} at {amount(low, unit)} and "
        f"{amount(at_high, unit, half=found.s)} at {amount(high, unit)}."
    )
    if found.slope_p < SURE:
        lines = [f"The bias changes over the range. {ends}"]
    else:
        lines = [f"No change of the bias over the range is shown. {ends}"]
    lines.append(
        "A bias of zero lies inside the line's 95 % band at every reference."
        if found.linear
        else "A bias of zero lies outside the line's 95 % band at some references: "
        "correct what is read there."
    )
    return lines


def _said_stability(
    found: "gauge.StabilityStudy", days: Sequence[datetime]
) -> list[str]:
    size = counted(len(found.means), "day")
    lines = [
        f"{capital(one.rule.words)}: on {day_of(days[one.n - 1])}"
        + (f", since {day_of(days[one.first_n - 1])}." if one.first_n < one.n else ".")
        for one in found.firings
    ]
    lines.insert(
        0,
        f"{counted(len(found.firings), 'signal')} in {size}: find out what happened."
        if lines
        else f"No signal in {size}: the gauge reads as it did.",
    )
    lines.append(
        "It drifts: a straight line through the days is no chance."
        if found.p < SURE
        else "No drift is shown."
    )
    if len(found.means) < USUAL_TIMES:
        lines.append(
            f"The limits rest on {size}; {USUAL_TIMES} or more are usual, and fewer "
            "give limits that may be too narrow or too wide."
        )
    return lines


def as_text(
    rows: Iterable[tuple[str, Sequence[float]]],
    *,
    middle: float,
    marks: Sequence[float] = (),
    columns: int = 41,
) -> list[dict[str, str]]:
    """Return a picture for a terminal: a line a row, with a dot for each value.

    A bar stands at `middle`, a colon at each of `marks` (limits).

    >>> drawn = as_text(
    ...     [("a", [1.0]), ("b", [3.0])], middle=2.0, marks=[1.0, 3.0], columns=5
    ... )
    >>> [one["drawn"] for one in drawn]
    ['o | :', ': | o']
    """
    told = list(rows)
    every = [*(one for _, values in told for one in values), *marks, middle]
    low, width = min(every), max(every) - min(every) or 1.0

    def place(value: float) -> int:
        return round((value - low) / width * (columns - 1))

    drawn = []
    for name, values in told:
        letters = [" "] * columns
        for one in marks:
            letters[place(one)] = ":"
        letters[place(middle)] = "|"
        for one in values:
            letters[place(one)] = "o"
        drawn.append({"name": name, "drawn": "".join(letters)})
    return drawn


def _said_crossed(found: "gauge.CrossedStudy", tolerance: float | None) -> list[str]:
    of = found.spread
    share = of.share_of_spread
    if share <= GOOD:
        good = "It tells the parts apart well."
    elif share <= USELESS:
        good = "It will do where little depends on it."
    else:
        good = "It does not do: find out what scatters first."
    categories = f"{of.categories} categories of parts"
    told = f"The gauge makes {100 * share:.1f} % of the spread and tells {categories}"
    lines = [f"{told} ({FEWEST_CATEGORIES} or more are wanted). {good}"]
    if tolerance is not None:
        taken = of.share_of_tolerance(tolerance)
        fits = "which is good" if taken <= GOOD else "which is much"
        if taken > USELESS:
            fits = "which is too much"
        lines.append(
            f"Six of its standard deviations take {100 * taken:.1f} % of the width "
            f"between the limits, {fits}."
        )
    lines.append(
        "Most of it is repeatability: the same person reading the same part again."
        if of.repeatability >= of.reproducibility
        else "Most of it is between people: let them agree on how to read."
    )
    return lines


def to_repeat(studies: Sequence[str]) -> tuple[str, ...]:
    """Say which studies were made on another bench."""
    return tuple(
        f"Repeat gauge study {one}: the bench has changed since." for one in studies
    )


ANOTHER_BENCH = (
    "This study rests on another bench: an instrument or its accuracy has changed "
    "since."
)
