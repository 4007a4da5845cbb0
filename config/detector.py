"""What the detector holds possible, as the maker may write it in the control plan."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated

from pydantic import Field

from config.strict import Problem, Strict, where_whole

__all__ = ["Detector"]

Scatter = Annotated[float, Field(ge=0.001, le=10)]
Size = Annotated[float, Field(ge=0.01, le=100)]
Two = Annotated[tuple[Size, Size], Field(strict=False)]
Three = Annotated[tuple[Size, Size, Size], Field(strict=False)]
Slope = Annotated[float, Field(ge=0.0001, le=10)]
Slopes = Annotated[tuple[Slope, Slope], Field(strict=False)]
Walk = Annotated[float, Field(ge=0, le=10)]

RISING = ("reel_shifts", "mixed_differences", "bench_steps", "bench_slopes")


class Detector(Strict):
    """Sizes as multiples of the parts' tolerance.

    A product that reads ten times as coarse is watched alike. The limit of the
    detector is worked out for these very values.
    """

    part_scatter: Scatter = 0.15
    """Standard deviation of parts inside one reel, before any unit told."""
    reel_scatter: Scatter = 0.15
    """Of the means of ordinary reels, before any reel told."""
    most_reel_scatter: Scatter = 0.45
    """What `reel_scatter` never exceeds, however much earlier reels differed."""
    build_scatter: Scatter = 0.12
    """Of the level that all ranges share, from build to build."""
    range_level: Scatter = 0.4
    """Of the mean of a range over all reels."""
    odd_part: Size = 3.0
    """Of one odd part, or of a poor contact, in an otherwise ordinary unit."""
    reel_shifts: Three = (0.8, 2.5, 10.0)
    """How far a bad reel is off: little, much, very much."""
    wide_reel_shifts: Two = (0.25, 0.4)
    """How far one is off whose parts spread 3 and 6 times as wide."""
    mixed_differences: Two = (1.1, 3.0)
    """Between two reels that are mixed in unknown order."""
    tape_drift: Slope = 0.03
    """What parts of one reel may drift by along its tape, from unit to unit."""
    shared_shifts: Two = (0.8, 3.0)
    """How far a bad shared stage is off: much, very much."""
    bench_steps: Two = (0.3, 1.5)
    """What a bench may have stepped by."""
    bench_slopes: Slopes = (0.025, 0.06)
    """What a bench may drift by from unit to unit."""
    bench_walk: Walk = 0.02
    """What an ordinary bench is off by from session to session."""

    def problems(self) -> Iterator[Problem]:
        """Refuse sizes that do not rise, and a bound below what it bounds."""
        for key in RISING:
            with where_whole:
                sizes = getattr(self, key)
                if any(low >= high for low, high in pairwise(sizes)):
                    yield Problem(path=(key,), problem="must rise from first to last")
        with where_whole:
            if self.most_reel_scatter < self.reel_scatter:
                yield Problem(
                    path=("most_reel_scatter",),
                    problem=f"must be >= reel_scatter, {self.reel_scatter:g}",
                )
