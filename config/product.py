"""The product as the maker writes it: parts, ranges, limits.

Every number's unit is in its name. The few names without one (`full_scale`,
`source_limit`) are in the product's own input unit, ampere or volt, because one
product amplifies currents and another divides voltages.
"""

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from config import formula
from config.near import near
from config.strict import (
    Celsius,
    InputQuantity,
    Key,
    Name,
    Ohm,
    Ppm,
    Problem,
    Seconds,
    Strict,
    Volt,
    where_whole,
)

__all__ = [
    "MOST_ADDRESS_LINES",
    "ErrorLimit",
    "Formula",
    "Maker",
    "Part",
    "Product",
    "Range",
    "Tolerance",
]

TEMPCO_PPM_PER_K_BY_TOLERANCE_PPM = {1_000: 25.0, 10_000: 100.0, 500_000: 200.0}
"""Bound of the temperature coefficient by the widest tolerance of each class."""


def _formula(text: str) -> str:
    formula.part_names(text)
    return text


Formula = Annotated[str, Field(max_length=500), AfterValidator(_formula)]
Tolerance = Annotated[float, Field(gt=0, le=500_000)]
MOST_ADDRESS_LINES = 6
MOST_SOURCE_OVER_FULL_SCALE = 10.0
"""More is a slip of a prefix, and would drive the unit far beyond its range."""


class Maker(Strict):
    """Who builds the product and answers for what its documents say."""

    name: Name
    address: Annotated[
        tuple[Name, ...], Field(max_length=MOST_ADDRESS_LINES, strict=False)
    ] = ()
    contact: Name | None = None
    """Mail address, telephone or page for whoever has a question."""

    @property
    def lines(self) -> tuple[str, ...]:
        """Everything that is known, a line each.

        Examples
        --------
        >>> Maker(name="Moreno Lab", address=("Lane 1", "Town")).lines
        ('Moreno Lab', 'Lane 1', 'Town')
        """
        contact = () if self.contact is None else (self.contact,)
        return (self.name, *self.address, *contact)


class Part(Strict):
    """A component position on the board."""

    nominal_ohm: Ohm
    tolerance_ppm: Tolerance
    tempco_ppm_per_k: Annotated[float, Field(ge=0, le=100_000)] | None = None

    @property
    def temperature_coefficient_ppm_per_k(self) -> float:
        """Bound of the temperature coefficient; by class where none is written.

        Common practice, no source: 0.1 % and better parts are sold with
        25 ppm/K, 1 % parts with 100 ppm/K, wider ones with 200 ppm/K.
        """
        if self.tempco_ppm_per_k is not None:
            return self.tempco_ppm_per_k
        return next(
            tempco
            for tolerance, tempco in TEMPCO_PPM_PER_K_BY_TOLERANCE_PPM.items()
            if self.tolerance_ppm <= tolerance
        )


class ErrorLimit(Strict):
    """Largest error a range may have: ppm of reading plus ppm of full scale."""

    of_reading_ppm: Ppm
    of_full_scale_ppm: Ppm = 0.0

    def problems(self) -> Iterator[Problem]:
        """Refuse a limit that no unit can meet."""
        if self.of_reading_ppm == self.of_full_scale_ppm == 0:
            yield Problem(
                path=("of_reading_ppm",),
                problem="no unit meets an error limit of 0; this or of_full_scale_ppm "
                "must be > 0 and <= 1000000",
            )


class Range(Strict):
    """One switchable range of the product."""

    title: Name
    full_scale: InputQuantity
    transfer: Formula
    limit: ErrorLimit
    source_limit: InputQuantity
    settle_s: Seconds = 0.5
    """Within this a change of level has died away to some 50 ppm: ten time constants.
    The bench goes on when it sees rest, and gives up after three times this."""
    both_polarities: bool = False
    """Whether its input may be driven below zero as well."""
    selector: Name | None = None

    @property
    def part_names(self) -> tuple[str, ...]:
        """Parts that the transfer formula names, in the order they are written."""
        return formula.part_names(self.transfer)

    def problems(self) -> Iterator[Problem]:
        """Refuse a source that cannot reach full scale."""
        if self.source_limit < self.full_scale:
            yield Problem(
                path=("source_limit",),
                problem=f"must be >= the full scale, {self.full_scale:g}, and <= 1000",
            )
        elif self.source_limit > MOST_SOURCE_OVER_FULL_SCALE * self.full_scale:
            yield Problem(
                path=("source_limit",),
                problem="must be at most ten times the full scale, "
                f"{self.full_scale:g}: is a prefix wrong?",
            )


class Product(Strict):
    """The instrument type that is built, tested and shipped."""

    name: Name
    title: Name
    input_unit: Literal["A", "V"]
    output_unit: Literal["V"] = "V"
    reference_temperature_c: Celsius = 23.0
    input_absolute_maximum_v: Volt
    maker: Maker | None = None
    parts: Annotated[dict[Key, Part], Field(min_length=1)]
    ranges: Annotated[dict[Name, Range], Field(min_length=1)]

    @property
    def issuer(self) -> str:
        """Who issues its documents, a line each; its title where no maker is named."""
        return self.title if self.maker is None else "\n".join(self.maker.lines)

    @property
    def contact(self) -> str:
        """Where questions about a unit go; empty where none is written."""
        return (self.maker.contact or "") if self.maker is not None else ""

    def problems(self) -> Iterator[Problem]:
        """Refuse formulas and parts that do not belong together; doubled selectors."""
        for key, one in self.ranges.items():
            with where_whole:
                for name in one.part_names:
                    if name not in self.parts:
                        yield Problem(
                            path=("ranges", key, "transfer"),
                            problem=f"no part is named {name!r}",
                            suggestion=near(name, self.parts),
                        )
        with where_whole:
            used = {name for one in self.ranges.values() for name in one.part_names}
            for name in self.parts:
                if name not in used:
                    yield Problem(
                        path=("parts", name),
                        problem="no transfer formula uses this part: name it in one, "
                        "or delete it",
                    )
        yield from self._doubled_selectors()

    def _doubled_selectors(self) -> Iterator[Problem]:
        chosen: dict[str, str] = {}
        for key, one in self.ranges.items():
            with where_whole:
                if one.selector is None:
                    continue
                first = chosen.setdefault(one.selector, key)
                if first != key:
                    yield Problem(
                        path=("ranges", key, "selector"),
                        problem=f"already chooses range {first!r}; each range needs "
                        "its own",
                    )
