"""Trimming a resistor by one more resistor of preferred value."""

from dataclasses import dataclass
from enum import StrEnum

from daemon.metrology.checks import ordered, positive
from daemon.metrology.errors import NoSolutionError
from daemon.metrology.preferred import neighbours


class TrimKind(StrEnum):
    """How the trimming resistor is fitted."""

    PARALLEL = "in parallel"
    SERIES = "in series"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """A trimming resistor and what it makes of the resistor.

    `error_ppm` is what stays of the error, ppm of the wanted value.
    `sensitivity` is how much of the trimming resistor's own tolerance and
    temperature coefficient reaches the result, dimensionless.
    """

    kind: TrimKind
    part_ohm: float
    result_ohm: float
    error_ppm: float
    sensitivity: float


def parallel_trim(
    actual_ohm: float,
    wanted_ohm: float,
    *,
    series: str = "E96",
    lowest_ohm: float = 1.0,
    highest_ohm: float = 10e6,
) -> Trim:
    """Return the preferred value that, in parallel, brings a resistor down.

    Parameters
    ----------
    actual_ohm : float
        What is fitted, above `wanted_ohm`: a parallel resistor only lowers.
    wanted_ohm : float
        Above zero.
    series : str
        Series of IEC 60063, "E3" to "E192".
    lowest_ohm, highest_ohm : float
        What can be had.

    Returns
    -------
    Trim
        The value whose result is nearest to the wanted one.

    Raises
    ------
    NoSolutionError
        If the resistor is not above the wanted value, or the value that would
        trim it cannot be had.
    ArgumentError
        If a value is not above zero or the series is unknown.

    Examples
    --------
    >>> trim = parallel_trim(10_030.0, 10_000.0)
    >>> trim.part_ohm, round(trim.error_ppm), round(trim.sensitivity, 5)
    (3320000.0, -21, 0.00301)
    """
    positive(actual_ohm=actual_ohm, wanted_ohm=wanted_ohm)
    if actual_ohm <= wanted_ohm:
        raise NoSolutionError(
            subject=f"{actual_ohm:g} ohm",
            reason=f"a parallel resistor only lowers, and {wanted_ohm:g} ohm is wanted",
        )
    exact_ohm = actual_ohm * wanted_ohm / (actual_ohm - wanted_ohm)
    return _best(
        [
            Trim(
                kind=TrimKind.PARALLEL,
                part_ohm=part_ohm,
                result_ohm=(result := actual_ohm * part_ohm / (actual_ohm + part_ohm)),
                error_ppm=(result / wanted_ohm - 1) * 1e6,
                sensitivity=actual_ohm / (actual_ohm + part_ohm),
            )
            for part_ohm in _candidates(exact_ohm, series, lowest_ohm, highest_ohm)
        ]
    )


def series_trim(
    actual_ohm: float,
    wanted_ohm: float,
    *,
    series: str = "E96",
    lowest_ohm: float = 1.0,
    highest_ohm: float = 10e6,
) -> Trim:
    """Return the preferred value that, in series, brings a resistor up.

    Parameters
    ----------
    actual_ohm : float
        What is fitted, above zero and below `wanted_ohm`: a series resistor
        only raises.
    wanted_ohm : float
        What it should be.
    series : str
        Series of IEC 60063, "E3" to "E192".
    lowest_ohm, highest_ohm : float
        What can be had.

    Returns
    -------
    Trim
        The value whose result is nearest to the wanted one.

    Raises
    ------
    NoSolutionError
        If the resistor is not below the wanted value, or the value that would
        trim it cannot be had.
    ArgumentError
        If a value is not above zero or the series is unknown.

    Examples
    --------
    >>> trim = series_trim(9_970.0, 10_000.0)
    >>> trim.part_ohm, round(trim.error_ppm), round(trim.sensitivity, 5)
    (30.1, 10, 0.00301)
    """
    positive(actual_ohm=actual_ohm, wanted_ohm=wanted_ohm)
    if actual_ohm >= wanted_ohm:
        raise NoSolutionError(
            subject=f"{actual_ohm:g} ohm",
            reason=f"a series resistor only raises, and {wanted_ohm:g} ohm is wanted",
        )
    return _best(
        [
            Trim(
                kind=TrimKind.SERIES,
                part_ohm=part_ohm,
                result_ohm=actual_ohm + part_ohm,
                error_ppm=((actual_ohm + part_ohm) / wanted_ohm - 1) * 1e6,
                sensitivity=part_ohm / (actual_ohm + part_ohm),
            )
            for part_ohm in _candidates(
                wanted_ohm - actual_ohm, series, lowest_ohm, highest_ohm
            )
        ]
    )


def _best(trims: list[Trim]) -> Trim:
    return min(trims, key=lambda trim: abs(trim.error_ppm))


def _candidates(
    exact_ohm: float, series: str, lowest_ohm: float, highest_ohm: float
) -> list[float]:
    positive(lowest_ohm=lowest_ohm)
    ordered(lowest_ohm=lowest_ohm, highest_ohm=highest_ohm)
    available = [
        value
        for value in neighbours(exact_ohm, series)
        if lowest_ohm <= value <= highest_ohm
    ]
    if not available:
        raise NoSolutionError(
            subject="trimming resistor",
            reason=f"it would be {exact_ohm:.4g} ohm, and only {lowest_ohm:g} to "
            f"{highest_ohm:g} ohm can be had",
        )
    return available
