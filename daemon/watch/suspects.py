"""Which units a finding about a reel concerns, and what their range will read."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from daemon.spc.detector import LIKELIER_THAN_NOT, concerned
from daemon.watch.events import UnitErrors
from daemon.watch.fold import Fold
from daemon.watch.segment import Segment
from storage import Signal, serial_order

BEFORE_ALL = -1
"""A place among the units of the line that no finding concerns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One unit in the light of a finding that names a reel.

    Attributes
    ----------
    serial, build : str
    probability : float
        That the unit carries the suspect reel, given that the finding is right.
    recorded : bool
        Whether the record gives it the same reel as the first unit concerned.
    measured : bool
        Whether the range that the finding names was measured in this unit.
    predicted_ppm, low_ppm, high_ppm : float
        Error of that range with its 95 % interval: as measured, else as predicted.
    """

    serial: str
    build: str
    probability: float
    recorded: bool
    measured: bool
    predicted_ppm: float
    low_ppm: float
    high_ppm: float


def suspects_of(
    fold: Fold, segment: Segment, place: int, serials: Iterable[str] = ()
) -> tuple[Suspect, ...]:
    """Return how a build's units stand to the reel that a finding in it names.

    Parameters
    ----------
    fold
        All builds.
    segment
        Where the finding stands.
    place
        The range whose own part's reel it is.
    serials
        Units of the build that were not measured yet; those that were are known.

    Returns
    -------
    tuple of Suspect
        In the order of serials.
    """
    known = {unit.serial: unit for unit in fold.units_of(segment.build)}
    asked = sorted({*known, *serials}, key=serial_order)
    orders = sorted(serial_order(unit.serial) for unit in segment.units)
    positions = []
    for serial in asked:
        at = segment.position_of(serial)
        before = bisect_left(orders, serial_order(serial))
        positions.append(segment.first + before if at is None else at)
    return _suspects(
        fold,
        segment,
        place,
        [(serial, known.get(serial)) for serial in asked],
        positions,
    )


def latest_suspect(fold: Fold, segment: Segment, place: int) -> Suspect:
    """Return how the latest unit of a segment stands to a finding in it.

    Parameters
    ----------
    fold, segment, place
        As of `suspects_of`.
    """
    unit = segment.units[-1]
    at = segment.first + len(segment.units) - 1
    (suspect,) = _suspects(fold, segment, place, [(unit.serial, unit)], [at])
    return suspect


def that_carry(
    fold: Fold,
    segment: Segment,
    place: int,
    asked: Sequence[Suspect],
    before: Signal | None,
) -> list[UnitErrors]:
    """Return the measured units of a build that rather carry the suspect reel than not.

    Where two reels are mixed, not all from the first unit on do: a finding concerns
    those that show it, and the first of them is where its part is to be measured.

    Parameters
    ----------
    fold, segment, place
        As of `suspects_of`.
    asked
        Units that were looked at anew.
    before
        The finding's revision before this, which tells of the others.

    Returns
    -------
    list of UnitErrors
        In the order of serials.
    """
    known: dict[str, float] = {}
    begin = None
    if before is not None:
        known = dict(before.basis.carrying)
        begin = serial_order(before.first_serial)
    known |= {one.serial: one.probability for one in asked}
    named = bool(segment.reels[place])
    carry = []
    for one in fold.segments_of(segment.build):
        if one.reels[place] != segment.reels[place]:
            continue
        for unit in one.units:
            recorded = named or begin is None or serial_order(unit.serial) >= begin
            sure = known.get(unit.serial, float(recorded))
            if sure > LIKELIER_THAN_NOT and not np.isnan(unit.errors_ppm[place]):
                carry.append(unit)
    return sorted(carry, key=lambda unit: serial_order(unit.serial))


def _suspects(
    fold: Fold,
    segment: Segment,
    place: int,
    asked: Sequence[tuple[str, UnitErrors | None]],
    positions: Sequence[int],
) -> tuple[Suspect, ...]:
    """Return how units, measured or not, stand to a reel."""
    ranges = fold.layout.ranges
    errors = np.full((len(asked), ranges), np.nan)
    variance = np.zeros((len(asked), ranges))
    ambient = np.full(len(asked), np.nan)
    at = np.array(positions, np.int64)
    carries = [
        fold.reels_in(segment.build, serial)[place] == segment.reels[place]
        for serial, _ in asked
    ]
    # A unit with another reel stands as those before the finding's first.
    at[~np.array(carries, np.bool_)] = BEFORE_ALL
    for index, (_, unit) in enumerate(asked):
        if unit is None:
            continue
        errors[index] = unit.errors_ppm
        if unit.variance_ppm2 is not None:
            variance[index] = unit.variance_ppm2
        if unit.ambient_c is not None:
            ambient[index] = unit.ambient_c
    found = concerned(segment.line, place, errors, variance, at, ambient)
    suspects = []
    for index, (serial, _) in enumerate(asked):
        error = float(errors[index, place])
        seen = not np.isnan(error)
        suspects.append(
            Suspect(
                serial=serial,
                build=segment.build,
                probability=float(found.probability[index]),
                recorded=carries[index],
                measured=seen,
                predicted_ppm=error if seen else float(found.predicted_ppm[index]),
                low_ppm=error if seen else float(found.low_ppm[index]),
                high_ppm=error if seen else float(found.high_ppm[index]),
            )
        )
    return tuple(suspects)
