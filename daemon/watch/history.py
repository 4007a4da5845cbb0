"""What the next units are held against, said with the build."""

from collections.abc import Iterable, Sequence
from itertools import groupby
from math import isnan
from operator import itemgetter

from daemon.judging import ProductModel
from daemon.presentation import counted, sentences
from daemon.watch.events import UnitErrors

FEWEST_ALIKE = 5
"""Units in a row from which the same reading is no chance."""


def alike_ranges(units: Iterable[UnitErrors], product: ProductModel) -> tuple[str, ...]:
    """Say which ranges read the same to the last digit in many units in a row.

    Parameters
    ----------
    units
        In the order of their runs; a unit in which a range was not measured is passed
        over.
    product
        Whose they are.
    """
    measured = list(units)
    found = []
    for place, one in enumerate(product.ranges):
        read = [(unit.serial, float(unit.errors_ppm[place])) for unit in measured]
        known = [pair for pair in read if not isnan(pair[1])]
        rows = [list(same) for _, same in groupby(known, key=itemgetter(1))]
        longest = max(rows, key=len, default=[])
        if len(longest) >= FEWEST_ALIKE:
            first, _ = longest[0]
            found.append(sentences.alike(one.title, len(longest), since=first))
    return tuple(found)


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
