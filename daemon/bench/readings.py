"""What the sequence hands on: raw readings, and where they come to rest."""

from dataclasses import dataclass

from daemon.metrology import Rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """Readings at one source setting, in the product's units.

    `level` is what the source was told, 0 for a zero point; the reference says
    what truly went in. The three tuples have one element a reading, `at_s` when the
    output was read. `rest` is where the output comes to rest, judged while it was
    read; None where nobody watched it settle.
    """

    level: float
    reference: tuple[float, ...]
    output: tuple[float, ...]
    at_s: tuple[float, ...]
    rest: Rest | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeReadings:
    """All points of one range of one unit, in the order they were taken.

    `reference_full_scale` and `output_full_scale` are the instrument ranges that
    were in use; their specification carries the uncertainty.
    """

    range: str
    points: tuple[Point, ...]
    reference_full_scale: float
    output_full_scale: float
    ambient_c: float | None
    zero_read: bool = True
    """Whether the zero points were read; a person may type the level alone."""

    @property
    def taken(self) -> tuple[Point, ...]:
        """The points that somebody read: a zero that was left out is none."""
        if self.zero_read:
            return self.points
        return tuple(one for one in self.points if one.level or any(one.reference))
