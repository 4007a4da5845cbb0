"""Loose resistors: by which circuit they are measured, and what that leaves unsure.

Values marked "common practice, no source" are what the trade reckons with.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import hypot, sqrt

from daemon.metrology.checks import finite, not_negative, not_zero, positive
from daemon.metrology.errors import ArgumentError

PPM = 1e6

CONTACT_OHM = 0.02
"""How much two contacts differ from one part to the next, two-wire, either way
(common practice, no source)."""
FOUR_WIRE_BELOW_OHM = 100.0
FINE_PPM = 1_000.0
"""Parts as fine as this, and below that value, are not measured two-wire."""
GUARD_FROM_OHM = 1e6
"""From this value on leakage past the part counts."""
LEAK_OHM = 1e11
"""What lies across a part in air on a board that looks clean (common practice, no
source)."""
HOT_EMF_V = 5e-6
"""Thermal voltage of a circuit of unlike metals in a room, where the current is not
reversed (common practice, no source)."""
RISE_K_PER_W = 250.0
"""How much warmer a small part in air gets (common practice, no source)."""
FARTHEST_RATIO = 10.0
"""Beyond it two voltages do not lie on one range of a meter."""
SHORTEST_OHM, LONGEST_OHM = -0.02, 2.0
"""What leads and contacts of two wires come to, less what readings scatter by (common
practice, no source)."""


class Circuit(StrEnum):
    """How a loose part is measured."""

    FOUR_WIRE = "four-wire"
    TWO_WIRE = "two-wire"
    VOLTS_AMPERES = "volts-amperes"
    RATIO = "ratio"


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """One source of doubt: `standard_ppm` (k = 1), the same for all parts or not."""

    name: str
    standard_ppm: float
    common: bool

    def __post_init__(self) -> None:
        not_negative(**{self.name: self.standard_ppm})


@dataclass(frozen=True, slots=True, kw_only=True)
class Heating:
    """What a part's own heat does: power, rise, and change of value at most."""

    power_w: float
    rise_k: float
    change_ppm: float


class Between(StrEnum):
    """What a two-wire reading less a four-wire one of the same part says."""

    LEADS = "leads"
    LESS = "less"
    OPEN = "open"


def of_volts_amperes(
    volts: float,
    amperes: float,
    volts_reversed: float | None = None,
    amperes_reversed: float | None = None,
) -> float:
    """Return a resistance by Ohm's law, ohm.

    With the current reversed as well, what does not reverse with it (thermal voltage,
    the meters' offset) is gone.

    Parameters
    ----------
    volts, amperes
        Across the part, and through it.
    volts_reversed, amperes_reversed
        The same with the current reversed; None where it was not. Amperes alone left
        out: the same current the other way.

    Returns
    -------
    float
        Ohm.

    Raises
    ------
    ArgumentError
        A number is not finite, no current flows, or it was not reversed.

    Examples
    --------
    >>> of_volts_amperes(1.000_010, 1e-3, -0.999_990, -1e-3)
    1000.0
    """
    finite(volts=volts)
    not_zero(amperes=amperes)
    if volts_reversed is None:
        return volts / amperes
    back = -amperes if amperes_reversed is None else amperes_reversed
    finite(volts_reversed=volts_reversed)
    not_zero(amperes_reversed=back)
    _reversed("amperes_reversed", amperes, back)
    return (volts - volts_reversed) / (amperes - back)


