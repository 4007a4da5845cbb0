"""Run length of the EWMA chart, and its limits and design for a wanted one.

References
----------
S. V. Crowder, Technometrics 29 (1987) 401-407 (integral equation);
J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990) 1-12;
S. H. Steiner, Journal of Quality Technology 31 (1999) 75-86 (exact limits).
"""

from dataclasses import dataclass
from itertools import pairwise
from math import ceil, log, log1p, sqrt

import numpy as np
from scipy.optimize import minimize_scalar

from daemon.spc.checks import Floats, finite, positive, weight_of_newest
from daemon.spc.errors import OutOfRangeError
from daemon.spc.numerics import nodes, nodes_needed, normal_density
from daemon.spc.run_length.distribution import (
    LONGEST,
    RunLength,
    above_one,
    solve_for_mean,
)
from daemon.spc.run_length.of_shewhart import shewhart_run_length, shewhart_width

_LONGEST_START = 200_000_000  # steps of the equation until exact limits stand: a second
_SETTLED = 1e-8  # exact limits this close to their last width, relatively, are fixed


def ewma_run_length(
    *, weight: float, width: float, shift: float = 0.0, exact_limits: bool = True
) -> RunLength:
    """Return the run length of a two-sided EWMA chart started at its target.

    Parameters
    ----------
    weight : float
        Share of the newest value, > 0 and <= 1.
    width : float
        Distance of the limits, in standard deviations of the plotted level, > 0.
    shift : float
        Shift of the mean, in standard deviations of single values.
    exact_limits : bool
        Limits that start narrow and widen as the level's standard deviation
        does; else the fixed limits which those approach.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Notes
    -----
    The Fredholm integral equation, by Gauss-Legendre quadrature (Nystroem).

    Examples
    --------
    >>> chart = ewma_run_length(weight=0.1, width=2.814, exact_limits=False)
    >>> round(chart.mean, 2)
    499.58
    >>> round(ewma_run_length(weight=0.1, width=2.814, shift=1.0).mean, 2)
    8.16
    """
    weight_of_newest(weight)
    positive("width", width)
    finite("shift", shift)
    if weight == 1.0:
        return shewhart_run_length(width=width, shift=shift)
    # All lengths in units of the kernel's standard deviation, which is `weight`.
    last = width / sqrt(weight * (2.0 - weight))
    keep = 1.0 - weight
    n = nodes_needed(2.0 * last)
    at, share = nodes(-last, last, n)

    def further(start: Floats, end: Floats, shares: Floats) -> Floats:
        return shares * normal_density(end - keep * start[..., None] - shift)

    ones = np.ones(n)
    origin = np.zeros(())
    step = further(at, at, share)
    if not exact_limits:
        row = further(origin, at, share)
        return RunLength(early=np.ones(1), row=row, step=step, weight=ones)
    moving = max(1, ceil(log(_SETTLED) / (2.0 * log1p(-weight))))
    if moving * n**2 > _LONGEST_START:
        raise OutOfRangeError(
            argument="weight", value=weight, allowed="larger where limits are exact"
        )
    half = np.sqrt(-np.expm1(2.0 * np.arange(1, moving + 1) * log1p(-weight)))
    row = further(origin, half[0] * at, half[0] * share)
    early = [1.0]
    for before, after in pairwise(half):
        early.append(float(row.sum()))
        row = row @ further(before * at, after * at, after * share)
    return RunLength(early=np.array(early), row=row, step=step, weight=ones)


def ewma_width(*, weight: float, arl: float, exact_limits: bool = True) -> float:
    """Return the limit distance that gives a wanted in-control ARL.

    Parameters
    ----------
    weight : float
        Share of the newest value, > 0 and <= 1.
    arl : float
        Wanted average run length without a shift, in points, > 1 and <= 1e10.
    exact_limits : bool
        As in `ewma_run_length`.

    Returns
    -------
    float
        In standard deviations of the plotted level.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    >>> round(ewma_width(weight=0.1, arl=500.0, exact_limits=False), 3)
    2.814
    """
    weight_of_newest(weight)
    above_one("arl", arl)
    return solve_for_mean(
        lambda width: (
            ewma_run_length(weight=weight, width=width, exact_limits=exact_limits).mean
        ),
        arl=arl,
        # A little narrower than for single values.
        guess=max(0.5, 0.9 * shewhart_width(arl=arl)),
        highest=9.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class EwmaDesign:
    """An EWMA chart chosen for one shift.

    `weight` and `width` are its settings, `arl` what they give without a shift
    and `arl_shifted` with it, in points.
    """

    weight: float
    width: float
    arl: float
    arl_shifted: float


def design_ewma(*, shift: float, arl: float, exact_limits: bool = False) -> EwmaDesign:
    """Return the EWMA chart that finds a shift soonest, for a wanted ARL.

    Parameters
    ----------
    shift : float
        Shift to be found, in standard deviations of single values, not 0.
    arl : float
        Wanted average run length without a shift, in points, > 1 and <= 1e10.
    exact_limits : bool
        As in `ewma_run_length`. With exact limits the best weight for a shift
        present from the first unit on is very small; fixed limits stand for a
        shift that comes later.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    >>> design = design_ewma(shift=1.0, arl=500.0)
    >>> round(design.weight, 2), round(design.width, 2), round(design.arl_shifted, 2)
    (0.13, 2.88, 10.2)
    """
    moved = positive("abs(shift)", abs(finite("shift", shift)))

    def shifted(weight: float) -> tuple[float, float]:
        width = ewma_width(weight=weight, arl=arl, exact_limits=exact_limits)
        chart = ewma_run_length(
            weight=weight, width=width, shift=moved, exact_limits=exact_limits
        )
        return width, chart.mean

    best = minimize_scalar(
        # Infinite ones cannot be compared with one another.
        lambda log_weight: min(shifted(float(np.exp(log_weight)))[1], 2.0 * LONGEST),
        bounds=(log(0.02), 0.0),
        method="bounded",
        options={"xatol": 5e-3},
    )
    weight = float(np.exp(best.x))
    width, arl_shifted = shifted(weight)
    return EwmaDesign(weight=weight, width=width, arl=arl, arl_shifted=arl_shifted)
