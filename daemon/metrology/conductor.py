"""Copper leads and thermal voltages: what low ohms must be kept clear of."""

from collections.abc import Mapping
from math import pi
from types import MappingProxyType

from daemon.metrology.checks import finite, not_negative, positive
from daemon.metrology.errors import ArgumentError

COPPER_OHM_M_AT_20_C = 1 / 58e6
"""Resistivity of annealed copper, ohm metre, exact (IEC 60028: 1/58 ohm mm2/m)."""

COPPER_TEMPCO_PER_K_AT_20_C = 0.003_93
"""Constant-mass temperature coefficient at 20 degree Celsius (IEC 60028)."""

_COPPER_ZERO_C = 1 / COPPER_TEMPCO_PER_K_AT_20_C - 20

THERMAL_UV_PER_K: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "copper": (0.0, 0.3),
        "cadmium-tin solder": (0.2, 0.2),
        "gold": (0.3, 0.5),
        "silver": (0.3, 0.5),
        "brass": (3.0, 3.0),
        "beryllium copper": (5.0, 5.0),
        "aluminium": (5.0, 5.0),
        "lead-tin solder": (1.0, 5.0),
        "nickel": (10.0, 10.0),
        "nickel-iron sealing alloy": (40.0, 40.0),
        "silicon": (400.0, 500.0),
        "copper oxide": (1000.0, 1000.0),
    }
)
"""Thermoelectric voltage of a junction with copper, microvolt per kelvin, low
and high: orders of magnitude, for sources differ (published notes on low-level
measurement). Copper oxide is "more than"."""


def copper_tempco_per_k(at_c: float) -> float:
    """Return copper's temperature coefficient referred to a temperature.

    Parameters
    ----------
    at_c : float
        Degree Celsius, above -234.

    Returns
    -------
    float
        1/K: 1 / (234.45 + at_c), from 0.00393 at 20 degree (IEC 60028).

    Raises
    ------
    ArgumentError
        If the temperature is outside its bound.

    Examples
    --------
    >>> round(copper_tempco_per_k(25.0), 6)
    0.003854
    """
    finite(at_c=at_c)
    positive(**{"234.45 + at_c": _COPPER_ZERO_C + at_c})
    return 1 / (_COPPER_ZERO_C + at_c)


def gauge_diameter_mm(gauge: int) -> float:
    """Return the diameter of a wire of American gauge.

    Parameters
    ----------
    gauge : int
        0 to 50.

    Returns
    -------
    float
        Millimetre: 0.127 * 92^((36 - gauge) / 39) (ASTM B258).

    Raises
    ------
    ArgumentError
        If the gauge is outside its bound.

    Examples
    --------
    >>> round(gauge_diameter_mm(24), 4)
    0.5106
    """
    if not 0 <= gauge <= 50:
        raise ArgumentError(name="gauge", value=gauge, bound=">= 0 and <= 50")
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def gauge_area_mm2(gauge: int) -> float:
    """Return the cross-section of a wire of American gauge.

    Parameters
    ----------
    gauge : int
        0 to 50.

    Returns
    -------
    float
        Square millimetre (ASTM B258).

    Raises
    ------
    ArgumentError
        If the gauge is outside its bound.

    Examples
    --------
    >>> round(gauge_area_mm2(24), 4)
    0.2047
    """
    return pi / 4 * gauge_diameter_mm(gauge) ** 2


def copper_lead_ohm(length_m: float, area_mm2: float, at_c: float = 20.0) -> float:
    """Return the resistance of a copper lead.

    Parameters
    ----------
    length_m : float
        Out and back together, >= 0.
    area_mm2 : float
        Cross-section, above zero.
    at_c : float
        Degree Celsius.

    Returns
    -------
    float
        Ohm (IEC 60028).

    Raises
    ------
    ArgumentError
        If a value is outside its bound.

    Examples
    --------
    >>> round(copper_lead_ohm(2.0, 0.5), 5)
    0.06897
    """
    not_negative(length_m=length_m)
    positive(area_mm2=area_mm2)
    copper_tempco_per_k(at_c)
    at_20_c = COPPER_OHM_M_AT_20_C * length_m / (area_mm2 * 1e-6)
    return at_20_c * (1 + COPPER_TEMPCO_PER_K_AT_20_C * (at_c - 20.0))


def thermal_voltage_v(material: str, difference_k: float) -> float:
    """Return the largest voltage a copper junction may add unasked.

    Parameters
    ----------
    material : str
        The other metal, one of `THERMAL_UV_PER_K`.
    difference_k : float
        Temperature difference of the two junctions, >= 0.

    Returns
    -------
    float
        Volt, from the higher of the published figures.

    Raises
    ------
    ArgumentError
        If the material is not in the table or the difference is negative.

    Examples
    --------
    >>> round(thermal_voltage_v("brass", 2.0) * 1e6, 6)
    6.0
    """
    if material not in THERMAL_UV_PER_K:
        raise ArgumentError(
            name="material",
            value=material,
            bound=f"one of {', '.join(THERMAL_UV_PER_K)}",
        )
    not_negative(difference_k=difference_k)
    return THERMAL_UV_PER_K[material][1] * 1e-6 * difference_k