def of_ratio(
    across: tuple[float, float | None],
    standard: tuple[float, float | None],
    standard_ohm: float,
) -> float:
    """Return a resistance by the voltages across it and a standard in series, ohm.

    Parameters
    ----------
    across, standard
        Volts, and volts with the current reversed; None where it was not.
    standard_ohm
        Of the standard, above zero.

    Returns
    -------
    float
        Ohm.

    Raises
    ------
    ArgumentError
        A number is not finite, one was reversed and the other not, or the voltages
        differ so much that no one range of a meter reads both.

    Examples
    --------
    >>> across, standard = (1.000_52, -1.000_48), (1.000_02, -0.999_98)
    >>> round(of_ratio(across, standard, 5_000.0), 6)
    5002.5
    """
    positive(standard_ohm=standard_ohm)
    spans = []
    for name, (there, back) in {"across": across, "standard": standard}.items():
        not_zero(**{name: there})
        if (back is None) != (across[1] is None):
            raise ArgumentError(
                name=name, value=back, bound="reversed for both voltages or for none"
            )
        if back is None:
            spans.append(there)
            continue
        not_zero(**{f"{name} reversed": back})
        _reversed(f"{name} reversed", there, back)
        spans.append(there - back)
    ratio = spans[0] / spans[1]
    if not 1 / FARTHEST_RATIO <= ratio <= FARTHEST_RATIO:
        raise ArgumentError(
            name="ratio",
            value=ratio,
            bound=f"between {1 / FARTHEST_RATIO:g} and {FARTHEST_RATIO:g}: take a "
            "standard of nearly the same value",
        )
    return ratio * standard_ohm


def two_wire_refused(nominal_ohm: float, tolerance_ppm: float) -> float | None:
    """Return what contacts alone may do to a part that is too fine for two wires, ppm.

    Parameters
    ----------
    nominal_ohm, tolerance_ppm
        What the label says.

    Returns
    -------
    float or None
        None where two wires may serve.

    Raises
    ------
    ArgumentError
        A number is not above zero.

    Examples
    --------
    >>> two_wire_refused(49.9, 1_000.0), two_wire_refused(4_990.0, 1_000.0)
    (400.80160320641284, None)
    """
    positive(nominal_ohm=nominal_ohm, tolerance_ppm=tolerance_ppm)
    if tolerance_ppm > FINE_PPM or nominal_ohm >= FOUR_WIRE_BELOW_OHM:
        return None
    return PPM * CONTACT_OHM / nominal_ohm


def leak_ppm(nominal_ohm: float) -> float | None:
    """Return by how much leakage lowers a reading, ppm; None where it does not count.

    Parameters
    ----------
    nominal_ohm
        Of the part.

    Returns
    -------
    float or None
        None below a megohm.

    Raises
    ------
    ArgumentError
        It is not above zero.

    Examples
    --------
    >>> round(leak_ppm(10e6), 2), leak_ppm(10e3)
    (99.99, None)
    """
    positive(nominal_ohm=nominal_ohm)
    if nominal_ohm < GUARD_FROM_OHM:
        return None
    return PPM * nominal_ohm / (nominal_ohm + LEAK_OHM)


def heating(
    nominal_ohm: float,
    current_a: float,
    tempco_ppm_per_k: float,
    *,
    rise_k_per_w: float = RISE_K_PER_W,
) -> Heating:
    """Return what the measuring current does to a part.

    Parameters
    ----------
    nominal_ohm, current_a
        Of the part, and through it.
    tempco_ppm_per_k
        Temperature coefficient that the label allows, either way.
    rise_k_per_w
        How much warmer the part gets.

    Returns
    -------
    Heating

    Raises
    ------
    ArgumentError
        A number is not finite, or below what is allowed.

    Examples
    --------
    >>> heating(100.0, 10e-3, 25.0)
    Heating(power_w=0.01, rise_k=2.5, change_ppm=62.5)
    """
    positive(nominal_ohm=nominal_ohm, rise_k_per_w=rise_k_per_w)
    finite(current_a=current_a)
    not_negative(tempco_ppm_per_k=tempco_ppm_per_k)
    power_w = current_a**2 * nominal_ohm
    rise_k = power_w * rise_k_per_w
    return Heating(power_w=power_w, rise_k=rise_k, change_ppm=rise_k * tempco_ppm_per_k)


