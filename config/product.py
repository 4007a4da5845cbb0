"""The product as the maker writes it: parts, ranges, limits.

Every number's unit is in its name. The few names without one (`full_scale`,
`source_limit`) are in the product's own input unit, ampere or volt, because one
product amplifies currents and another divides voltages.
"""

from collections.abc import Iterator
from math import isfinite, nan
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from config import formula
from config.near import near
from config.quantity import with_signs
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
    WithstandVolt,
    where_whole,
)

__all__ = [
    "MOST_ADDRESS_LINES",
    "ErrorLimit",
    "Formula",
    "LimitParts",
    "LimitSpan",
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


Title = Annotated[Name, AfterValidator(with_signs)]
"""What a person reads: its units have one spelling, however they were typed."""
Formula = Annotated[str, Field(max_length=500), AfterValidator(_formula)]
Tolerance = Annotated[float, Field(gt=0, le=500_000)]
Share = Annotated[float, Field(gt=0, le=1)]
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


class LimitParts(Strict):
    """A limit of two parts: ppm of reading plus ppm of full scale."""

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


class LimitSpan(LimitParts):
    """The limit of a unit that is measured between two temperatures."""

    ambient_c: Annotated[tuple[Celsius, Celsius], Field(strict=False)]
    below: LimitParts | None = None

    def problems(self) -> Iterator[Problem]:
        """Refuse a span that is none."""
        yield from super().problems()
        with where_whole:
            low_c, high_c = self.ambient_c
            if low_c >= high_c:
                yield Problem(
                    path=("ambient_c",),
                    problem="must be the lower temperature, then the higher one",
                )


class ErrorLimit(LimitParts):
    """Largest error a range may have, as the product is specified.

    The two parts hold both ways, unless `below` says otherwise for what reads too
    little, or `sides` leaves one way open.
    """

    sides: Literal["both", "above", "below"] = "both"
    """Whether what reads too much is limited, or too little, or both."""
    offset: Literal["inside", "apart"] = "inside"
    """Whether the offset counts as part of the error, or is removed beforehand."""
    points: Annotated[tuple[Share, ...], Field(max_length=20, strict=False)] = ()
    """Shares of full scale at which the range is judged, beside the plan's level."""
    below: LimitParts | None = None
    spans: Annotated[tuple[LimitSpan, ...], Field(max_length=20, strict=False)] = ()
    """Other limits, by the temperature at which the unit is measured."""

    def problems(self) -> Iterator[Problem]:
        """Refuse a side that is open and limited, and a point named twice."""
        yield from super().problems()
        with where_whole:
            if self.sides != "both" and self.below is not None:
                yield Problem(
                    path=("sides",),
                    problem="must be 'both' where below has a limit of its own",
                )
        with where_whole:
            for place, one in enumerate(self.points):
                if one in self.points[:place]:
                    yield Problem(path=("points", place), problem="is named twice")
        with where_whole:
            for place, span in enumerate(self.spans):
                if self.sides != "both" and span.below is not None:
                    yield Problem(
                        path=("spans", place, "below"),
                        problem="sides leaves one way open; delete one of the two",
                        valued=False,
                    )

    def within(self, coldest_c: float, warmest_c: float) -> LimitSpan | None:
        """Return the span that holds for a room, None where the limit itself does.

        Parameters
        ----------
        coldest_c, warmest_c
            Where the room was read, both what was read; else what it may be.
        """
        fitting = [
            one
            for one in self.spans
            if one.ambient_c[0] <= coldest_c and warmest_c <= one.ambient_c[1]
        ]
        # Where two spans meet the narrower limit holds.
        return min(
            fitting,
            key=lambda one: one.of_reading_ppm + one.of_full_scale_ppm,
            default=None,
        )


class Range(Strict):
    """One switchable range of the product."""

    title: Title
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
    title: Title
    input_unit: Literal["A", "V"]
    output_unit: Literal["V"] = "V"
    reference_temperature_c: Celsius = 23.0
    input_absolute_maximum_v: WithstandVolt
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
        yield from self._without_value()
        yield from self._doubled_selectors()

    def _without_value(self) -> Iterator[Problem]:
        """Refuse a formula that comes to nothing with the parts as they should be."""
        for key, one in self.ranges.items():
            with where_whole:
                nominal = {name: part.nominal_ohm for name, part in self.parts.items()}
                if not set(one.part_names) <= set(nominal):
                    continue
                try:
                    value = formula.value_of(one.transfer, nominal)
                except (ZeroDivisionError, OverflowError):
                    value = nan
                if value == 0 or not isfinite(value):
                    yield Problem(
                        path=("ranges", key, "transfer"),
                        problem="must come to a number other than 0 with the nominal "
                        "values of its parts",
                    )

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
