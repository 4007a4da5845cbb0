"""Loose parts of one reel against the tolerance that its label claims."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from daemon.spc.checks import finite_array, not_negative, positive

CONFIDENCE = 0.95
COVERAGE = 2.0


class Against(StrEnum):
    """What a handful of parts says about the claim."""

    COMPATIBLE = "compatible"
    INCOMPATIBLE = "incompatible"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimCheck:
    """Verdict on a claim, and what it rests on.

    `mean_ppm` with its 95 % interval is of the reel, from the nominal value;
    `outside` and `undecided` are places of parts, from 0; `missed_share` is the
    largest share of bad parts that so many good ones would still have missed.
    """

    verdict: Against
    mean_ppm: float
    low_ppm: float
    high_ppm: float
    spread_ppm: float
    outside: tuple[int, ...]
    undecided: tuple[int, ...]
    missed_share: float


def against_claim(
    deviations_ppm: ArrayLike, tolerance_ppm: float, *, uncertainty_ppm: float = 0.0
) -> ClaimCheck:
    """Judge loose parts against a claimed tolerance.

    A tolerance is a limit for every part, so one part that is outside beyond its
    measurement's uncertainty refutes the label. Parts that are all inside prove
    little: `missed_share` says how little.

    Parameters
    ----------
    deviations_ppm : array_like, shape (n,), n >= 2
        Of each part from the nominal value, ppm.
    tolerance_ppm : float
        Claimed, above zero.
    uncertainty_ppm : float
        Standard uncertainty (k = 1) of each measurement, >= 0; the guard band on
        either side of the limit is twice that (ILAC-G8:09/2019, non-binary rule).

    Returns
    -------
    ClaimCheck
        The interval of the mean is Student's; `missed_share` is the largest p with
        (1 - p)^n >= 5 %, the zero-failure rule of attribute sampling.

    Raises
    ------
    SpcError
        For fewer than two parts, a value that is not finite, a tolerance that is
        not above zero or an uncertainty below it.

    Examples
    --------
    >>> five = against_claim([2600.0, 3100.0, 3500.0, 2900.0, 800.0], 1000.0)
    >>> five.verdict.value, five.outside, round(five.mean_ppm)
    ('incompatible', (0, 1, 2, 3), 2580)
    >>> good = against_claim([100.0, -50.0, 30.0, 80.0, 10.0], 1000.0)
    >>> good.verdict.value, round(good.missed_share, 3)
    ('compatible', 0.451)
    """
    values = finite_array("deviations_ppm", deviations_ppm, at_least=2)
    positive("tolerance_ppm", tolerance_ppm)
    not_negative("uncertainty_ppm", uncertainty_ppm)
    guard_ppm = COVERAGE * uncertainty_ppm
    size = np.abs(values)
    outside = _places(size > tolerance_ppm + guard_ppm)
    undecided = tuple(
        one for one in _places(size > tolerance_ppm - guard_ppm) if one not in outside
    )
    verdict = Against.COMPATIBLE
    if outside:
        verdict = Against.INCOMPATIBLE
    elif undecided:
        verdict = Against.UNDECIDED
    n = len(values)
    spread = float(values.std(ddof=1))
    reach = float(stdtrit(n - 1, (1 + CONFIDENCE) / 2)) * spread / n**0.5
    mean = float(values.mean())
    return ClaimCheck(
        verdict=verdict,
        mean_ppm=mean,
        low_ppm=mean - reach,
        high_ppm=mean + reach,
        spread_ppm=spread,
        outside=outside,
        undecided=undecided,
        missed_share=1.0 - (1.0 - CONFIDENCE) ** (1.0 / n),
    )


def _places(which: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(np.flatnonzero(which).tolist())
