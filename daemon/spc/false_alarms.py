"""What limits from a short baseline really give.

Centre and sigma from n units are themselves uncertain, so three-sigma limits do not
give one false alarm in 370 units but more, and some baselines far more than others.
The estimate of sigma is taken as chi-distributed with its equivalent degrees of
freedom: exact for a standard deviation, and within the accuracy of the two-moment
fit for moving ranges and ranges.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import isinf, sqrt

import numpy as np
from scipy.special import chdtri, ndtr, ndtri, stdtr

from daemon.spc.chart_factors import chi_mean
from daemon.spc.checks import Floats, count, within_reach
from daemon.spc.control_limits import Limits, Provenance
from daemon.spc.numerics import nodes
from daemon.spc.rules import Rule, checked_rules
from daemon.spc.run_length import first_firing

UNLUCKY = 0.9
ALMOST_SURE = float(np.nextafter(1.0, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseAlarms:
    """Values beyond the limits to expect while nothing has changed.

    Parameters
    ----------
    nominal_rate : float
        Per unit, were centre and sigma known.
    rate : float
        Per unit, on average over baselines like this one.
    unlucky_rate : float
        Per unit; one baseline in ten gives more.
    units : int
        Units the next two are for.
    expected : float
        False alarms to expect in so many units.
    chance : float
        Probability of at least one.
    """

    nominal_rate: float
    rate: float
    unlucky_rate: float
    units: int
    expected: float
    chance: float


def false_alarms(limits: Limits, *, units: int = 100) -> FalseAlarms:
    """Return the false alarms to expect of a chart of single values.

    The rate is that of Student's t for a new value; the rest is integrated over the
    distribution of the estimates. Known parameters give the nominal figures.

    Parameters
    ----------
    limits : Limits
        With the provenance that says how many units they rest on.
    units : int
        Length of the stretch that is looked at, at least 1.

    Returns
    -------
    FalseAlarms
        Rates per unit, and what they mean for `units`.

    Raises
    ------
    OutOfRangeError
        For fewer than one unit.

    References
    ----------
    C. P. Quesenberry, Journal of Quality Technology 25 (1993) 237-247: the effect of
    sample size on estimated limits.

    Examples
    --------
    >>> from daemon.spc.control_limits import limits_from_baseline
    >>> baseline = [0.3, -1.1, 0.8, 0.1, -0.4, 1.3, -0.7, 0.2, -0.1, 0.6]
    >>> told = false_alarms(limits_from_baseline(baseline), units=100)
    >>> round(told.nominal_rate, 4), round(told.rate, 3), round(told.chance, 2)
    (0.0027, 0.025, 0.46)
    """
    count("units", units, at_least=1)
    provenance = limits.provenance
    if not isinf(provenance.degrees_of_freedom):
        count("units that the limits rest on", provenance.used, at_least=1)
    nominal = 2.0 * float(ndtr(-limits.width))
    if isinf(provenance.degrees_of_freedom):
        rate, unlucky = nominal, nominal
        chance = 1.0 if nominal >= 1.0 else -np.expm1(units * np.log1p(-nominal))
    else:
        freedom = provenance.degrees_of_freedom
        one = limits.width / chi_mean(freedom) / sqrt(1.0 + 1.0 / provenance.used)
        rate = 2.0 * float(stdtr(freedom, -one))
        even = (np.arange(400) + 0.5) / 400
        rates = _beyond(limits, *_estimates(provenance, even, even))
        unlucky = float(np.quantile(rates, UNLUCKY))
        at, weight = nodes(0.0, 1.0, 64)
        rates = _beyond(limits, *_estimates(provenance, at, at))
        # Limits of no width: every unit is beyond them, which has no logarithm.
        clean = np.exp(units * np.log1p(-np.minimum(rates, ALMOST_SURE)))
        chance = 1.0 - weight @ clean @ weight
    return FalseAlarms(
        nominal_rate=nominal,
        rate=rate,
        unlucky_rate=unlucky,
        units=units,
        expected=units * rate,
        chance=float(chance),
    )


@within_reach
def chance_of_false_alarm(
    limits: Limits, rules: Iterable[Rule], *, units: int = 100
) -> float:
    """Return the probability that any rule of a set fires in `units` good units.

    Parameters
    ----------
    limits : Limits
        With the provenance that says how many units they rest on. Rules speak of
        standard deviations, so their width does not matter.
    rules : iterable of Rule
        The chosen set.
    units : int
        Length of the stretch, from 1 to a million.

    Raises
    ------
    SpcError
        For an empty set, a rule given twice, or a stretch outside its bounds.

    Examples
    --------
    >>> from daemon.spc.rules import WESTERN_ELECTRIC
    >>> known = Limits(centre=0.0, sigma=1.0)
    >>> round(chance_of_false_alarm(known, WESTERN_ELECTRIC, units=100), 2)
    0.67
    """
    chosen = checked_rules(rules)
    count("units", units, at_least=1)
    if isinf(limits.provenance.degrees_of_freedom):
        return float(first_firing(chosen, units=units).within[-1])
    # Both sides of a chart are alike, so half the centres are enough.
    at, weight = nodes(0.0, 1.0, 6)
    half = at > 0.5
    centres, sigmas = _estimates(limits.provenance, at[half], at)
    chances = np.array(
        [
            [
                first_firing(
                    chosen, units=units, shift=-centre / sigma, scale=1.0 / sigma
                ).within[-1]
                for sigma in sigmas
            ]
            for centre in centres
        ]
    )
    return float(2.0 * weight[half] @ chances @ weight)


def _estimates(
    provenance: Provenance, centre_at: Floats, sigma_at: Floats
) -> tuple[Floats, Floats]:
    """Return quantiles of the estimated centre and sigma of a standard process."""
    centres = ndtri(centre_at) / sqrt(provenance.used)
    freedom = provenance.degrees_of_freedom
    sigmas = np.sqrt(chdtri(freedom, 1.0 - sigma_at) / freedom) / chi_mean(freedom)
    return centres, sigmas


def _beyond(limits: Limits, centres: Floats, sigmas: Floats) -> Floats:
    """Return the rate beyond the limits for each pair of estimates."""
    reach = limits.width * sigmas
    centre = centres[:, None]
    rates: Floats = ndtr(-reach - centre) + ndtr(-reach + centre)
    return rates
