"""What further units will show after a finding, and which other value a part may be."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from daemon.spc.checks import finite_array, positive
from daemon.spc.detector.baseline import Baseline
from daemon.spc.detector.finding import TWO_SIDED_95, Finding
from daemon.spc.errors import OutOfRangeError


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """Range error of a unit not yet measured, with its 95 % interval, ppm."""

    mean_ppm: float
    low_ppm: float
    high_ppm: float


def predicted_error(finding: Finding, baseline: Baseline) -> Prediction:
    """Return what a further unit concerned by a finding will show.

    Parameters
    ----------
    finding : Finding
        One that names a range.
    baseline : Baseline
        The one that the detector started from.

    Raises
    ------
    SpcError
        If the finding names no range.
    """
    index = finding.range_index
    if index is None:
        raise OutOfRangeError(
            argument="finding.range_index", value=index, allowed="the index of a range"
        )
    own = float(baseline.sigma_ppm[index]) * finding.spread_factor
    interval = finding.level_low_ppm, finding.level_high_ppm
    return _around(finding.level_ppm, interval, own**2, baseline)


def predicted_errors(finding: Finding, baseline: Baseline) -> dict[int, Prediction]:
    """Return what a further unit will show on the ranges that feel a common part.

    Parameters
    ----------
    finding : Finding
        One that names the reel of a common part.
    baseline : Baseline
        The one that the detector started from.

    Returns
    -------
    dict of range index to Prediction
        Their levels as the finding has them, with what units differ by.

    Raises
    ------
    SpcError
        If the finding names no common part.
    """
    layout, part = baseline.layout, finding.part_index
    if part is None or part < layout.ranges:
        raise OutOfRangeError(
            argument="finding.part_index", value=part, allowed="that of a common part"
        )
    parts2 = baseline.sigma_ppm**2
    parts2[part] *= finding.spread_factor**2
    foretold = {}
    for one in finding.levels:
        of_unit2 = float(layout.sensitivity[:, one.range_index] ** 2 @ parts2)
        interval = one.low_ppm, one.high_ppm
        foretold[one.range_index] = _around(one.mean_ppm, interval, of_unit2, baseline)
    return foretold


def other_values(
    nominal: float, finding: Finding, preferred: Sequence[float]
) -> tuple[float, ...]:
    """Return the preferred values that a part may be instead of its nominal one.

    Parameters
    ----------
    nominal : float
        In any unit.
    finding : Finding
        Its size is taken for the part's deviation from nominal.
    preferred : sequence of float
        Values that exist, in the same unit.

    Returns
    -------
    tuple of float
        Those inside the finding's interval, the nearest to its size first; empty where
        a wrong value would not explain it.
    """
    positive("nominal", nominal)
    values = finite_array("preferred", preferred)
    deviations = (values / nominal - 1.0) * 1e6
    inside = (deviations >= finding.low_ppm) & (deviations <= finding.high_ppm)
    inside &= values != nominal
    order = np.argsort(np.abs(deviations - finding.size_ppm), kind="stable")
    return tuple(float(values[i]) for i in order if inside[i])


def _around(
    mean_ppm: float, interval: tuple[float, float], of_unit2: float, baseline: Baseline
) -> Prediction:
    """Return a prediction from a level, its interval and what units differ by."""
    level = (interval[1] - interval[0]) / (2.0 * TWO_SIDED_95)
    reach = TWO_SIDED_95 * sqrt(level**2 + of_unit2 + baseline.shared_sigma_ppm**2)
    return Prediction(
        mean_ppm=mean_ppm, low_ppm=mean_ppm - reach, high_ppm=mean_ppm + reach
    )
