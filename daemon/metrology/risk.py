"""Guard bands and risks of accepting and rejecting (JCGM 106, ILAC-G8)."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, pi, sqrt
from types import MappingProxyType

import scipy

from daemon.metrology.checks import finite, not_negative, ordered, positive
from daemon.metrology.errors import ArgumentError

EXPANSION = 2.0
"""Coverage factor of the expanded uncertainty that guard bands are made of."""

_FAR = 12.0
_LARGEST_ERROR = 1e-9
_ROUNDING = 1e-12
_SQRT_TWO_PI = sqrt(2 * pi)


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRule:
    """A guard band as a multiple of the expanded uncertainty (k = 2).

    A negative one accepts beyond the limit, for uncritical properties.
    """

    name: str
    guard_factor: float

    @property
    def specific_risk(self) -> float:
        """Largest probability of the wrong decision that the rule guards against.

        Of accepting what does not conform, at the acceptance limit; for a
        negative guard band of rejecting what does.
        """
        return float(scipy.special.ndtr(-EXPANSION * abs(self.guard_factor)))


DECISION_RULES: Mapping[str, DecisionRule] = MappingProxyType(
    {
        name: DecisionRule(name=name, guard_factor=guard_factor)
        for name, guard_factor in (
            ("6 sigma", 3.0),
            ("3 sigma", 1.5),
            ("ILAC-G8:2009", 1.0),
            ("ISO 14253-1:2017", 0.83),
            ("simple acceptance", 0.0),
            ("uncritical", -1.0),
        )
    }
)
"""Rules that ILAC-G8:09/2019 lists, by its names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisk:
    """What a rule does to a whole production.

    Shares of all units: `consumer` are accepted though they do not conform,
    `producer` are rejected though they do, `nonconforming` do not conform.
    """

    consumer: float
    producer: float
    nonconforming: float


def guard_factor_for_risk(specific_risk: float) -> float:
    """Return the guard band that keeps the specific risk at the limit.

    Parameters
    ----------
    specific_risk : float
        Probability that a unit measured at the acceptance limit does not
        conform, above 0 and at most 0.5.

    Returns
    -------
    float
        Guard band as a multiple of the expanded uncertainty (k = 2), >= 0
        (JCGM 106, 8.3).

    Raises
    ------
    ArgumentError
        If the risk is outside its bound.

    Examples
    --------
    >>> round(guard_factor_for_risk(0.05), 4)
    0.8224
    """
    if not 0 < specific_risk <= 0.5:
        raise ArgumentError(
            name="specific_risk", value=specific_risk, bound="> 0 and <= 0.5"
        )
    return float(-scipy.special.ndtri(specific_risk)) / EXPANSION + 0.0


def acceptance_limits(
    low: float, high: float, uncertainty: float, guard_factor: float
) -> tuple[float, float]:
    """Return tolerance limits moved inwards by a guard band.

    Parameters
    ----------
    low, high : float
        Tolerance limits, any unit, low < high; infinite for a one-sided one.
    uncertainty : float
        Standard uncertainty (k = 1) of a measurement, >= 0.
    guard_factor : float
        Guard band as a multiple of the expanded uncertainty (k = 2); negative
        moves the limits outwards.

    Returns
    -------
    tuple of float
        Acceptance limits, in the same unit (JCGM 106, 8.3).

    Raises
    ------
    ArgumentError
        If limits are reversed, or the guard bands leave nothing to accept.

    Examples
    --------
    >>> acceptance_limits(-1000.0, 1000.0, 100.0, 1.0)
    (-800.0, 800.0)
    """
    ordered(low=low, high=high)
    not_negative(uncertainty=uncertainty)
    finite(guard_factor=guard_factor)
    guard_band = guard_factor * EXPANSION * uncertainty
    if low + guard_band >= high - guard_band:
        raise ArgumentError(
            name="guard band", value=guard_band, bound=f"< {(high - low) / 2:g}"
        )
    return low + guard_band, high - guard_band


