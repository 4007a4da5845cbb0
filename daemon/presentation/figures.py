"""Numbers in words, everywhere alike: on screens, in commands and on paper."""

from datetime import datetime
from math import floor, isfinite, log10

MINUS = "\N{MINUS SIGN}"
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


def percent(error_ppm: float, half_width_ppm: float = 200.0) -> str:
    """Return an error in percent, signed, to the digits its half width allows.

    >>> percent(2900.0, 150.0)
    '+0.29 %'
    >>> percent(-14500.0, 1000.0)
    '−1.4 %'
    """  # noqa: RUF002 -- the doctest shows the true minus sign
    places = decimals_for(half_width_ppm / PPM_PER_PERCENT, digits=1)
    text = f"{abs(error_ppm) / PPM_PER_PERCENT:.{places}f}"
    sign = "+" if error_ppm >= 0 else MINUS
    return f"{sign}{text} %"


def share_of_reading(value_percent: float) -> str:
    """Return an error limit as it was set, without idle zeros.

    >>> share_of_reading(0.5)
    '0.5 %'
    """
    return f"{value_percent:.3g} %"


def ohm(value_ohm: float, half_width_ohm: float | None = None) -> str:
    """Return a resistance with its prefix, to the digits its half width allows.

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
        return f"{scaled:.6g} {prefix}{OHM}"
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
        return f"{value / PPM_PER_PERCENT:g} %"
    if column in {"received_at", "claim_until"}:
        return str(value)[:10]
    return str(value)
