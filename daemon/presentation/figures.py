"""Numbers in words, everywhere alike: on screens, in commands and on paper.

The rule, for whoever writes a sentence, a column or a label:

- A current, a voltage, a resistance takes the prefix that leaves 1 to 999 before the
  point: 90 \N{MICRO SIGN}A, 4.99 k\N{GREEK CAPITAL LETTER OMEGA}.
- A share of something (an error, a move, a limit, a tolerance) is in percent from
  0.01 % on, below in ppm. What is compared has one unit: the largest decides, of a
  column, of a sum and of a value with its interval.
- What was worked out has the digits that its uncertainty allows: in a sentence down to
  the first digit of the half width of its 95 % interval, in a table, where that stands
  beside it, to the second. A finding's size has one text: `move`.
- What somebody set or claimed is said as it was set: a limit as its parts (`limit`),
  a label's value with the digits that its tolerance needs (`labelled`).
- A moment is in the local time of where it is read, with its zone.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import floor, isfinite, log10
from typing import Self

from config import PERCENT_FROM_PPM, ErrorLimit, limit_words

MINUS = "\N{MINUS SIGN}"
PLUS_MINUS = "\N{PLUS-MINUS SIGN}"
OHM = "\N{GREEK CAPITAL LETTER OMEGA}"
NONE = "\N{EN DASH}"
PREFIXES = (
    (1e9, "G"),
    (1e6, "M"),
    (1e3, "k"),
    (1.0, ""),
    (1e-3, "m"),
    (1e-6, "\N{MICRO SIGN}"),
    (1e-9, "n"),
    (1e-12, "p"),
)
OHM_PREFIXES = PREFIXES[:5]
"""Less than a milliohm is said in it."""
PPM_PER_PERCENT = 10_000.0
SAYABLE_SHARE = 0.99
MOST_DIGITS = 9
"""Of a label's value: more than any label has."""
SMALL_OF_TOLERANCE = 0.15
"""What may be dropped of a label's value, as a share of its tolerance: a design may
work with 499.95 ohm where its resistor of 0.1 % is one of 500 ohm."""
FEWEST_DIGITS = 3
"""Of a label's value: what every series of preferred values of 2 % and better has."""
COVERAGE = 2.0
"""Expanded uncertainties are stated for k = 2, about 95 %."""


def decimals_for(half_width: float, *, digits: int = 2) -> int:
    """Return how many decimals show `half_width` to `digits` significant digits.

    >>> decimals_for(0.034)
    3
    >>> decimals_for(4.2)
    1
    >>> decimals_for(120.0)
    0
    """
    if not isfinite(half_width) or half_width <= 0:
        return 0
    return max(0, digits - 1 - floor(log10(half_width)))


@dataclass(frozen=True, slots=True)
class ShareUnit:
    """Percent or ppm: what numbers that stand beside each other are said in.

    Parameters
    ----------
    name
        As it stands behind a number, or in a column's heading.
    ppm
        How many ppm it is.
    """

    name: str
    ppm: float

    @classmethod
    def of(cls, values_ppm: Iterable[float]) -> Self:
        """Return the unit of numbers that are compared; the largest decides.

        >>> ShareUnit.of([5000.0, 77.0]).name, ShareUnit.of([77.0]).name
        ('%', 'ppm')
        """
        largest_ppm = max((abs(one) for one in values_ppm), default=0.0)
        if largest_ppm >= PERCENT_FROM_PPM:
            return cls("%", PPM_PER_PERCENT)
        return cls("ppm", 1.0)

    def signed(self, value_ppm: float, half_ppm: float, *, digits: int = 2) -> str:
        """Return a share with its sign, without the unit, as sure as it is known.

        >>> ShareUnit.of([5000.0]).signed(-5841.2, 180.0)
        '−0.584'
        """  # noqa: RUF002 -- the doctest shows the true minus sign
        places = decimals_for(half_ppm / self.ppm, digits=digits)
        return signed(value_ppm / self.ppm, places)

    def half(self, half_ppm: float, *, digits: int = 2) -> str:
        """Return an expanded uncertainty or a half width, without the unit.

        >>> ShareUnit.of([5000.0]).half(180.0)
        '0.018'
        """
        places = decimals_for(half_ppm / self.ppm, digits=digits)
        return f"{half_ppm / self.ppm:.{places}f}"

    def plain(self, value_ppm: float) -> str:
        """Return a share that was set, without its unit and without idle zeros.

        >>> ShareUnit.of([5000.0]).plain(450.0)
        '0.045'
        """
        return f"{value_ppm / self.ppm:.6g}"

    def comes_to(self, limit_ppm: float) -> str:
        """Return what a limit comes to at one reading, to three digits, without unit.

        >>> ShareUnit.of([5000.0]).comes_to(4999.94)
        '±0.5'
        """
        return f"{PLUS_MINUS}{limit_ppm / self.ppm:.3g}"


