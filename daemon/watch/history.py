"""What the next units are held against, said with the build."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isnan, nan

from daemon.judging import ProductModel
from daemon.presentation import counted, sentences
from daemon.watch.events import UnitErrors

FEWEST_ALIKE = 5
"""Units in a row from which the same reading is no chance."""


class SameReadings:
    """Tells ranges that read the same to the last digit in many units in a row.

    Parameters
    ----------
    product
        Whose units are looked at.

    Notes
    -----
    Asked again of the same units and more, it looks at the others alone.
    """

    def __init__(self, product: ProductModel) -> None:
        self._product = product
        self._seen: list[UnitErrors] = []
        self._rows: list[_Row] = []

    def of(self, units: Iterable[UnitErrors]) -> tuple[str, ...]:
        """Say which ranges read so.

        Parameters
        ----------
        units
            In the order of their runs; a unit in which a range was not measured is
            passed over.
        """
        measured = list(units)
        count = len(self._seen)
        if not count or measured[:count] != self._seen:
            count = 0
            self._rows = [_Row() for _ in self._product.ranges]
        for unit in measured[count:]:
            read = unit.errors_ppm.tolist()
            for row, error_ppm in zip(self._rows, read, strict=True):
                row.take(unit.serial, error_ppm)
        self._seen = measured
        return tuple(
            sentences.alike(one.title, row.longest, since=row.begun_by)
            for one, row in zip(self._product.ranges, self._rows, strict=True)
            if row.longest >= FEWEST_ALIKE
        )


@dataclass(slots=True)
class _Row:
    """Units in a row that read the same on a range, and the longest such row."""

    error_ppm: float = nan
    first: str = ""
    count: int = 0
    longest: int = 0
    begun_by: str = ""

    def take(self, serial: str, error_ppm: float) -> None:
        """Take the next unit."""
        if isnan(error_ppm):
            return
        if error_ppm == self.error_ppm:
            self.count += 1
        else:
            self.error_ppm, self.first, self.count = error_ppm, serial, 1
        if self.count > self.longest:
            self.longest, self.begun_by = self.count, self.first


def remark(
    builds: int, units: int, alike: Sequence[str] = (), *, build: str | None = None
) -> str:
    """Say what a build is compared with, and what speaks against it.

    Parameters
    ----------
    builds, units
        Before it.
    build
        Its name; left out, the next one is meant.

    Examples
    --------
    >>> remark(1, 30, build="B-2")
    'Build B-2 is compared with 1 earlier build of 30 units.'
    """
    name = "The next build" if build is None else f"Build {build}"
    if not builds:
        said = (
            f"{name} is the first one: it is compared with the tolerances of the parts "
            "alone."
        )
    else:
        said = (
            f"{name} is compared with {counted(builds, 'earlier build')} of "
            f"{counted(units, 'unit')}."
        )
    return " ".join([said, *alike])
