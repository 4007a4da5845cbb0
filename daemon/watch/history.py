"""Whether what was measured is fit to be learnt from, said with the build."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from math import isnan
from operator import itemgetter

import numpy as np

from daemon import words
from daemon.product import ProductModel
from daemon.spc.baseline import Segment
from daemon.spc.odd_segments import odd_segments
from daemon.watch.build import BuildWatch
from daemon.watch.entering import Errors, UnitErrors
from daemon.watch.learning import Learnt

FEWEST = 2
"""Segments from which one can be held against the others."""
FEWEST_ALIKE = 5
"""Units in a row from which the same reading is no chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OddBuild:
    """Units of an earlier build, of one set of reels, that the others do not vouch for.

    `range` is the title of the range that is odd; None for all of them.
    """

    build: str
    from_serial: str
    range: str | None
    error_ppm: float


def odd_builds(
    builds: Sequence[BuildWatch],
    product: ProductModel,
    learnt: Learnt,
    *,
    log_odds_limit: float,
) -> tuple[OddBuild, ...]:
    """Return what does not fit the rest of a history, in the order of the builds.

    Parameters
    ----------
    builds
        The history.
    product
        Whose builds they are.
    learnt
        What they teach, effect of temperature included.
    log_odds_limit
        As for a build that is watched.
    """
    segments: list[Segment] = []
    of: list[tuple[str, str]] = []
    variance_ppm2: list[Errors] = []
    for build in builds:
        mine = build.segments()
        at = 0
        for one in mine:
            segments.append(one)
            of.append((build.build, build.units[at].serial))
            units = build.units[at : at + len(one.errors_ppm)]
            variance_ppm2.append(np.array([_variance_ppm2(u, learnt) for u in units]))
            at += len(units)
    if len(segments) < FEWEST:
        return ()
    return tuple(
        OddBuild(
            build=of[one.index][0],
            from_serial=of[one.index][1],
            range=(
                None
                if one.finding.range_index is None
                else product.ranges[one.finding.range_index].title
            ),
            error_ppm=one.finding.level_ppm,
        )
        for one in odd_segments(
            learnt.segments(segments),
            product.layout,
            log_odds_limit=log_odds_limit,
            variance_ppm2=variance_ppm2,
        )
    )


def alike_ranges(
    builds: Sequence[BuildWatch], product: ProductModel
) -> tuple[str, ...]:
    """Say which ranges read the same to the last digit in many units in a row.

    Parameters
    ----------
    builds
        Their units in the order of builds, then of serials; a unit in which a range
        was not measured is passed over.
    product
        Whose builds they are.
    """
    units = [unit for build in builds for unit in build.units]
    found = []
    for place, one in enumerate(product.ranges):
        read = [(unit.serial, float(unit.errors_ppm[place])) for unit in units]
        known = [pair for pair in read if not isnan(pair[1])]
        rows = [list(same) for _, same in groupby(known, key=itemgetter(1))]
        longest = max(rows, key=len, default=[])
        if len(longest) >= FEWEST_ALIKE:
            first, _ = longest[0]
            found.append(words.alike(one.title, len(longest), since=first))
    return tuple(found)


def remark(builds: int, units: int, odd: Sequence[OddBuild]) -> str:
    """Say what the next units are held against, and what speaks against it.

    Examples
    --------
    >>> remark(1, 30, ())
    'Held against 1 earlier build, 30 units.'
    >>> remark(2, 60, [OddBuild(build="B-2", from_serial="7", range="1 mA",
    ...     error_ppm=4000.0)])[-72:]
    'build B-2 from unit 7 on does not fit the others on range 1 mA (0.40 %).'
    """
    if not builds:
        return "No earlier build to learn from: the parts' tolerances judge alone."
    counted = f"{builds} earlier build{'' if builds == 1 else 's'}"
    said = f"Held against {counted}, {units} units."
    if not odd:
        return said
    named = "; ".join(
        f"build {one.build} from unit {one.from_serial} on does not fit the others on "
        f"{'all ranges' if one.range is None else f'range {one.range}'} "
        f"({one.error_ppm / 1e4:.2f} %)"
        for one in odd
    )
    return f"{said} The history is not all alike: {named}."


def _variance_ppm2(unit: UnitErrors, learnt: Learnt) -> Errors:
    """Return the variance of a unit's measurement as it is watched; none: zeros."""
    errors, variance = learnt.referred(unit)
    return np.zeros(errors.shape) if variance is None else variance