def percent(
    error_ppm: float, half_width_ppm: float = 200.0, *, beside_ppm: Iterable[float] = ()
) -> str:
    """Return an error, signed, to the digits its half width allows.

    In percent; in ppm where it and all beside it are below 0.01 %.

    >>> percent(2900.0, 150.0), percent(42.0, 8.0)
    ('+0.29 %', '+42 ppm')
    >>> percent(-14500.0, 1000.0)
    '−1.4 %'
    """  # noqa: RUF002 -- the doctest shows the true minus sign
    unit = ShareUnit.of((error_ppm, half_width_ppm, *beside_ppm))
    places = decimals_for(half_width_ppm / unit.ppm, digits=1)
    text = f"{abs(error_ppm) / unit.ppm:.{places}f}"
    sign = "" if float(text) == 0 else "+" if error_ppm > 0 else MINUS
    return f"{sign}{text} {unit.name}"


def move(size_ppm: float, low_ppm: float, high_ppm: float) -> str:
    """Return how large a move is: the one text that a finding's size has.

    >>> move(2900.0, 2750.0, 3050.0)
    '+0.29 %'
    """
    return percent(size_ppm, (high_ppm - low_ppm) / 2)


def part_value(
    value_ohm: float,
    low_ppm: float,
    high_ppm: float,
    ends_ohm: Sequence[float] = (),
    *,
    alone: bool = False,
) -> str:
    """Return the value of a part that explains a move: the one text that it has.

    Parameters
    ----------
    value_ohm
        What explains the move.
    low_ppm, high_ppm
        The move's 95 % interval, which decides the digits where no ends are known.
    ends_ohm
        The 95 % interval of the value, the smaller first: it decides the digits.
    alone
        The value without its interval.

    Examples
    --------
    >>> part_value(5014.5, 2700.0, 3100.0, [5013.5, 5015.5])
    '5.0145 kΩ (5.0135 kΩ to 5.0155 kΩ with 95 %)'
    """
    half_ohm = abs(value_ohm) * (high_ppm - low_ppm) / 2 * 1e-6
    if ends_ohm:
        half_ohm = (ends_ohm[-1] - ends_ohm[0]) / 2
    text = ohm(value_ohm, half_ohm)
    if alone or not ends_ohm:
        return text
    ends = " to ".join(ohm(one, half_ohm) for one in ends_ohm)
    return f"{text} ({ends} with 95 %)"


def between(low_ppm: float, high_ppm: float, *, beside_ppm: float = 0.0) -> str:
    """Return the two ends of a 95 % interval, in the unit of what stands before it.

    >>> between(2750.0, 3050.0, beside_ppm=2900.0)
    '+0.28 % to +0.30 %'
    """
    half_ppm = (high_ppm - low_ppm) / 2
    near = (low_ppm, high_ppm, beside_ppm)
    return (
        f"{percent(low_ppm, half_ppm, beside_ppm=near)} to "
        f"{percent(high_ppm, half_ppm, beside_ppm=near)}"
    )


def known(value: float, expanded: float) -> str:
    """Return a number to the second digit of its expanded uncertainty.

    >>> known(1.005878, 0.000182)
    '1.00588'
    """
    return f"{value:.{decimals_for(expanded)}f}"


def measured(error_ppm: float, expanded_ppm: float, limit_ppm: float) -> str:
    """Return one unit's error: the text that it has in every list, paper and answer.

    Parameters
    ----------
    error_ppm, expanded_ppm
        With its expanded uncertainty (k = 2).
    limit_ppm
        The error limit: it decides whether percent or ppm.

    Examples
    --------
    >>> measured(5904.0, 124.0, 5000.0)
    '+0.590 %'
    """
    unit = ShareUnit.of((limit_ppm,))
    return f"{unit.signed(error_ppm, expanded_ppm)} {unit.name}"


