"""What the units that carry a reel tell of its parts, beside its label."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from statistics import fmean, stdev

from daemon.judging import ProductModel
from daemon.presentation import counted, percent
from daemon.traceability.tracing import Records
from storage import Reel

__all__ = ["SHARED", "SeenInUnits", "seen_in_units", "told_by_units"]

COVERAGE = 2.0
FEWEST = 3
"""Units from which on a scatter is said."""
SHARED = (
    "Several ranges share it, so no range alone tells its value: a finding names it "
    "where it moved."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenInUnits:
    """What the latest readings of a range say of its own part, all others as planned.

    Attributes
    ----------
    part, title
        The part, and the range that it sets.
    deviations_ppm
        Of each unit's part from the label's nominal value, in the units' order.
    beside
        Other parts of the range that may move it as much.
    """

    part: str
    title: str
    deviations_ppm: tuple[float, ...]
    beside: tuple[str, ...] = ()

    @property
    def mean_ppm(self) -> float:
        """Their mean."""
        return fmean(self.deviations_ppm)

    @property
    def spread_ppm(self) -> float | None:
        """Their standard deviation; None of too few."""
        many = len(self.deviations_ppm) >= FEWEST
        return stdev(self.deviations_ppm) if many else None


def seen_in_units(
    records: Records, product: ProductModel, reel: Reel
) -> list[SeenInUnits]:
    """Return what measured units tell of a reel, part by part.

    Parts that several ranges share are left out: see `SHARED`.
    """
    by_part: dict[str, list[str]] = {}
    for unit, part in records.carriers(reel.reel):
        by_part.setdefault(part, []).append(unit.serial)
    found = []
    for part, serials in by_part.items():
        for one in product.ranges:
            if part not in (one.part, *one.alike):
                continue
            values = [
                product.implied_ohm(one.key, row.error_ppm, part)
                for serial in serials
                if (row := records.errors_of(serial).get(one.key)) is not None
            ]
            deviations = tuple(
                1e6 * (value / reel.nominal_ohm - 1.0)
                for value in values
                if value is not None
            )
            if deviations:
                found.append(
                    SeenInUnits(
                        part=part,
                        title=one.title,
                        deviations_ppm=deviations,
                        beside=tuple(other for other in one.alike if other != part),
                    )
                )
    return found


def told_by_units(reel: Reel, seen: SeenInUnits) -> Iterator[str]:
    """Say what units tell of a reel, a sentence each.

    >>> from datetime import UTC, datetime
    >>> reel = Reel(
    ...     reel="K-7", nominal_ohm=5e3, tolerance_ppm=1e3,
    ...     received_at=datetime(2026, 3, 2, tzinfo=UTC),
    ... )
    >>> seen = SeenInUnits(
    ...     part="R13", title="100 µA", deviations_ppm=(100.0, 200.0, 300.0)
    ... )
    >>> for line in told_by_units(reel, seen):
    ...     print(line)
    By 3 units on range 100 µA, its parts (R13) lie +0.02 % from nominal on average.
    They scatter by 0.010 % (standard deviation), the bench included.
    """
    number = len(seen.deviations_ppm)
    spread = seen.spread_ppm
    half_ppm = (
        reel.tolerance_ppm / 10
        if spread is None
        else max(COVERAGE * spread / sqrt(number), 1.0)
    )
    others = " and ".join(seen.beside)
    if_right = f", if {others} {'is' if len(seen.beside) == 1 else 'are'} as planned"
    if_right = if_right if others else ""
    yield (
        f"By {counted(number, 'unit')} on range {seen.title}, its parts ({seen.part}) "
        f"lie {percent(seen.mean_ppm, half_ppm)} from nominal on average{if_right}."
    )
    if spread is not None:
        size = percent(spread, spread / 10)[1:]
        yield (f"They scatter by {size} (standard deviation), the bench included.")
