"""Agreement of two appraisers who sort units into kinds."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri
from statsmodels.stats.inter_rater import cohens_kappa

from daemon.spc.checks import finite_array, share
from daemon.spc.errors import NoSpreadError, OutOfRangeError, ShapeError
from daemon.spc.variance.intervals import Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How far two appraisers agree.

    `observed` is the share of units they judge alike, `expected` the share that
    chance alone would give, `kappa` what lies between them, 1 for full agreement.
    """

    observed: float
    expected: float
    kappa: float
    interval: Interval


def agreement(table: ArrayLike, *, confidence: float = 0.95) -> Agreement:
    """Return Cohen's kappa of a cross table.

    Parameters
    ----------
    table : array_like, shape (kinds, kinds)
        Number of units that the one appraiser puts into the kind of the row and the
        other into that of the column; at least two kinds.
    confidence : float
        Of the interval, above 0 and below 1.

    Raises
    ------
    SpcError
        For a table that is not square, counts that are not whole numbers from 0 on,
        or units that all are of one kind for both.

    References
    ----------
    J. Cohen, Educational and Psychological Measurement 20 (1960) 37-46; kappa and its
    standard error are statsmodels'.

    Examples
    --------
    >>> found = agreement([[38, 4], [2, 76]])
    >>> round(found.kappa, 4), round(found.interval.lower, 3)
    (0.8889, 0.802)
    """
    counts = finite_array("table", table, ndim=2, at_least=2)
    if counts.shape[0] != counts.shape[1]:
        raise ShapeError(
            argument="table", value=f"shape {counts.shape}", allowed="square"
        )
    wrong = np.argwhere((counts < 0.0) | (counts != np.round(counts)))
    if len(wrong):
        i, j = (int(k) for k in wrong[0])
        raise OutOfRangeError(
            argument=f"table[{i}, {j}]",
            value=float(counts[i, j]),
            allowed="a whole number >= 0",
        )
    total = float(counts.sum())
    if total == 0.0 or float(counts.max()) == total:
        raise NoSpreadError(
            argument="kinds of table", value=1, allowed=">= 2 that were used"
        )
    rows, columns = counts.sum(axis=1) / total, counts.sum(axis=0) / total
    z = float(ndtri(0.5 * (1.0 + share("confidence", confidence))))
    result = cohens_kappa(counts)
    half = z * float(result.std_kappa)
    return Agreement(
        observed=float(np.trace(counts)) / total,
        expected=float(rows @ columns),
        kappa=float(result.kappa),
        interval=Interval(
            lower=float(result.kappa) - half,
            upper=float(result.kappa) + half,
            confidence=confidence,
        ),
    )