def allowance(limit_ppm: float) -> str:
    """Return what a limit comes to at one reading.

    >>> allowance(5000.0), allowance(4950.0)
    ('±0.5 %', '±0.495 %')
    """
    unit = ShareUnit.of((limit_ppm,))
    return f"{unit.comes_to(limit_ppm)} {unit.name}"


def limit(allowed: ErrorLimit) -> str:
    """Return a range's error limit as the product sets it: the one text that it has.

    >>> limit(ErrorLimit(of_reading_ppm=4500.0, of_full_scale_ppm=450.0))
    '±(0.45 % of reading + 0.045 % of full scale)'
    """
    return limit_words(allowed)


def share_of_reading(value_percent: float) -> str:
    """Return an error limit in percent without idle zeros, for a narrow place.

    >>> share_of_reading(0.5)
    '0.5 %'
    """
    unit = ShareUnit.of((value_percent * PPM_PER_PERCENT,))
    return f"{value_percent * PPM_PER_PERCENT / unit.ppm:.3g} {unit.name}"


def ohm(
    value_ohm: float, half_width_ohm: float | None = None, *, digits: int = 6
) -> str:
    """Return a resistance with its prefix, to the digits its half width allows.

    Without a half width to `digits`, idle zeros left out.

    >>> ohm(10_030.4, 12.0)
    '10.030 kΩ'
    >>> ohm(0.05)
    '50 mΩ'
    """
    scale, prefix = next(
        (pair for pair in OHM_PREFIXES if abs(value_ohm) >= pair[0]), OHM_PREFIXES[-1]
    )
    scaled = value_ohm / scale
    if half_width_ohm is None:
        return f"{scaled:.{digits}g} {prefix}{OHM}"
    return f"{scaled:.{decimals_for(half_width_ohm / scale)}f} {prefix}{OHM}"


def capital(text: str) -> str:
    """Return a text that begins with a capital, the rest as it is.

    >>> capital("reel K-7 reads high")
    'Reel K-7 reads high'
    """
    return f"{text[:1].upper()}{text[1:]}"


def counted(number: int, singular: str) -> str:
    """Return "1 unit" or "2 units".

    >>> counted(2, "unit")
    '2 units'
    """
    return f"{number} {singular}" if number == 1 else f"{number} {singular}s"


def money(amount: float) -> str:
    """Return an amount in the currency that somebody else gave it in.

    >>> money(1234.5)
    '1,234.50'
    """
    return f"{amount:,.2f}"


def share(probability: float) -> str:
    """Return a probability in whole percent, never 100 % and never nothing.

    >>> share(0.99991), share(0.2), share(0.004)
    ('> 99 %', '20 %', '< 1 %')
    """
    if probability > SAYABLE_SHARE:
        return "> 99 %"
    if probability < 1.0 - SAYABLE_SHARE:
        return "< 1 %"
    return f"{100 * probability:.0f} %"


def carries(probability: float) -> str:
    """Return how sure it is that a unit carries what was found.

    >>> carries(1.0), carries(0.6), carries(0.0)
    ('yes', '60 %', 'no')
    """
    if probability > 1.0 - 1e-9:
        return "yes"
    return share(probability) if probability > 0 else "no"


def day(at: datetime | None) -> str:
    """Return a day; empty where none is known."""
    return "" if at is None else f"{at:%Y-%m-%d}"


def moment(at: datetime) -> str:
    """Return a day and a minute in local time, and in which zone."""
    # A frame's own kind of time has another way to its zone.
    here = datetime.fromtimestamp(at.timestamp(), UTC).astimezone()
    return f"{here:%Y-%m-%d %H:%M} {here:%Z}".strip()


def day_of(at: datetime) -> str:
    """Return on which day something happened, in local time."""
    return f"{at.astimezone():%Y-%m-%d}"


def on_label_ohm(value_ohm: float, tolerance_ppm: float) -> float:
    """Return what a label says of a planned value: the digits its tolerance needs.

    >>> on_label_ohm(49_999.95, 1_000.0), on_label_ohm(4_990.0, 1_000.0)
    (50000.0, 4990.0)
    """
    dropped = abs(value_ohm) * tolerance_ppm * 1e-6 * SMALL_OF_TOLERANCE
    for digits in range(FEWEST_DIGITS, MOST_DIGITS):
        near = float(f"{value_ohm:.{digits}g}")
        if abs(near - value_ohm) <= dropped:
            return near
    return value_ohm