def shares(
    circuit: Circuit,
    nominal_ohm: float,
    *,
    meter_ppm: float,
    ammeter_ppm: float = 0.0,
    standard_ppm: float = 0.0,
    volts: float | None = None,
    is_reversed: bool = False,
    guarded: bool = False,
    heated: Heating | None = None,
) -> tuple[Share, ...]:
    """Return what the measurement of loose parts leaves unsure, the largest first.

    Parameters
    ----------
    meter_ppm, ammeter_ppm
        Limits of error of ohmmeter or voltmeter, and of the ammeter, ppm of reading.
        For a ratio: how straight the voltmeter is on one range.
    standard_ppm
        Standard uncertainty (k = 1) of the standard resistor, ppm.
    volts
        Across the part, where volts were read.
    is_reversed
        Whether the current was reversed.
    guarded
        Whether a guard takes leakage away.
    heated
        Where the current is known.

    Returns
    -------
    tuple of Share
        Limits are taken as rectangular (JCGM 100:2008, 4.3.7).

    Raises
    ------
    ArgumentError
        A number is not finite, or below what is allowed.

    Examples
    --------
    >>> found = shares(Circuit.TWO_WIRE, 1_000.0, meter_ppm=200.0)
    >>> [(one.name, round(one.standard_ppm, 1)) for one in found]
    [('ohmmeter', 115.5), ('contacts', 11.5)]
    """
    positive(nominal_ohm=nominal_ohm)
    not_negative(
        meter_ppm=meter_ppm, ammeter_ppm=ammeter_ppm, standard_ppm=standard_ppm
    )
    limits: list[tuple[str, float, bool]] = []
    by_volts = circuit in {Circuit.VOLTS_AMPERES, Circuit.RATIO}
    limits.append(("voltmeter" if by_volts else "ohmmeter", meter_ppm, True))
    if circuit is Circuit.VOLTS_AMPERES:
        limits.append(("ammeter", ammeter_ppm, True))
    if circuit is Circuit.TWO_WIRE:
        limits.append(("contacts", PPM * CONTACT_OHM / nominal_ohm, False))
    if by_volts and not is_reversed and volts is not None:
        not_zero(volts=volts)
        limits.append(("thermal voltage", PPM * HOT_EMF_V / abs(volts), False))
    if not guarded and (leak := leak_ppm(nominal_ohm)) is not None:
        limits.append(("leakage", leak, True))
    if heated is not None:
        limits.append(("self-heating", heated.change_ppm, True))
    found = [
        Share(name=name, standard_ppm=limit / sqrt(3), common=common)
        for name, limit, common in limits
    ]
    if circuit is Circuit.RATIO:
        found.append(
            Share(name="standard resistor", standard_ppm=standard_ppm, common=True)
        )
    return tuple(sorted(found, key=lambda one: -one.standard_ppm))


def together_ppm(found: Sequence[Share]) -> float:
    """Return the standard uncertainty of shares that know nothing of one another.

    Parameters
    ----------
    found
        From `shares`.

    Returns
    -------
    float
        Ppm of the part, k = 1.

    Raises
    ------
    Nothing.

    Examples
    --------
    >>> one = Share(name="ohmmeter", standard_ppm=3.0, common=True)
    >>> two = Share(name="contacts", standard_ppm=4.0, common=False)
    >>> together_ppm([one, two])
    5.0
    """
    return hypot(*(one.standard_ppm for one in found))


def between_wires(two_wire_ohm: float, four_wire_ohm: float) -> Between:
    """Say what a two-wire reading less a four-wire one of the same part means.

    Parameters
    ----------
    two_wire_ohm, four_wire_ohm
        Of one part; the leads' own reading not taken off.

    Returns
    -------
    Between

    Raises
    ------
    ArgumentError
        A number is not finite.

    Examples
    --------
    >>> between_wires(100.31, 100.02).value, between_wires(99.0, 100.02).value
    ('leads', 'less')
    """
    finite(two_wire_ohm=two_wire_ohm, four_wire_ohm=four_wire_ohm)
    difference_ohm = two_wire_ohm - four_wire_ohm
    if difference_ohm < SHORTEST_OHM:
        return Between.LESS
    return Between.OPEN if difference_ohm > LONGEST_OHM else Between.LEADS


def _reversed(name: str, there: float, back: float) -> None:
    if there * back >= 0:
        raise ArgumentError(name=name, value=back, bound="of the other sign")
