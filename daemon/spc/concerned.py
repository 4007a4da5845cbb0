"""Which units a finding about a reel concerns, and what their range will show."""

from dataclasses import dataclass
from importlib import import_module

import numpy as np
from numpy.typing import NDArray

from daemon.spc.bank import Bank
from daemon.spc.baseline import LevelPrior
from daemon.spc.hypotheses import Cause
from daemon.spc.rows import Rows

Array = NDArray[np.float64]

LEAST_SHARE = 1e-3
TAIL = 0.025


@dataclass(frozen=True, slots=True, kw_only=True)
class Concerned:
    """Units of one build in the light of a finding that names a range's reel.

    Attributes
    ----------
    probability : (n,)
        That the unit carries the suspect reel, given that the finding is right: from
        the unit's place in the build and, where two reels are mixed or the change was
        not recorded, from what it and the others showed.
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
    bank: Bank,
    place: int,
    prior: LevelPrior,
    errors: Array,
    variance: Array,
    positions: NDArray[np.int64],
) -> Concerned:
    """Return how units stand to the reel of one range.

    Parameters
    ----------
    bank : Bank
        Of one build.
    place : int
        The range, whose own part it is.
    prior : LevelPrior
        What was known before the build: the level of units without the reel, ppm.
    errors, variance : (n, R)
        Range errors in tolerances, NaN where not measured; measurement variances.
    positions : (n,) int
        Place of each unit in the build, from 1.
    """
    layout = bank.layout
    cause = bank.rows.cause[0]
    weight = np.exp(bank.rows.log_weight[0])
    mine = np.isin(cause, (Cause.REEL, Cause.MIXED)) & (bank.rows.place[0] == place)
    weight = np.where(mine, weight, 0.0)
    if not weight.any():
        weight = mine.astype(np.float64)
    weight /= max(weight.sum(), 1e-300)
    columns = np.flatnonzero(weight > LEAST_SHARE)
    share = weight[columns] / weight[columns].sum()
    chosen = bank.rows.picked(columns[None])
    mixed = chosen.cause[0] == Cause.MIXED
    later = positions[:, None] >= chosen.first[0]
    carried = np.empty((len(errors), columns.size))
    means, variances = np.empty_like(carried), np.empty_like(carried)
    for index, (error, noise) in enumerate(zip(errors, variance, strict=True)):
        row = chosen.repeated(1)
        folded = bank.fold_into(row, error[None], noise[None])
        carried[index] = np.where(mixed, folded.second[0], 1.0) * later[index]
        # what the range itself showed is not to foretell the range
        others = error.copy()
        others[place] = np.nan
        row = chosen.repeated(1)
        bank.fold_into(row, others[None], noise[None])
        means[index], variances[index] = _of_range(bank, place, row, mixed)
    probability = carried @ share
    bad = _matched(share, means, variances)
    level = layout.parts + 1 + place
    unit = layout.unit_ppm
    good2 = prior.covariance[level, level] / unit**2 + bank.scatter2(place)
    good = (
        np.full(len(errors), prior.mean[level] / unit),
        np.full(len(errors), good2),
    )
    low, high = (_quantile(probability, bad, good, tail) for tail in (TAIL, 1 - TAIL))
    predicted = probability * bad[0] + (1.0 - probability) * good[0]
    return Concerned(
        probability=probability,
        predicted_ppm=predicted * unit,
        low_ppm=low * unit,
        high_ppm=high * unit,
    )


def _of_range(
    bank: Bank, place: int, rows: Rows, mixed: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Return mean and variance (K,) of the range's error in a unit with the reel."""
    layout = bank.layout
    sees = np.zeros((rows.mean.shape[1], mixed.size))
    sees[place] = 1.0
    sees[layout.ranges + 1 :] = layout.latent[:, place, None]
    sees[layout.ranges] = mixed
    mean = (sees * rows.mean[0]).sum(axis=0)
    variance = np.einsum("ik,ijk,jk->k", sees, rows.covariance[0], sees)
    return mean, variance + rows.part2[0, place]


def _matched(share: Array, means: Array, variances: Array) -> tuple[Array, Array]:
    """Return mean and variance (n,) over hypotheses."""
    mean = means @ share
    return mean, (variances + (means - mean[:, None]) ** 2) @ share


def _quantile(
    probability: Array,
    bad: tuple[Array, Array],
    good: tuple[Array, Array],
    tail: float,
) -> Array:
    """Return where the mixture of two normal distributions reaches a tail, (n,)."""
    quantile = import_module("daemon.spc.compiled").mixture_quantile_compiled
    means = np.stack([bad[0], good[0]], axis=1)
    sigmas = np.sqrt(np.stack([bad[1], good[1]], axis=1))
    share = np.stack([probability, 1.0 - probability], axis=1)
    return np.array(
        [quantile(*one, tail) for one in zip(means, sigmas, share, strict=True)]
    )