def labelled(value_ohm: float, tolerance_ppm: float) -> str:
    """Return a label's value as a person writes it: digits that its tolerance needs.

    >>> labelled(49_999.95, 1_000.0), labelled(4_990.0, 1_000.0)
    ('50 kΩ', '4.99 kΩ')
    >>> labelled(499.95, 1_000.0), labelled(49_900.0, 50_000.0)
    ('500 Ω', '49.9 kΩ')
    >>> labelled(12_345.0, 100.0)
    '12.345 kΩ'
    """
    return ohm(on_label_ohm(value_ohm, tolerance_ppm), digits=MOST_DIGITS)


def label_limits(nominal_ohm: float, tolerance_ppm: float) -> tuple[str, str]:
    """Return between which values a label allows parts to be, with digits to tell them.

    >>> label_limits(909.09, 1_000.0), label_limits(4_990.0, 1_000.0)
    (('908.18 Ω', '910.00 Ω'), ('4.9850 kΩ', '4.9950 kΩ'))
    """
    off_ohm = nominal_ohm * tolerance_ppm * 1e-6
    low, high = (ohm(nominal_ohm + sign * off_ohm, off_ohm) for sign in (-1.0, 1.0))
    return low, high


def signed(value: float, decimals: int = 0) -> str:
    r"""Return a number with its sign, a true minus and groups of three.

    The groups stand apart by a space that breaks no line.

    >>> signed(-12345.6)
    '−12\xa0346'
    >>> signed(0.0012, 4)
    '+0.0012'
    """  # noqa: RUF002 -- the doctest shows what is set
    text = f"{abs(value):,.{decimals}f}".replace(",", "\N{NO-BREAK SPACE}")
    if float(f"{value:.{decimals}f}") == 0:
        return text
    return f"{'+' if value > 0 else MINUS}{text}"


def prefixed(
    value: float, unit: str, *, digits: int = 6, expanded: float | None = None
) -> str:
    """Return a quantity with its prefix, to so many significant digits.

    To the second digit of its expanded uncertainty, where that is known.

    >>> prefixed(9.00012e-7, "A"), prefixed(9.00012e-7, "A", expanded=1.2e-9)
    ('900.012 nA', '900.0 nA')
    """
    if value == 0:
        return f"0 {unit}"
    scale, prefix = next((p for p in PREFIXES if abs(value) >= p[0]), PREFIXES[-1])
    scaled = value / scale
    places = (
        decimals_for(expanded / scale)
        if expanded
        else max(0, digits - 1 - floor(log10(abs(scaled))))
    )
    return f"{scaled:.{places}f} {prefix}{unit}".replace("-", MINUS)


def tolerance(tolerance_ppm: float) -> str:
    """Return a claimed tolerance.

    >>> tolerance(1000.0), tolerance(50.0)
    ('±0.1 %', '±50 ppm')
    """
    return f"{PLUS_MINUS}{share_of(tolerance_ppm)}"


def share_of(value_ppm: float) -> str:
    """Return a share that somebody set or claimed, such as a tolerance.

    >>> share_of(1000.0), share_of(50.0)
    ('0.1 %', '50 ppm')
    """
    unit = ShareUnit.of((value_ppm,))
    return f"{unit.plain(value_ppm)} {unit.name}"


def yielded(value: float | None) -> str:
    """Return a yield in percent; a dash where nothing was judged.

    >>> yielded(0.975), yielded(None)
    ('97.5 %', '–')
    """  # noqa: RUF002 -- the doctest shows what is set
    return NONE if value is None else f"{100 * value:.1f} %"


def shown_value(column: str, value: object) -> str:
    """Return a recorded value as a person reads it, by the unit in its column's name.

    >>> shown_value("nominal_ohm", 4990.0), shown_value("tolerance_ppm", 1000.0)
    ('4.99 k\u03a9', '0.1 %')
    >>> shown_value("supplier", None), shown_value("received_at", "2026-03-02T09:00")
    ('not recorded', '2026-03-02')
    """
    if value is None:
        return "not recorded"
    if column.endswith("_ohm") and isinstance(value, int | float):
        return ohm(value)
    if column.endswith("_ppm") and isinstance(value, int | float):
        return share_of(value)
    if column in {"received_at", "claim_until"}:
        return str(value)[:10]
    return str(value)
