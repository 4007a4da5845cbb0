"""Where a settling reading comes to rest, and how sure that is.

A step through a range with one time constant leaves value + departure * exp(-t / tau).
The record says all three, so nobody has to wait until the last of it is gone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, sqrt

import numpy as np
import scipy
from numpy.typing import NDArray

from daemon.metrology.checks import finite, positive, same_length, sample
from daemon.metrology.errors import ArgumentError
from daemon.metrology.uncertainty import coverage_factor

__all__ = [
    "FEWEST",
    "FEWEST_TO_FIT",
    "MODEL_TRUST",
    "Rest",
    "fewest_readings",
    "rest_of",
]

Floats = NDArray[np.float64]

MODEL_TRUST = 1e-3
"""What is still to come is believed to this share of itself: a real range has small
slower parts beside its main time constant."""

FEWEST = 3
MOST_READINGS = 100_000
FEWEST_TO_FIT = 5
"""Fewer tell no movement from scatter."""
FEWEST_TO_DOUBT = 8
GRID = 40
NO_TIME = 1e-12
"""Readings within so little of the slowest time constant were taken at one time."""
NEAR_ENOUGH = 1e-9
STEPS = 8
"""Of Gauss and Newton; from a neighbour on the grid four suffice."""

MOVED = 0.99
"""Probability from which a movement is taken for real (F test)."""

COMPATIBLE = 0.95
"""Of time constants that fit almost as well as the best."""

ONE_PERCENT_POINT = 2.326
_TWO_SIGMA = 0.954499736103642


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """Where readings come to rest, in their unit.

    `departure` is what the last reading still has to go, 0 where nothing moves.
    `standard` (k = 1) holds scatter, fit, what a movement too slow to be seen could
    hide, and the trust in the model. `settled` are the readings from index `first`
    on with their movement taken off; their mean is `value`.
    """

    value: float
    standard: float
    degrees_of_freedom: float
    departure: float
    first: int
    settled: tuple[float, ...]

    @property
    def widened(self) -> float:
        """The standard uncertainty such that twice it covers 95.45 %."""
        return self.standard * coverage_factor(_TWO_SIGMA, self.degrees_of_freedom) / 2

    @property
    def beyond_scatter(self) -> float:
        """The part of `standard` that the mean of `settled` does not show itself."""
        if len(self.settled) == 1:  # which shows nothing of its own scatter
            return self.standard
        of_mean = float(np.std(self.settled, ddof=1)) / sqrt(len(self.settled))
        return sqrt(max(self.standard**2 - of_mean**2, 0.0))


def rest_of(
    at_s: Sequence[float], values: Sequence[float], *, slowest_s: float
) -> Rest | None:
    """Return where readings come to rest, if they say it.

    Parameters
    ----------
    at_s : sequence of float
        Times of the readings, rising, s.
    values : sequence of float
        Readings, any unit.
    slowest_s : float
        Longest time constant that is looked for, above zero.

    Returns
    -------
    Rest or None
        None with too few readings, and where they move otherwise than towards rest
        with one time constant no longer than `slowest_s`. An early part that moves
        otherwise is left out.

    Raises
    ------
    ArgumentError
        If lengths differ, a value is not finite, or times go back.

    Notes
    -----
    Least squares over the three parameters, the covariance by JCGM 100, H.3 in its
    linearised form. A movement counts where the F test finds it at 99 %; otherwise
    the value is the mean, and what a movement of `slowest_s` could hide below the
    scatter is carried. Residuals that follow each other are refused by the ratio of
    von Neumann (Annals of Mathematical Statistics 12 (1941) 367-395) at 1 %.

    Examples
    --------
    >>> at_s = [0.1 * index for index in range(20)]
    >>> still_moving = [1.0 - exp(-t / 0.5) for t in at_s]
    >>> rest = rest_of(at_s, still_moving, slowest_s=1.0)
    >>> round(still_moving[-1], 4), round(rest.value, 9)
    (0.9776, 1.0)
    """
    times, taken = np.array(at_s, dtype=float), np.array(values, dtype=float)
    sample("values", taken, at_least=1)
    sample("at_s", times, at_least=1)
    same_length("values", values, at_s)
    positive(slowest_s=slowest_s)
    count = len(taken)
    if (np.diff(times) < 0).any():
        raise ArgumentError(name="at_s", value=list(at_s), bound="in rising order")
    for first in dict.fromkeys((0, count // 4, count // 2)):
        if count - first < FEWEST:
            break
        found = _fit(times[first:] - times[first], taken[first:], slowest_s)
        if found is not None:
            return Rest(
                value=found.value,
                standard=found.standard,
                degrees_of_freedom=found.degrees,
                departure=float(found.movement[-1]),
                first=first,
                settled=tuple((taken[first:] - found.movement).tolist()),
            )
    return None


def fewest_readings(
    *,
    step: float,
    time_constant_s: float,
    spacing_s: float,
    noise: float,
    wanted: float,
    least: int = FEWEST,
    most: int = 100_000,
) -> int:
    """Return how many readings tell where a step comes to rest: the fastest there is.

    Parameters
    ----------
    step : float
        How far it goes, any unit; 0 where nothing moves.
    time_constant_s, spacing_s : float
        Of the range; between readings, the first of which comes after one spacing.
    noise, wanted : float
        Standard deviation of a reading; standard uncertainty that is wanted.
    least, most : int
        Bounds of the answer.

    Returns
    -------
    int
        With noise, step and time constant known beforehand, as a model knows them and
        a bench does not.

    Raises
    ------
    ArgumentError
        If an argument is outside its bound.

    Examples
    --------
    >>> fewest_readings(
    ...     step=1.0, time_constant_s=0.5, spacing_s=0.04, noise=1e-6, wanted=1e-5
    ... )
    51
    """
    positive(
        time_constant_s=time_constant_s, spacing_s=spacing_s, noise=noise, wanted=wanted
    )
    finite(step=step)
    if not FEWEST <= most <= MOST_READINGS:
        raise ArgumentError(
            name="most", value=most, bound=f">= {FEWEST} and <= {MOST_READINGS}"
        )

    def enough(count: int) -> bool:
        t = np.linspace(spacing_s, count * spacing_s, count)
        with np.errstate(over="ignore"):  # so long after the step nothing moves
            e = np.exp(-t / time_constant_s)
        trust = abs(step) * float(e[-1]) * MODEL_TRUST / sqrt(3)
        if trust > wanted:
            return False
        moves = abs(step) * float(e[0]) > noise
        leverage = _leverage(t, time_constant_s) if moves else 1 / count
        return hypot(noise * sqrt(leverage), trust) <= wanted

    # More readings never tell less: doubled until there are enough, then halved in.
    low = high = min(max(least, FEWEST), most)
    while high < most and not enough(high):
        low, high = high + 1, min(2 * high, most)
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle + 1, high)
    return high


@dataclass(frozen=True, slots=True)
class _Fit:
    value: float
    standard: float
    degrees: float
    movement: Floats


def _fit(t: Floats, y: Floats, slowest_s: float) -> _Fit | None:
    count = len(y)
    still = _still(t, y, slowest_s)
    if count < FEWEST_TO_FIT:
        return still
    near = float(y[-1])
    moving = _moving(t, y - near, slowest_s)
    if moving is None:
        return None if _moves(t, y, slowest_s) else still
    value, movement, standard = moving
    degrees = count - 3
    rests = y - near - value - movement
    left = float(rests @ rests)
    gained = float(((y - y.mean()) ** 2).sum()) - left
    if gained <= 2 * left / degrees * float(scipy.special.fdtri(2, degrees, MOVED)):
        return still if _white(y - y.mean()) else None
    if not _white(rests):
        return None
    trust = abs(float(movement[-1])) * MODEL_TRUST / sqrt(3)
    return _Fit(near + value, hypot(standard, trust), degrees, movement)


def _still(t: Floats, y: Floats, slowest_s: float) -> _Fit:
    """Return the mean, and what the slowest movement could hide beside it."""
    e = np.exp(-t / slowest_s)
    away = e - e.mean()
    spread = float(away @ away)
    deviations = y - y.mean()
    count = len(y)
    if spread < count * NO_TIME:  # nothing is said about movement
        standard = float(np.std(y, ddof=1)) / sqrt(count)
        return _Fit(float(y.mean()), standard, count - 1, np.zeros(count))
    departure = float(away @ deviations) / spread
    rests = deviations - away * departure
    scatter = sqrt(
        float(rests @ rests) / (count - 2) * (1 / count + float(e.mean()) ** 2 / spread)
    )
    hidden = departure * float(e.mean())
    return _Fit(float(y.mean()), hypot(scatter, hidden), count - 2, np.zeros(count))


def _moves(t: Floats, y: Floats, slowest_s: float) -> bool:
    """Whether readings follow a straight or slow course: the F test of one slope."""
    e = np.exp(-t / slowest_s)
    away = e - e.mean()
    deviations, spread = y - y.mean(), float(away @ away)
    if spread < len(y) * NO_TIME:
        return False
    explained = float(away @ deviations) ** 2 / spread
    left = float(deviations @ deviations) - explained
    degrees = len(y) - 2
    return explained > max(left, 0.0) / degrees * float(
        scipy.special.fdtri(1, degrees, MOVED)
    )


def _moving(
    t: Floats, y: Floats, slowest_s: float
) -> tuple[float, Floats, float] | None:
    """Return value, movement and standard uncertainty of value by three parameters."""
    spacing_s = float(t[-1]) / (len(t) - 1)
    if spacing_s <= 0:
        return None
    fastest_s = min(spacing_s / 8, slowest_s / 2)
    taus = np.geomspace(fastest_s, slowest_s, GRID)
    shapes = np.exp(-t / taus[:, None])
    away = shapes - shapes.mean(axis=1, keepdims=True)
    sizes = (away**2).sum(axis=1)
    told = sizes > len(t) * NO_TIME
    if not told.any():
        return None
    taus, shapes, away, sizes = taus[told], shapes[told], away[told], sizes[told]
    departures = (away @ y) / sizes
    gains = departures**2 * sizes
    ends = y.mean() - departures * shapes.mean(axis=1)
    tau = float(taus[int(np.argmax(gains))])
    mean = float(y.mean())
    centred = y - mean
    for _ in range(STEPS):
        e, slope, departure = _shape(t, centred, tau)
        rests = centred - departure * e
        # Two normal equations, of the departure and the logarithm of tau.
        ee, es, ss = float(e @ e), float(e @ slope), float(slope @ slope)
        determinant = ee * ss - es * es
        if determinant <= ee * ss * 1e-12:
            break  # the shape no longer says which time constant it has
        step = (ee * float(slope @ rests) - es * float(e @ rests)) / determinant
        step = min(max(step, -0.2), 0.2)
        tau = min(tau * exp(step), 2 * float(taus[-1]))
        if abs(step) < NEAR_ENOUGH:
            break
    if tau > slowest_s:
        return None
    e, slope, departure = _shape(t, centred, tau)
    movement = departure * np.exp(-t / tau)
    value = mean - float(movement.mean())
    rests = centred - departure * e
    degrees = len(t) - 3
    variance = float(rests @ rests) / degrees
    standard = sqrt(variance * _leverage(t, tau))
    # A short record of a small movement fits many time constants: how far apart they
    # come to rest is then more than the covariance tells.
    near = float(scipy.special.fdtri(1, degrees, COMPATIBLE))
    left = float(centred @ centred) - gains
    apart = np.abs(ends[left <= float(rests @ rests) + near * variance] - value)
    return value, movement, max(standard, float(apart.max(initial=0.0)) / sqrt(near))


def _shape(t: Floats, centred: Floats, tau: float) -> tuple[Floats, Floats, float]:
    """Return the centred shape, its slope by the logarithm of tau, the departure."""
    bare = np.exp(-t / tau)
    e = bare - bare.mean()
    departure = float(e @ centred) / float(e @ e)
    slope = departure * bare * t / tau
    return e, slope - slope.mean(), departure


def _leverage(t: Floats, tau: float) -> float:
    """Return the variance of the value for a variance of one reading of 1."""
    e = np.exp(-t / tau)
    design = np.stack([np.ones_like(t), e, e * t / tau])
    scale = np.sqrt((design**2).sum(axis=1))
    # A very short time constant leaves a shape that says nothing of itself.
    scale[scale == 0] = 1.0
    design /= scale[:, None]
    inverse = np.linalg.pinv(design @ design.T, rcond=1e-13, hermitian=True)
    return float(inverse[0, 0]) / float(scale[0]) ** 2


def _white(rests: Floats) -> bool:
    count = len(rests)
    squares = float(rests @ rests)
    if count < FEWEST_TO_DOUBT or squares == 0:
        return True
    ratio = float((np.diff(rests) ** 2).sum()) / squares
    spread = 2 * sqrt((count - 2) / (count**2 - 1))
    return ratio >= 2 - ONE_PERCENT_POINT * spread