def global_risk(
    *,
    mean: float,
    deviation: float,
    uncertainty: float,
    low: float,
    high: float,
    guard_factor: float = 0.0,
) -> GlobalRisk:
    """Return consumer's and producer's risk of a production under a rule.

    Parameters
    ----------
    mean, deviation : float
        Of the true values of the production, normal; deviation above 0.
    uncertainty : float
        Standard uncertainty (k = 1) of each measurement, normal, >= 0.
    low, high : float
        Tolerance limits, low < high; infinite for a one-sided tolerance.
    guard_factor : float
        As for `acceptance_limits`.

    Returns
    -------
    GlobalRisk

    Raises
    ------
    ArgumentError
        If an argument is outside its bound.

    Notes
    -----
    The integrals of JCGM 106, 9.5.2 and 9.5.3: over the true values, of the
    probability that the measured one falls on the other side.

    Examples
    --------
    >>> risk = global_risk(
    ...     mean=1500.0, deviation=0.12, uncertainty=0.04, low=1499.8, high=1500.2
    ... )
    >>> round(risk.consumer, 4), round(risk.producer, 4)
    (0.0189, 0.0372)
    """
    finite(mean=mean)
    positive(deviation=deviation)
    accept_low, accept_high = acceptance_limits(low, high, uncertainty, guard_factor)
    # In deviations of the production from its mean, so that no unit matters.
    tolerance = ((low - mean) / deviation, (high - mean) / deviation)
    acceptance = ((accept_low - mean) / deviation, (accept_high - mean) / deviation)
    nonconforming = float(
        scipy.special.ndtr(tolerance[0]) + scipy.special.ndtr(-tolerance[1])
    )
    noise = uncertainty / deviation
    finite(**{"uncertainty / deviation": noise})
    if noise == 0:
        return GlobalRisk(consumer=0.0, producer=0.0, nonconforming=nonconforming)

    def accepted(z: float) -> float:
        return _between((acceptance[0] - z) / noise, (acceptance[1] - z) / noise)

    def rejected(z: float) -> float:
        return float(scipy.special.ndtr((acceptance[0] - z) / noise)) + float(
            scipy.special.ndtr((z - acceptance[1]) / noise)
        )

    # Where the chance of acceptance turns; the integral is split there.
    turns = [limit + k * noise for limit in acceptance for k in (-8, 0, 8)]
    return GlobalRisk(
        consumer=_share(accepted, -_FAR, tolerance[0], turns)
        + _share(accepted, tolerance[1], _FAR, turns),
        producer=_share(rejected, *tolerance, turns),
        nonconforming=nonconforming,
    )


def _share(
    chance: Callable[[float], float], low: float, high: float, turns: Sequence[float]
) -> float:
    """Integrate a chance over the standard normal production from low to high."""
    start, end = max(low, -_FAR), min(high, _FAR)
    if start >= end:
        return 0.0
    inside = sorted(turn for turn in turns if start < turn < end)
    edges = [start, *inside, end]
    return sum(
        _integral(lambda z: chance(z) * exp(-z * z / 2) / _SQRT_TWO_PI, one, other)
        for one, other in pairwise(edges)
        # Two turns that rounding alone sets apart leave nothing to integrate.
        if other - one > _ROUNDING * max(1.0, abs(one))
    )


def _integral(function: Callable[[float], float], low: float, high: float) -> float:
    from scipy.integrate import quad  # noqa: PLC0415 -- slow to load, seldom needed

    # What is told beside it is mostly that the last digits are rounding: the error says
    # whether that matters.
    found, error, *_ = quad(
        function, low, high, epsabs=1e-14, epsrel=1e-10, full_output=True
    )
    if error > _LARGEST_ERROR:
        raise ArgumentError(
            name="error of a risk", value=error, bound=f"<= {_LARGEST_ERROR:g}"
        )
    return float(found)


def _between(low: float, high: float) -> float:
    """Return the normal probability between two points, digits kept in both tails."""
    if low > 0:
        low, high = -high, -low
    return float(scipy.special.ndtr(high) - scipy.special.ndtr(low))
