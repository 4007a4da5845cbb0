"""What moves a reading on a simulated bench beside its meters' errors.

What a bench's settings say is a bound (JCGM 100, 4.3.7): what truly acts lies anywhere
within it, is drawn once for a bench, and is the same for every unit.
"""

from dataclasses import dataclass
from typing import Self

from numpy.random import Generator

from config import Bench, Influences

__all__ = ["Strays", "TwoFold"]

STANDARD_C = 23.0
"""What a resistor's value is of, where nothing else is written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoFold:
    """What stands while nothing is driven, and what comes with the level beside it.

    Zeros take off the first, not the second, which is that at full scale.
    """

    standing: float = 0.0
    with_level: float = 0.0

    def at(self, share: float) -> float:
        """Return what acts at a share of full scale."""
        return self.standing + self.with_level * share

    @classmethod
    def within(cls, bound: float | None, draw: Generator) -> Self:
        """Draw what lies within a bound, either way; nothing where there is none."""
        stands, standing, further = draw.uniform(size=3).tolist()
        most = bound or 0.0
        return cls(
            standing=most * stands * (2 * standing - 1),
            with_level=most * (1 - stands) * (2 * further - 1),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Strays:
    """What acts on a bench; as it is made, nothing does."""

    leakage_a: TwoFold = TwoFold()
    """What the reference reads and the unit does not get."""
    past_a: float = 0.0
    """What the burden drives past the unit at full scale."""
    in_leads: float = 0.0
    """Share of the volts that drops in the leads of the unit's input."""
    loading: float = 0.0
    """Share of the volts at the unit's output that its meter takes away."""
    reference_v: TwoFold = TwoFold()
    output_v: TwoFold = TwoFold()
    """Thermal voltage."""
    bias_v: float = 0.0
    """What the current of the meter's input drops in the unit's output."""
    standard_ppm_per_k: float = 0.0
    standard_c: float = STANDARD_C
    reference_ppm: float = 0.0
    output_ppm: float = 0.0
    """What meters have drifted by since they were calibrated."""

    @classmethod
    def of(cls, bench: Bench, draw: Generator) -> Self:
        """Draw what acts on a bench, each within what its settings say."""
        said = bench.influences or Influences()
        known = bench.reference_is
        in_leads = _divided(said.lead_ohm, said.input_ohm)
        loading = _divided(said.output_ohm, said.meter_ohm)
        past_a = (said.burden_v or 0.0) / (said.insulation_ohm or 1.0)
        bias_v = (said.bias_a or 0.0) * (said.output_ohm or 0.0)

        def up_to(bound: float) -> float:
            return bound * float(draw.uniform())

        def either_way(bound: float) -> float:
            return bound * float(draw.uniform(-1.0, 1.0))

        return cls(
            leakage_a=TwoFold.within(said.leakage_a, draw),
            past_a=up_to(past_a),
            in_leads=up_to(in_leads),
            loading=up_to(loading),
            reference_v=TwoFold.within(said.thermal_v, draw),
            output_v=TwoFold.within(said.thermal_v, draw),
            bias_v=either_way(bias_v),
            standard_ppm_per_k=either_way(known.standard_tempco_ppm_per_k or 0.0),
            standard_c=STANDARD_C if known.standard_c is None else known.standard_c,
            reference_ppm=either_way(bench.reference.since_calibration_ppm),
            output_ppm=either_way(bench.output.since_calibration_ppm),
        )

    def standard_share(self, temperature_c: float) -> float:
        """Return what a standard resistor has at a temperature, as a share of its."""
        warmer_k = temperature_c - self.standard_c
        return 1 + self.standard_ppm_per_k * 1e-6 * warmer_k


def _divided(ohm: float | None, other_ohm: float | None) -> float:
    """Return the share of the volts across both that drops in the first."""
    if ohm is None or other_ohm is None:
        return 0.0
    return ohm / (ohm + other_ohm)
