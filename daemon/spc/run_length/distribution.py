"""The distribution of a run length, whatever the chart."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from math import inf, log, sqrt

import numpy as np
from scipy.optimize import brentq

from daemon.spc.checks import Floats, count, finite, positive, share
from daemon.spc.errors import OutOfRangeError

NARROWEST = 1e-6
"""No limit is looked for below this."""
LONGEST = 1e12
"""Longest mean run length that double precision can tell, in points."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunLength:
    r"""How many points a chart takes until its first signal.

    The survivor function is ``early[n]`` for the first points and
    ``row @ step^(n - len(early)) @ weight`` from there on: every chart of this
    package, once its limits no longer move, is such a chain.

    Parameters
    ----------
    early : ndarray, shape (e,)
        Probability that no signal has come within 0, 1, ... e - 1 points.
    row : ndarray, shape (m,)
        State after point ``e``, with no signal so far.
    step : ndarray, shape (m, m)
        One point further, without a signal.
    weight : ndarray, shape (m,)
        What each state adds to the probability of no signal so far.

    References
    ----------
    D. Brook and D. A. Evans, Biometrika 59 (1972) 539-549.

    Examples
    --------
    A fair coin that signals on heads:

    >>> coin = geometric(0.5)
    >>> coin.mean, round(coin.sd, 6), coin.percentile(0.9)
    (2.0, 1.414214, 4)
    """

    early: Floats
    row: Floats
    step: Floats
    weight: Floats

    @property
    def mean(self) -> float:
        """Average run length (ARL), in points; infinite above `LONGEST`."""
        return self._mean(self._remaining())

    @property
    def sd(self) -> float:
        """Standard deviation of the run length, in points; infinite as the mean is."""
        remaining = self._remaining()
        mean = self._mean(remaining)
        if mean == inf:
            return inf
        stays = np.eye(len(self.row)) - self.step
        later = np.linalg.solve(stays, self.step @ remaining)
        # E[N] is the sum of P(N > n), E[N (N - 1)] / 2 the sum of n P(N > n).
        e = len(self.early)
        pairs = float(np.arange(e) @ self.early)
        pairs += float(self.row @ (e * remaining + later))
        return sqrt(max(0.0, 2.0 * pairs + mean - mean * mean))

    def none_within(self, n: int) -> float:
        """Return the probability of no signal within the first `n` points."""
        count("n", n, at_least=0)
        if n < len(self.early):
            return float(self.early[n])
        power = np.linalg.matrix_power(self.step, n - len(self.early))
        return min(1.0, max(0.0, float(self.row @ power @ self.weight)))

    def percentile(self, q: float) -> int:
        """Return the smallest number of points by which a share `q` has signalled.

        Parameters
        ----------
        q : float
            Share of run lengths, above 0 and below 1; 0.5 gives the median.

        Raises
        ------
        SpcError
            When `q` is outside its bounds, or the mean above `LONGEST`.
        """
        left = 1.0 - share("q", q)
        if self.mean == inf:
            raise OutOfRangeError(
                argument="mean run length", value=inf, allowed=f"<= {LONGEST:g}"
            )
        done = np.flatnonzero(self.early <= left)
        if len(done):
            return int(done[0])
        n = len(self.early)
        row: Floats = self.row
        for _ in range(2 * len(row)):
            if row @ self.weight <= left:
                return n
            n += 1
            row = np.matmul(row, self.step)
        # Far out, a binary search over powers of the step: a median of a
        # million points costs twenty products of matrices.
        powers = [self.step]
        while row @ powers[-1] @ self.weight > left:
            powers.append(powers[-1] @ powers[-1])
        for k in reversed(range(len(powers))):
            further = row @ powers[k]
            if further @ self.weight > left:
                n, row = n + 2**k, further
        return n + 1

    def _mean(self, remaining: Floats) -> float:
        if not np.isfinite(remaining).all():
            return inf  # no point ever signals from some state
        mean = float(self.early.sum() + self.row @ remaining)
        # Beyond, what stays at each step differs from all of it by rounding alone.
        return mean if 0.0 < mean <= LONGEST else inf

    def _remaining(self) -> Floats:
        """Return the mean number of further points, from each state."""
        left = np.eye(len(self.row)) - self.step
        try:
            points = np.linalg.solve(left, self.weight)
        except np.linalg.LinAlgError:
            points = np.full(len(self.row), inf)
        return np.asarray(points, dtype=np.float64)


def geometric(signal: float) -> RunLength:
    """Return the run length when every point signals with the same probability.

    Parameters
    ----------
    signal : float
        Probability of a signal at one point, > 0 and <= 1.

    Raises
    ------
    SpcError
        When `signal` is outside its bounds; zero is what limits too wide for
        any value to cross come to.

    Examples
    --------
    >>> round(geometric(0.0027).mean, 3)
    370.37
    """
    if not 0.0 < finite("signal", signal) <= 1.0:
        raise OutOfRangeError(
            argument="probability of a signal", value=signal, allowed="> 0 and <= 1"
        )
    stay = 1.0 - signal
    one = np.ones(1)
    return RunLength(early=one, row=stay * one, step=np.array([[stay]]), weight=one)


def above_one(argument: str, value: float) -> float:
    """Return `value`, refusing a run length that no chart has or that none can tell."""
    if not 1.0 < finite(argument, value) <= 0.01 * LONGEST:
        raise OutOfRangeError(
            argument=argument, value=value, allowed=f"> 1 and <= {0.01 * LONGEST:g}"
        )
    return float(value)


def solve_for_mean(
    mean: Callable[[float], float], *, arl: float, guess: float, highest: float
) -> float:
    """Return the limit at which an increasing mean run length reaches `arl`.

    The logarithm of the run length is nearly straight in the limit, so that few
    evaluations do. `highest` is the widest limit that is tried.
    """
    positive("arl", arl)
    # From far below it no multiple ever grows.
    if not finite("guess", guess) >= NARROWEST:
        raise OutOfRangeError(
            argument="guess", value=guess, allowed=f">= {NARROWEST:g}"
        )
    positive("highest", highest)

    @cache  # where the search begins is asked for by each of its steps
    def excess(limit: float) -> float:
        points = mean(limit)
        if not points > 0.0:
            raise OutOfRangeError(
                argument="mean run length", value=points, allowed="> 0"
            )
        return log(min(points, 2.0 * LONGEST)) - log(arl)

    low = high = guess
    while excess(low) > 0.0:
        low *= 0.7
        if low < NARROWEST:
            raise OutOfRangeError(
                argument="arl", value=arl, allowed=f">= {mean(low):.6g} for this chart"
            )
    while excess(high) < 0.0:
        if high >= highest:
            raise OutOfRangeError(
                argument="arl", value=arl, allowed=f"<= {mean(high):.6g} for this chart"
            )
        high = min(highest, high * 1.3)
    return float(brentq(excess, low, high, xtol=1e-9, rtol=1e-9))
