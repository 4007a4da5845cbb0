"""Resistance from volts and amperes, low ohms, and corrections.

Measure resistance only with the board unpowered, battery out and capacitors
discharged; keep the test current within the part's power.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.metrology.checks import finite, not_negative, not_zero, positive, sample
from daemon.metrology.errors import ArgumentError


@dataclass(frozen=True, slots=True, kw_only=True)
class Reversal:
    """What two readings at opposite currents say, in volt."""

    voltage_v: float
    offset_v: float


def volt_ampere_ohm(voltage_v: float, current_a: float) -> float:
    """Return the resistance between the voltage terminals.

    Parameters
    ----------
    voltage_v : float
        Across the potential terminals alone: with four terminals no lead or
        contact is in it.
    current_a : float
        Through the resistor, not zero.

    Returns
    -------
    float
        Ohm.

    Raises
    ------
    ArgumentError
        If a value is not finite or the current is zero.

    Examples
    --------
    >>> round(volt_ampere_ohm(0.5, 0.05), 9)
    10.0
    """
    finite(voltage_v=voltage_v)
    not_zero(current_a=current_a)
    return voltage_v / current_a


def nulled_ohm(reading_ohm: float, shorted_ohm: float) -> float:
    """Return a two-terminal reading less that of the shorted leads.

    Parameters
    ----------
    reading_ohm : float
        With the part between the leads, >= 0.
    shorted_ohm : float
        With the leads shorted at the part, >= 0 and at most the reading.

    Returns
    -------
    float
        Ohm. What leads and contacts change between the two readings stays in.

    Raises
    ------
    ArgumentError
        If a reading is outside its bound.

    Examples
    --------
    >>> round(nulled_ohm(0.26, 0.16), 9)
    0.1
    """
    not_negative(reading_ohm=reading_ohm, shorted_ohm=shorted_ohm)
    if shorted_ohm > reading_ohm:
        raise ArgumentError(
            name="shorted_ohm",
            value=shorted_ohm,
            bound=f"<= reading_ohm ({reading_ohm!r})",
        )
    return reading_ohm - shorted_ohm


def lead_ohm(two_terminal_ohm: float, four_terminal_ohm: float) -> float:
    """Return what leads and contacts add to a two-terminal reading.

    Parameters
    ----------
    two_terminal_ohm, four_terminal_ohm : float
        Readings of one part, >= 0; the first is not the smaller.

    Returns
    -------
    float
        Ohm.

    Raises
    ------
    ArgumentError
        If a reading is outside its bound.

    Examples
    --------
    >>> round(lead_ohm(0.26, 0.1), 9)
    0.16
    """
    not_negative(two_terminal_ohm=two_terminal_ohm, four_terminal_ohm=four_terminal_ohm)
    if four_terminal_ohm > two_terminal_ohm:
        raise ArgumentError(
            name="four_terminal_ohm",
            value=four_terminal_ohm,
            bound=f"<= two_terminal_ohm ({two_terminal_ohm!r})",
        )
    return two_terminal_ohm - four_terminal_ohm


def current_reversal(forward_v: float, reverse_v: float) -> Reversal:
    """Return voltage and constant offset from readings at +I and -I.

    Parameters
    ----------
    forward_v, reverse_v : float
        Readings at the current and at its exact opposite, volt.

    Returns
    -------
    Reversal
        A constant offset, such as a thermal voltage, is out of `voltage_v`; one
        that drifts between the readings is in it by half the drift.

    Raises
    ------
    ArgumentError
        If a reading is not finite.

    Examples
    --------
    >>> result = current_reversal(110e-6, -90e-6)
    >>> round(result.voltage_v * 1e6, 9), round(result.offset_v * 1e6, 9)
    (100.0, 10.0)
    """
    finite(forward_v=forward_v, reverse_v=reverse_v)
    return Reversal(
        voltage_v=(forward_v - reverse_v) / 2, offset_v=(forward_v + reverse_v) / 2
    )


def three_point_reversal_v(readings_v: Sequence[float]) -> list[float]:
    """Return the voltage from each three readings at +I, -I, +I, -I and so on.

    Parameters
    ----------
    readings_v : sequence of float
        n readings at equal times, n >= 3, volt; the first at +I.

    Returns
    -------
    list of float
        n - 2 voltages, volt: constant offset and linear drift are out of them.
        They share readings, so their scatter is not that of n - 2 single ones.

    Raises
    ------
    ArgumentError
        With fewer than three readings or one that is not finite.

    Examples
    --------
    True 100, offset 10, drifting by 2 a reading:

    >>> three_point_reversal_v([110.0, -88.0, 114.0])
    [100.0]
    """
    taken = sample("readings_v", readings_v, at_least=3)
    return [
        (1 if place % 2 == 0 else -1)
        * (taken[place] - 2 * taken[place + 1] + taken[place + 2])
        / 4
        for place in range(len(taken) - 2)
    ]


def two_point_ohm(
    low_v: float, low_a: float, high_v: float, high_a: float
) -> tuple[float, float]:
    """Return resistance and offset from two currents of any size.

    Parameters
    ----------
    low_v, low_a, high_v, high_a : float
        Voltage and current at two settings, one of which may be zero; the
        currents differ.

    Returns
    -------
    tuple of float
        Resistance in ohm, and the voltage at no current in volt.

    Raises
    ------
    ArgumentError
        If a value is not finite or the currents are equal.

    Examples
    --------
    >>> two_point_ohm(0.5, 0.0, 2.5, 0.25)
    (8.0, 0.5)
    """
    finite(low_v=low_v, low_a=low_a, high_v=high_v)
    not_zero(**{"high_a - low_a": high_a - low_a})
    ohm = (high_v - low_v) / (high_a - low_a)
    return ohm, low_v - ohm * low_a


def voltage_ratio_ohm(
    voltage_v: float, standard_voltage_v: float, standard_ohm: float
) -> float:
    """Return a resistance from its volts and those of a standard in series.

    Parameters
    ----------
    voltage_v : float
        Across the resistor, offset removed.
    standard_voltage_v : float
        Across the standard resistor that carries the same current, not zero.
    standard_ohm : float
        Its value, above zero.

    Returns
    -------
    float
        Ohm. The current is not in it, and with one voltmeter on one range
        neither is its gain error.

    Raises
    ------
    ArgumentError
        If a value is outside its bound.

    Examples
    --------
    >>> voltage_ratio_ohm(0.75, 0.5, 100.0)
    150.0
    """
    finite(voltage_v=voltage_v)
    not_zero(standard_voltage_v=standard_voltage_v)
    positive(standard_ohm=standard_ohm)
    return voltage_v / standard_voltage_v * standard_ohm


def referred_ohm(
    resistance_ohm: float, tempco_ppm_per_k: float, at_c: float, reference_c: float
) -> float:
    """Return the resistance at the reference temperature.

    Parameters
    ----------
    resistance_ohm : float
        Measured at `at_c`, above zero.
    tempco_ppm_per_k : float
        Temperature coefficient at the reference temperature, ppm/K.
    at_c, reference_c : float
        Degree Celsius.

    Returns
    -------
    float
        Ohm: resistance / (1 + coefficient * (at - reference)).

    Raises
    ------
    ArgumentError
        If a value is outside its bound, or the coefficient would make the
        resistance vanish at that temperature.

    Examples
    --------
    >>> round(referred_ohm(1001.0, 100.0, 33.0, 23.0), 9)
    1000.0
    """
    positive(resistance_ohm=resistance_ohm)
    finite(tempco_ppm_per_k=tempco_ppm_per_k, at_c=at_c, reference_c=reference_c)
    factor = 1 + tempco_ppm_per_k * 1e-6 * (at_c - reference_c)
    positive(**{"1 + coefficient * (at_c - reference_c)": factor})
    return resistance_ohm / factor


def self_heating_ppm(
    resistance_ohm: float,
    current_a: float,
    thermal_k_per_w: float,
    tempco_ppm_per_k: float,
) -> float:
    """Return how far the measuring current itself changes a resistor.

    Parameters
    ----------
    resistance_ohm : float
        Above zero.
    current_a : float
        Measuring current.
    thermal_k_per_w : float
        Thermal resistance to the surroundings, >= 0.
    tempco_ppm_per_k : float
        Temperature coefficient.

    Returns
    -------
    float
        Ppm of the resistance, sign of the coefficient.

    Raises
    ------
    ArgumentError
        If a value is outside its bound.

    Examples
    --------
    >>> round(self_heating_ppm(100.0, 0.01, 100.0, 50.0), 9)
    50.0
    """
    positive(resistance_ohm=resistance_ohm)
    finite(current_a=current_a, tempco_ppm_per_k=tempco_ppm_per_k)
    not_negative(thermal_k_per_w=thermal_k_per_w)
    return current_a**2 * resistance_ohm * thermal_k_per_w * tempco_ppm_per_k


def correction_factor(relative_error: float) -> float:
    """Return what a reading is multiplied by to take a known error out.

    Parameters
    ----------
    relative_error : float
        Of the reading, dimensionless, above -1: 0.01 reads one percent high.

    Returns
    -------
    float
        1 / (1 + relative_error), not 1 - relative_error.

    Raises
    ------
    ArgumentError
        If the error is outside its bound.

    Examples
    --------
    >>> correction_factor(0.25)
    0.8
    """
    positive(**{"1 + relative_error": 1 + relative_error})
    return 1 / (1 + relative_error)
