"""Which units a finding about a reel concerns, and what their range will read."""

from dataclasses import dataclass
from importlib import import_module

import numpy as np
from numpy.typing import NDArray

from daemon.spc.checks import places, same_length
from daemon.spc.detector import state as st
from daemon.spc.detector.baseline import Baseline
from daemon.spc.detector.finding import REEL_KINDS, quantile
from daemon.spc.detector.line import ODD_UNITS, REFERENCE_C, Line

Array = NDArray[np.float64]

LEAST_SHARE = 1e-4
TAIL = 0.025


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Concerned:
    """How units stand to the reel that a finding names.

    Attributes
    ----------
    probability : (n,)
        That the unit carries the reel, given that the finding is right. Where two reels
        are mixed or the change was not recorded, from what it and the others showed.
    predicted_ppm, low_ppm, high_ppm : (n,)
        Error of the named range that a measurement of the unit will show, with its
        95 % interval; what is known of its other ranges is used. Of a unit that may or
        may not carry the reel the interval spans both.
    """

    probability: Array
    predicted_ppm: Array
    low_ppm: Array
    high_ppm: Array


def concerned(
    line: Line,
    part: int,
    errors_ppm: Array,
    variance_ppm2: Array,
    positions: NDArray[np.int64],
    ambient_c: Array | None = None,
) -> Concerned:
    """Return how units stand to the reel of one range's own part.

    Parameters
    ----------
    line : Line
    part : int
        Below R.
    errors_ppm, variance_ppm2 : (n, R)
        Range errors, NaN where not measured, and their measurement's variances.
    positions : (n,) int
        Place of each unit among all units of the line, from 0.
    ambient_c : (n,), optional
        Temperatures, NaN where not recorded.
    """
    layout, state = line.layout, line.state
    unit = layout.unit_ppm
    places("part", [part], below=layout.ranges)
    count = len(errors_ppm)
    errors = line.sizes("errors_ppm", errors_ppm, count, layout.ranges, missing=True)
    variances = line.variances("variance_ppm2", variance_ppm2, count, layout.ranges)
    same_length("positions, errors_ppm", list(positions), errors)
    if ambient_c is not None:
        same_length("ambient_c, errors_ppm", ambient_c, errors)
    events = state.event[: line.hypotheses]
    mine = (
        np.isin(events[..., st.KIND], REEL_KINDS)
        & (events[..., st.PLACE] == part)
        & (events[..., st.EXCUSED] == 0)
    )
    weight = line.weights()
    rows = np.flatnonzero(mine.any(axis=1) & (weight > 0.0))
    baseline = Baseline.of(line)
    good_mean = np.full(count, baseline.mean_ppm[part])
    own2 = float(baseline.sigma_ppm[part]) ** 2 + baseline.shared_sigma_ppm**2
    good_sigma = np.full(count, np.sqrt(baseline.next_reel_sigma_ppm(part) ** 2 + own2))
    if not rows.size:
        probability = np.zeros(count)
        reach = 1.959963984540054 * good_sigma
        return Concerned(
            probability=probability,
            predicted_ppm=good_mean,
            low_ppm=good_mean - reach,
            high_ppm=good_mean + reach,
        )
    weight = weight[rows] / weight[rows].sum()
    keep = weight > LEAST_SHARE
    rows, weight = rows[keep], weight[keep] / weight[keep].sum()
    which = mine[rows].argmax(axis=1)
    first = events[rows, which, st.START]
    mixed = events[rows, which, st.KIND] == st.MIXED
    foretell = import_module("daemon.spc.detector.foretelling").foretell
    probability = np.empty(count)
    predicted, low, high = np.empty(count), np.empty(count), np.empty(count)
    for i in range(count):
        warmth = 0.0
        if ambient_c is not None and not np.isnan(ambient_c[i]):
            warmth = float(ambient_c[i]) - REFERENCE_C
        told = foretell(
            state,
            line.shape,
            line.places,
            rows,
            part,
            errors[i],
            variances[i],
            warmth,
            ODD_UNITS / layout.ranges,
        )
        carried = np.where(mixed, told[:, 0], 1.0) * (positions[i] >= first)
        if np.isnan(errors[i, part]):
            share = state.share[rows]
            fair = share[:, 0] / share.sum(axis=1)
            carried = np.where(mixed, fair, 1.0) * (positions[i] >= first)
        probability[i] = float(carried @ weight)
        means = np.append(told[:, 1] * unit, good_mean[i])
        sigmas = np.append(np.sqrt(told[:, 2]) * unit, good_sigma[i])
        share = np.append(weight * carried, 1.0 - probability[i])
        predicted[i] = float(share @ means)
        low[i], high[i] = (
            quantile(means, sigmas, share, tail) for tail in (TAIL, 1.0 - TAIL)
        )
    return Concerned(
        probability=probability, predicted_ppm=predicted, low_ppm=low, high_ppm=high
    )
