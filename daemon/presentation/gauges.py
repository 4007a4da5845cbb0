"""Gauge studies in words: who reads what, and what the scatter is made of."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.spc.gauge import CrossedStudy

GOOD, USELESS = 0.1, 0.3
"""Share of the spread or of the tolerance (common practice, no source)."""
FEWEST_CATEGORIES = 5
"""Categories of parts that a gauge should tell (common practice, no source)."""


def due(part: str, appraiser: str, trial: int, *, read: int, cells: int) -> str:
    """Say what is read next.

    >>> due("PA-7", "Ada", 2, read=14, cells=90)
    'Reading 15 of 90: Ada reads PA-7, trial 2.'
    """
    return f"Reading {read + 1} of {cells}: {appraiser} reads {part}, trial {trial}."


def spread(found: "CrossedStudy", unit: str) -> list[dict[str, str]]:
    """Return where the scatter comes from, as rows of a table."""
    of = found.spread
    total = of.total
    named = (
        ("repeatability (EV)", of.repeatability),
        ("reproducibility (AV)", of.reproducibility),
        ("gauge: both (GRR)", of.gauge),
        ("parts (PV)", of.part),
        ("total (TV)", total),
    )
    return [
        {
            "source": name,
            "s": f"{value:.5g} {unit}",
            "share": f"{100 * value / total:.1f} %" if total else "-",
        }
        for name, value in named
    ]


def said(found: "CrossedStudy", tolerance: float | None) -> list[str]:
    """Say what a study means for whoever uses the gauge."""
    of = found.spread
    share = of.share_of_spread
    if share <= GOOD:
        good = "It tells the parts apart well."
    elif share <= USELESS:
        good = "It will do where little depends on it."
    else:
        good = "It does not do: find out what scatters first."
    categories = f"{of.categories} categories of parts"
    told = f"The gauge makes {100 * share:.1f} % of the spread and tells {categories}"
    lines = [f"{told} ({FEWEST_CATEGORIES} or more are wanted). {good}"]
    if tolerance is not None:
        taken = of.share_of_tolerance(tolerance)
        fits = "which is good" if taken <= GOOD else "which is much"
        if taken > USELESS:
            fits = "which is too much"
        lines.append(
            f"Six of its standard deviations take {100 * taken:.1f} % of the width "
            f"between the limits, {fits}."
        )
    lines.append(
        "Most of it is repeatability: the same person reading the same part again."
        if of.repeatability >= of.reproducibility
        else "Most of it is between people: let them agree on how to read."
    )
    return lines


def to_repeat(studies: Sequence[str]) -> tuple[str, ...]:
    """Say which studies were made on another bench."""
    return tuple(
        f"Repeat gauge study {one}: the bench has changed since." for one in studies
    )
