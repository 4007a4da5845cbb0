"""Uncertainty budgets in words: the table of JCGM 100, what would help, the checks."""

from math import isinf
from typing import TYPE_CHECKING

from daemon.presentation.figures import ShareUnit, allowance, counted, decimals_for

if TYPE_CHECKING:
    from daemon.metrology import Budget

MANY = 1e4
"""So many degrees of freedom are as good as no end of them."""
COLUMNS = {
    "quantity": "Quantity",
    "standard": "Standard uncertainty",
    "distribution": "Distribution",
    "sensitivity": "Sensitivity",
    "contribution": "Contribution",
    "degrees": "Degrees of freedom",
    "share": "Share",
}
"""Heads of the table (JCGM 100, annex H)."""
NARROW = ("quantity", "contribution", "share")
"""Those that a phone shows."""
MEANING = (
    "Of a good unit that reads without scatter, in the least favourable room unless a "
    "thermometer is read. Drift since the check standard: until the next check is due, "
    "by what the bench did so far. What a unit's own readings add: "
    "holdpoint budget --unit SERIAL"
)
HEADLINE = "How sure is a verdict?"


def degrees(value: float) -> str:
    """Return degrees of freedom as a table has them.

    >>> from math import inf
    >>> degrees(inf), degrees(4.71)
    ('\u221e', '4.7')
    """
    return "\N{INFINITY}" if isinf(value) or value > MANY else f"{value:.2g}"


def part(value_ppm: float, budget: "Budget") -> str:
    """Return a part of a budget in the unit, and to the decimals, of its whole.

    What is smaller than the last of them is said to be.
    """
    unit = ShareUnit.of((budget.expanded_ppm,))
    places = decimals_for(budget.expanded_ppm / unit.ppm, digits=3)
    value, least = value_ppm / unit.ppm, 10.0**-places
    if 0 < value < least / 2:
        return f"< {least:.{places}f} {unit.name}"
    return f"{value:.{places}f} {unit.name}"


def table(budget: "Budget") -> list[dict[str, str]]:
    """Return the lines of a budget as rows of `COLUMNS`."""
    return [
        {
            "quantity": one.quantity,
            "standard": part(one.standard, budget)
            if one.unit == "ppm"
            else f"{one.standard:.3g} {one.unit}",
            "distribution": one.distribution.value,
            "sensitivity": f"{one.sensitivity:.3g}"
            + (" K" if one.unit.endswith("/K") else ""),
            "contribution": part(one.contribution_ppm, budget),
            "degrees": degrees(one.degrees_of_freedom),
            "share": share(one.share),
        }
        for one in budget.lines
    ]


def share(value: float) -> str:
    """Return a share of the variance in percent.

    >>> share(0.9806), share(0.0002)
    ('98 %', '< 0.1 %')
    """
    percent = 100 * value
    return "< 0.1 %" if percent < 0.1 else f"{percent:.2g} %"  # noqa: PLR2004


def summary(budget: "Budget") -> str:
    """Say what a range is sure to, and whether that will do."""
    too_poor = "" if budget.judges else ", so this bench cannot judge it"
    freedom = degrees(budget.degrees_of_freedom)
    return (
        f"Range {budget.title} at {100 * budget.level:.3g} % of full scale: "
        f"U = {part(budget.expanded_ppm, budget)} of reading (k = 2, {freedom} "
        f"effective degrees of freedom). The limit, {allowance(budget.limit_ppm)}, is "
        f"{budget.ratio:.2g} times that; {budget.needed_ratio:g} times is needed"
        f"{too_poor}."
    )


def what_helps(budget: "Budget") -> str:
    """Say which line matters most, and what half of it would do."""
    found = budget.help
    bound = ""
    if found.bound_ppm is not None:
        bound = f" (its bound is {part(found.bound_ppm, budget)})"
    return (
        f"Most of it is {found.quantity}, {share(found.share)} of the variance{bound}. "
        f"Half of that would give U = {part(found.expanded_ppm, budget)}."
    )


def drawn(budget: "Budget") -> str:
    """Say what drawing numbers says beside the formula (JCGM 101)."""
    found, ours = budget.drawn_expanded_ppm, budget.expanded_ppm
    trials = counted(budget.drawn.trials, "drawn value")
    said = f"Check by {trials} (JCGM 101): 95.45 % lie within {part(found, budget)}"
    if abs(found - ours) <= max(budget.drawn.tolerance, 0.05 * ours):
        return f"{said}, as the formula says."
    if found < ours:
        return f"{said}; the formula, {part(ours, budget)}, is on the safe side."
    return f"{said}; the formula, {part(ours, budget)}, says too little."
