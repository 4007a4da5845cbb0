"""What else moves a reading, beside meters and scatter: lines of a range's budget.

Each is a bound either way (JCGM 100, 4.3.7), and the same for every unit on this bench.
"""

from collections.abc import Iterator, Sequence

from config import Bench, Influences
from daemon.metrology import Component, half_width_component

__all__ = ["at_level", "at_zero"]

PPM = 1e6
NOTHING = Influences()
STANDARD_C = 23.0
"""What a resistor's value is of, where nothing else is written."""


def at_level(
    bench: Bench,
    *,
    ambient_c: float,
    input_level: float,
    output_level_v: float,
    full_scale: float,
    takes_ampere: bool,
    gain_cancels: bool,
) -> list[Component]:
    """Return what acts on a level, ppm of it; nothing where nothing is written.

    Parameters
    ----------
    bench
        Its settings.
    ambient_c
        Of the room, or the least favourable that it may have.
    input_level, full_scale
        In the product's input unit, above 0.
    output_level_v
        What comes out at that level, above 0.
    takes_ampere
        Whether the product takes ampere; else it takes volts.
    gain_cancels
        Whether one voltmeter on one range reads what goes in and what comes out: what
        it has drifted by since its calibration is the same in both.
    """
    lines = [
        *_of_instruments(bench, ambient_c, gain_cancels=gain_cancels),
        *_of_input(bench, input_level, full_scale, takes_ampere=takes_ampere),
        *_of_output(bench, output_level_v),
    ]
    return [
        half_width_component(name, bound_ppm, of_bench=True)
        for name, bound_ppm in lines
        if bound_ppm > 0
    ]


def at_zero(bench: Bench, *, output_v: float, full_scale: float) -> Sequence[Component]:
    """Return what acts on the offset, ppm of full scale.

    Zero takes off what stays alike while a level is read; of the offset it is part.

    Parameters
    ----------
    output_v
        At full scale, above 0.
    full_scale
        In the product's input unit, above 0.
    """
    said = bench.influences or NOTHING
    lines = (
        ("output: thermal voltage", (said.thermal_v or 0.0) / output_v),
        ("output: bias current", _bias_v(bench) / output_v),
        ("reference: leakage", (said.leakage_a or 0.0) / full_scale),
    )
    return [
        half_width_component(name, share * PPM, of_bench=True)
        for name, share in lines
        if share > 0
    ]


def _of_instruments(
    bench: Bench, ambient_c: float, *, gain_cancels: bool
) -> Iterator[tuple[str, float]]:
    if not gain_cancels:
        for role, one in (("reference", bench.reference), ("output", bench.output)):
            yield f"{role}: since its calibration", one.since_calibration_ppm
    known = bench.reference_is
    at_c = STANDARD_C if known.standard_c is None else known.standard_c
    moved_ppm = (known.standard_tempco_ppm_per_k or 0.0) * abs(ambient_c - at_c)
    yield "standard resistor: temperature", moved_ppm


def _of_input(
    bench: Bench, level: float, full_scale: float, *, takes_ampere: bool
) -> Iterator[tuple[str, float]]:
    said, standard_ohm = bench.influences or NOTHING, bench.reference_is.standard_ohm
    yield "reference: leakage", PPM * (said.leakage_a or 0.0) / level
    if said.burden_v is not None and said.insulation_ohm is not None:
        # Both grow with the level, so that their ratio is that at full scale.
        past_a = said.burden_v / said.insulation_ohm
        yield "reference: burden", PPM * past_a / full_scale
    if said.lead_ohm is not None and said.input_ohm is not None:
        dropped = said.lead_ohm / (said.lead_ohm + said.input_ohm)
        yield "reference: leads", PPM * dropped
    read_v = level if not takes_ampere else level * (standard_ohm or 0.0)
    if read_v > 0:
        yield "reference: thermal voltage", PPM * (said.thermal_v or 0.0) / read_v


def _of_output(bench: Bench, level_v: float) -> Iterator[tuple[str, float]]:
    said = bench.influences or NOTHING
    yield "output: thermal voltage", PPM * (said.thermal_v or 0.0) / level_v
    if said.output_ohm is not None and said.meter_ohm is not None:
        lost = said.output_ohm / (said.output_ohm + said.meter_ohm)
        yield "output: loading", PPM * lost
    yield "output: bias current", PPM * _bias_v(bench) / level_v


def _bias_v(bench: Bench) -> float:
    said = bench.influences or NOTHING
    return (said.bias_a or 0.0) * (said.output_ohm or 0.0)
