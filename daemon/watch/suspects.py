"""Which units a finding about a reel concerns, and what their range will read."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import nan

import numpy as np

from daemon.serials import serial_order
from daemon.spc.localize import predicted_error
from daemon.watch.build import BuildWatch


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


def suspects_of(watch: BuildWatch, serials: Iterable[str] = ()) -> tuple[Suspect, ...]:
    """Return how a build's units stand to the reel that the finding names.

    Parameters
    ----------
    watch
        The build of the finding.
    serials
        Units of the build that were not measured yet; those that were are known.

    Returns
    -------
    tuple of Suspect
        In the order of serials; empty where no finding names a range's reel.
    """
    finding, detector = watch.finding, watch.witness or watch.detector
    if finding is None or detector is None or finding.cause != "reel":
        return ()
    place = finding.range_index
    if place is None:
        return ()
    known = {unit.serial: unit for unit in watch.units}
    asked = sorted({*known, *serials}, key=serial_order)
    missing = np.full(len(watch.product.ranges), np.nan), None
    pairs = [watch.learnt.referred(known[s]) if s in known else missing for s in asked]
    errors = np.array([read for read, _ in pairs])
    variance = [np.zeros(read.shape) if own is None else own for read, own in pairs]
    orders = [serial_order(unit.serial) for unit in watch.units]
    positions = [
        1 + sum(order < serial_order(serial) for order in orders) for serial in asked
    ]
    found = detector.concerned(
        place, errors, positions, variance_ppm2=np.array(variance)
    )
    first = watch.units[finding.first_unit - 1].serial
    reel = watch.reels_of(first)[place]
    suspects = []
    for index, serial in enumerate(asked):
        error = float(known[serial].errors_ppm[place]) if serial in known else nan
        seen = not np.isnan(error)
        carries = watch.reels_of(serial)[place] == reel
        suspects.append(
            Suspect(
                serial=serial,
                build=watch.build,
                probability=float(found.probability[index]) if carries else 0.0,
                recorded=carries,
                measured=seen,
                predicted_ppm=error if seen else float(found.predicted_ppm[index]),
                low_ppm=error if seen else float(found.low_ppm[index]),
                high_ppm=error if seen else float(found.high_ppm[index]),
            )
        )
    return tuple(suspects)


def suspects_elsewhere(
    watch: BuildWatch,
    others: Iterable[BuildWatch],
    reel: str,
    serials: Mapping[str, Iterable[str]],
) -> tuple[Suspect, ...]:
    """Return the units of other builds that the record says carry a finding's reel.

    Parameters
    ----------
    watch
        The build of the finding.
    others
        Whose units are looked through.
    reel
        The one that the finding names.
    serials
        By build, units that were not measured yet.
    """
    finding = watch.finding
    if finding is None or finding.range_index is None:
        return ()
    place = finding.range_index
    typical = predicted_error(finding, watch.baseline)
    suspects = []
    for other in others:
        known = {unit.serial: unit for unit in other.units}
        for serial in sorted({*known, *serials.get(other.build, ())}, key=serial_order):
            if other.reels_of(serial)[place] != reel:
                continue
            error = float(known[serial].errors_ppm[place]) if serial in known else nan
            seen = not np.isnan(error)
            suspects.append(
                Suspect(
                    serial=serial,
                    build=other.build,
                    probability=1.0,
                    recorded=True,
                    measured=seen,
                    predicted_ppm=error if seen else typical.mean_ppm,
                    low_ppm=error if seen else typical.low_ppm,
                    high_ppm=error if seen else typical.high_ppm,
                )
            )
    return tuple(suspects)
