"""Numbers and states in the words of documents."""

from datetime import datetime
from math import floor, log10

from daemon.words import MINUS, decimals_for, ohm, share

COVERAGE = 2.0
"""Expanded uncertainties are stated for k = 2, about 95 %."""
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
PPM_PER_PERCENT = 10_000.0
NONE = "\N{EN DASH}"

__all__ = [
    "COVERAGE",
    "NONE",
    "PPM_PER_PERCENT",
    "day",
    "moment",
    "ohm",
    "ppm",
    "prefixed",
    "range_of",
    "share",
    "signed",
    "tolerance",
    "yielded",
]


def day(at: datetime | None) -> str:
    """Return a day; empty where none is known."""
    return "" if at is None else f"{at:%Y-%m-%d}"


def moment(at: datetime) -> str:
    """Return a day and a minute, and in which zone."""
    return f"{at:%Y-%m-%d %H:%M} {at:%Z}".strip()


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


def ppm(value_ppm: float, uncertainty_ppm: float) -> str:
    r"""Return ppm to the second digit of an uncertainty.

    >>> ppm(2903.27, 41.0)
    '+2\xa0903'
    """
    return signed(value_ppm, decimals_for(uncertainty_ppm))


def range_of(low_ppm: float, high_ppm: float) -> str:
    """Return an interval in percent, to the digits its half width allows."""
    places = decimals_for((high_ppm - low_ppm) / 2 / PPM_PER_PERCENT)
    low, high = (signed(one / PPM_PER_PERCENT, places) for one in (low_ppm, high_ppm))
    return f"{low} % to {high} %"


def prefixed(value: float, unit: str, *, digits: int = 6) -> str:
    """Return a quantity with its prefix, to so many significant digits.

    >>> prefixed(9.00012e-7, "A")
    '900.012 nA'
    """
    if value == 0:
        return f"0 {unit}"
    scale, prefix = next((p for p in PREFIXES if abs(value) >= p[0]), PREFIXES[-1])
    scaled = value / scale
    places = max(0, digits - 1 - floor(log10(abs(scaled))))
    return f"{scaled:.{places}f} {prefix}{unit}".replace("-", MINUS)


def tolerance(tolerance_ppm: float) -> str:
    """Return a claimed tolerance in percent.

    >>> tolerance(1000.0)
    '±0.1 %'
    """
    return f"\N{PLUS-MINUS SIGN}{tolerance_ppm / PPM_PER_PERCENT:g} %"


def yielded(value: float | None) -> str:
    """Return a yield in percent; a dash where nothing was judged.

    >>> yielded(0.975), yielded(None)
    ('97.5 %', '–')
    """  # noqa: RUF002 -- the doctest shows what is set
    return NONE if value is None else f"{100 * value:.1f} %"
