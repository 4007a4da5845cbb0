"""Which range a unit is switched to, told from what comes out for what goes in."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import exp, log

from daemon.metrology.checks import finite, not_zero, positive
from daemon.metrology.errors import ArgumentError

__all__ = ["Look", "Pair", "Seen", "active_range"]

FACTOR = 1.5
"""A range is recognised within this factor of its nominal transfer."""
FLOWS = 0.5
"""Share of the set level from which the reference shows that a current flows."""
MOVES = 0.3
"""Share of the smallest expected output below which the output does not move."""
BENDS = 0.15
"""How far, as a share, half the level may read from half the output."""


class Seen(StrEnum):
    """What a look at the unit shows."""

    RANGE = "range"
    OPEN = "open"
    """Nothing flows: no unit, or an open input lead."""
    REFERENCE_REVERSED = "reference reversed"
    REVERSED = "reversed"
    """The output falls when the input rises."""
    DEAD = "dead"
    """The output stays at zero: not switched on, battery empty, output lead open."""
    STUCK = "stuck"
    """The output stays where it is, away from zero."""
    LIMITED = "limited"
    """The output follows half the level and not all of it: supply too low."""
    UNKNOWN = "unknown"
    """A ratio that is no range's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Reference and output at one level, in the product's units."""

    reference: float
    output: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a settled small probe shows.

    `range` is the recognised one, or the nearest where the ratio is none's; `ratio`
    is output over reference with both offsets removed, None where nothing flows.
    """

    seen: Seen
    range: str | None = None
    ratio: float | None = None


def active_range(
    zero: Pair,
    half: Pair,
    full: Pair,
    *,
    level: float,
    transfers: Mapping[str, float],
) -> Look:
    """Return which range is active, or what is wrong with unit or leads.

    Parameters
    ----------
    zero, half, full : Pair
        Read at rest with the source at 0, at half of `level` and at `level`.
    level : float
        The probe's level, > 0, A or V; at most the most sensitive range's full scale.
    transfers : mapping
        Nominal output over input by range, V/A or V/V, not 0.

    Returns
    -------
    Look
        What was seen, and the range's key where one fits.

    Raises
    ------
    ArgumentError
        A value is not finite, `level` is not above 0, a transfer is 0, or none is
        given.

    Examples
    --------
    >>> transfers = {"1uA": 1e6, "10uA": 1e5}
    >>> still = Pair(reference=0.0, output=1e-4)
    >>> def look(half_v, full_v):
    ...     half = Pair(reference=0.4e-6, output=half_v)
    ...     full = Pair(reference=0.8e-6, output=full_v)
    ...     return active_range(still, half, full, level=0.8e-6, transfers=transfers)
    >>> look(0.0401, 0.0801).range
    '10uA'
    >>> look(1e-4, 1e-4).seen.value
    'dead'
    """
    _require(zero, half, full, level, transfers)
    flows = full.reference - zero.reference
    if abs(flows) < FLOWS * level:
        return Look(seen=Seen.OPEN)
    if flows < 0:
        return Look(seen=Seen.REFERENCE_REVERSED)
    rises = full.output - zero.output
    ratio = rises / flows
    smallest = min(map(abs, transfers.values())) * flows
    if abs(rises) < MOVES * smallest:
        away = abs(zero.output) > max(map(abs, transfers.values())) * flows
        return Look(seen=Seen.STUCK if away else Seen.DEAD, ratio=ratio)
    half_share = (half.reference - zero.reference) / flows
    bent = (half.output - zero.output) - half_share * rises
    if abs(bent) > BENDS * abs(rises):
        return Look(seen=Seen.LIMITED, ratio=ratio)
    forward = [one for one in transfers if transfers[one] * ratio > 0]
    if not forward:
        return Look(seen=Seen.REVERSED, ratio=ratio)
    distances = {one: abs(log(ratio / transfers[one])) for one in forward}
    nearest = min(distances, key=lambda one: distances[one])
    known = exp(distances[nearest]) <= FACTOR
    return Look(seen=Seen.RANGE if known else Seen.UNKNOWN, range=nearest, ratio=ratio)


def _require(
    zero: Pair, half: Pair, full: Pair, level: float, transfers: Mapping[str, float]
) -> None:
    for name, pair in (("zero", zero), ("half", half), ("full", full)):
        finite(**{f"{name}_reference": pair.reference, f"{name}_output": pair.output})
    positive(level=level)
    if not transfers:
        raise ArgumentError(name="number of transfers", value=0, bound=">= 1")
    for key, transfer in transfers.items():
        not_zero(**{f"transfer of {key}": transfer})
