"""What else moves a reading on a bench, beside meters: as the maker writes it."""

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from config.strict import Ohm, Problem, Strict

__all__ = ["Influences"]

TOGETHER = (
    ("burden_v", "insulation_ohm"),
    ("insulation_ohm", "burden_v"),
    ("lead_ohm", "input_ohm"),
    ("input_ohm", "lead_ohm"),
    ("output_ohm", "meter_ohm"),
    ("meter_ohm", "output_ohm"),
    ("bias_a", "output_ohm"),
)
"""What says nothing without the other."""

Ampere = Annotated[float, Field(gt=0, le=1)]
VoltBound = Annotated[float, Field(gt=0, le=1_000)]


class Influences(Strict):
    """Bounds, either way, of what acts on a reading; left out: it does not count."""

    thermal_v: VoltBound | None = None
    """Volts of contacts at unlike temperatures, in each reading of volts."""
    leakage_a: Ampere | None = None
    """Current that passes the unit by, or comes beside: bias of the reference meter."""
    burden_v: VoltBound | None = None
    """Volts across the unit's input and leads at full scale."""
    insulation_ohm: Ohm | None = None
    """What those volts drive a current through, past the unit."""
    lead_ohm: Ohm | None = None
    """From where the reference reads the volts to the unit, both leads."""
    input_ohm: Ohm | None = None
    """Of the unit's input: its current drops volts in those leads."""
    output_ohm: Ohm | None = None
    """Of the unit's output, its leads with it."""
    meter_ohm: Ohm | None = None
    """Of the input of the meter that reads the output: it loads the unit."""
    bias_a: Ampere | None = None
    """Current of that meter's input, through the unit's output."""

    def problems(self) -> Iterator[Problem]:
        """Refuse what says nothing without another."""
        for name, other in TOGETHER:
            if getattr(self, name) is not None and getattr(self, other) is None:
                yield Problem(
                    path=(other,), problem=f"missing; {name} says nothing without it"
                )

    @property
    def of_current(self) -> tuple[str, ...]:
        """Keys that are written and go with a product that takes ampere."""
        return self._written("leakage_a", "burden_v", "insulation_ohm")

    @property
    def of_voltage(self) -> tuple[str, ...]:
        """Keys that are written and go with a product that takes volts."""
        return self._written("lead_ohm", "input_ohm")

    def _written(self, *names: str) -> tuple[str, ...]:
        return tuple(one for one in names if getattr(self, one) is not None)
