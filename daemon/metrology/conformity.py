"""Judgement of a measured error against its limit (JCGM 106, ILAC-G8)."""

from dataclasses import dataclass
from enum import StrEnum
from math import hypot, inf

import scipy

from daemon.metrology.checks import finite, not_negative, ordered, positive
from daemon.metrology.risk import EXPANSION


class Outcome(StrEnum):
    """What may be said of a range."""

    CONFORMING = "conforming"
    NONCONFORMING = "nonconforming"
    UNDECIDED = "undecided"
    LIKE_KNOWN_GOOD = "like known-good"
    CHANGED = "changed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformity:
    """An outcome and the probability that the true error is within the limit.

    The probability is None where a bench only compares.
    """

    outcome: Outcome
    conformance_probability: float | None

    @property
    def specific_risk(self) -> float | None:
        """Probability that this very decision is wrong (JCGM 106, 9.3).

        The consumer's after conforming, the producer's after nonconforming; None
        where nothing was decided.
        """
        if self.conformance_probability is None:
            return None
        if self.outcome is Outcome.CONFORMING:
            return 1 - self.conformance_probability
        if self.outcome is Outcome.NONCONFORMING:
            return self.conformance_probability
        return None


def judge(
    error_ppm: float,
    uncertainty_ppm: float,
    limit_ppm: float,
    guard_factor: float = 1.0,
) -> Conformity:
    """Judge a range error against its limit, with a guard band on both sides.

    Parameters
    ----------
    error_ppm : float
        Measured error.
    uncertainty_ppm : float
        Its standard uncertainty (k = 1), >= 0.
    limit_ppm : float
        Largest error allowed, >= 0: the tolerance interval is -limit to +limit.
    guard_factor : float
        Guard band as a multiple of the expanded uncertainty (k = 2), >= 0;
        0 is simple acceptance, 1 is a specific risk below 2.5 %.

    Returns
    -------
    Conformity
        Conforming when the error is inside the limit by the guard band,
        nonconforming when it is outside by as much, else undecided (the
        non-binary rule of ILAC-G8:09/2019); and the conformance probability of
        a normal distribution (JCGM 106, 7).

    Raises
    ------
    ArgumentError
        If a value is outside its bound.

    Examples
    --------
    >>> judge(700.0, 100.0, 1000.0).outcome
    <Outcome.CONFORMING: 'conforming'>
    >>> near = judge(900.0, 100.0, 1000.0)
    >>> near.outcome, round(near.conformance_probability, 4)
    (<Outcome.UNDECIDED: 'undecided'>, 0.8413)
    """
    finite(error_ppm=error_ppm)
    not_negative(
        uncertainty_ppm=uncertainty_ppm, limit_ppm=limit_ppm, guard_factor=guard_factor
    )
    return judge_between(
        error_ppm, uncertainty_ppm, -limit_ppm, limit_ppm, guard_factor=guard_factor
    )


def judge_between(
    error: float,
    uncertainty: float,
    low: float,
    high: float,
    *,
    guard_factor: float = 1.0,
) -> Conformity:
    """Judge an error between two limits, with a guard band at both.

    Parameters
    ----------
    error : float
        Measured error, any unit.
    uncertainty : float
        Its standard uncertainty (k = 1), >= 0.
    low, high : float
        Limits, low <= high; infinite where that side is open.
    guard_factor : float
        As in `judge`.

    Returns
    -------
    Conformity

    Raises
    ------
    ArgumentError
        If a value is outside its bound.

    Examples
    --------
    Too little does not matter, too much does:

    >>> judge_between(-9.0, 1.0, float("-inf"), 3.0).outcome
    <Outcome.CONFORMING: 'conforming'>
    >>> judge_between(2.0, 1.0, float("-inf"), 3.0).outcome
    <Outcome.UNDECIDED: 'undecided'>
    """
    finite(error=error)
    not_negative(uncertainty=uncertainty, guard_factor=guard_factor)
    guard_band = guard_factor * EXPANSION * uncertainty
    finite(**{"guard band": guard_band})
    probability = conformance_probability(error, uncertainty, low, high)
    if low + guard_band <= error <= high - guard_band:
        outcome = Outcome.CONFORMING
    elif error < low - guard_band or error > high + guard_band:
        outcome = Outcome.NONCONFORMING
    else:
        outcome = Outcome.UNDECIDED
    return Conformity(outcome=outcome, conformance_probability=probability)


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoParts:
    """One side of a limit: ppm of reading plus ppm of full scale, both >= 0."""

    of_reading_ppm: float
    of_full_scale_ppm: float

    def __post_init__(self) -> None:
        not_negative(
            of_reading_ppm=self.of_reading_ppm, of_full_scale_ppm=self.of_full_scale_ppm
        )


def limits_at(
    of_full_scale: float, above: TwoParts | None, below: TwoParts | None
) -> tuple[float, float]:
    """Return the lower and the upper limit of an error at one level.

    Parameters
    ----------
    of_full_scale : float
        The level as a share of full scale, of either sign; 0 is zero.
    above, below : TwoParts or None
        The limit of what reads too much and too little; None where none stands.

    Returns
    -------
    tuple of float
        Ppm of full scale; infinite where none stands. Below zero too much is what
        lies farther from zero, so the sides change places.

    Raises
    ------
    ArgumentError
        If the level is not finite.

    Examples
    --------
    >>> limit = TwoParts(of_reading_ppm=1000.0, of_full_scale_ppm=100.0)
    >>> limits_at(0.5, limit, limit), limits_at(0.0, limit, None)
    ((-600.0, 600.0), (-inf, 100.0))
    """
    finite(of_full_scale=of_full_scale)
    much, little = (
        inf
        if one is None
        else one.of_reading_ppm * abs(of_full_scale) + one.of_full_scale_ppm
        for one in (above, below)
    )
    return (-little, much) if of_full_scale >= 0 else (-much, little)


def conformance_probability(
    estimate: float, uncertainty: float, low: float, high: float
) -> float:
    """Return the probability that the true value lies within the tolerance.

    Parameters
    ----------
    estimate : float
        Measured value, any unit.
    uncertainty : float
        Its standard uncertainty (k = 1), >= 0.
    low, high : float
        Tolerance limits, low <= high; infinite for a one-sided tolerance.

    Returns
    -------
    float
        For a normal distribution about the estimate (JCGM 106, 7.3 and 7.4).

    Raises
    ------
    ArgumentError
        If an argument is outside its bound or the limits are reversed.

    Examples
    --------
    A breakdown voltage that must not be above -5.40 V:

    >>> round(conformance_probability(-5.47, 0.05, float("-inf"), -5.40), 2)
    0.92
    """
    finite(estimate=estimate)
    not_negative(uncertainty=uncertainty)
    if low != high:
        ordered(low=low, high=high)
    if uncertainty == 0:
        return float(low <= estimate <= high)
    return float(
        scipy.special.ndtr((high - estimate) / uncertainty)
        - scipy.special.ndtr((low - estimate) / uncertainty)
    )


def can_judge(limit_ppm: float, uncertainty_ppm: float, needed_ratio: float) -> bool:
    """Tell whether a bench is good enough to judge a limit, not only to compare.

    Parameters
    ----------
    limit_ppm : float
        Largest error allowed, >= 0.
    uncertainty_ppm : float
        Standard uncertainty (k = 1) of the measured error, >= 0.
    needed_ratio : float
        Least ratio of limit to expanded uncertainty (k = 2), above 0.

    Returns
    -------
    bool

    Raises
    ------
    ArgumentError
        If a value is outside its bound.

    Examples
    --------
    >>> can_judge(1000.0, 100.0, 3.0), can_judge(1000.0, 250.0, 3.0)
    (True, False)
    """
    not_negative(limit_ppm=limit_ppm, uncertainty_ppm=uncertainty_ppm)
    positive(needed_ratio=needed_ratio)
    return limit_ppm >= needed_ratio * EXPANSION * uncertainty_ppm


def compare(
    error_ppm: float,
    uncertainty_ppm: float,
    known_good_ppm: float,
    known_good_uncertainty_ppm: float,
    *,
    allowed_difference_ppm: float = 0.0,
) -> Conformity:
    """Compare a unit with a known-good one measured on the same bench.

    Parameters
    ----------
    error_ppm, known_good_ppm : float
        The errors both units showed on this bench.
    uncertainty_ppm, known_good_uncertainty_ppm : float
        Their standard uncertainties (k = 1) without what is the same for both
        on this bench (`RangeError.comparison_uncertainty_ppm`), >= 0.
    allowed_difference_ppm : float
        By how much two good units may differ, >= 0.

    Returns
    -------
    Conformity
        Like known-good where the difference is certainly no more than what is
        allowed, changed where it is certainly more: by the expanded uncertainty
        (k = 2) of the difference. Undecided between, so that a poor bench accepts
        no more than a good one. With nothing allowed no bench could accept; then
        like known-good says what ISO/IEC 17043 does, |E_n| <= 1. Never a
        conformance probability: what the bench does to both units is not known.

    Raises
    ------
    ArgumentError
        If a value is outside its bound.

    Examples
    --------
    >>> compare(5300.0, 40.0, 5000.0, 30.0).outcome
    <Outcome.CHANGED: 'changed'>
    """
    finite(error_ppm=error_ppm, known_good_ppm=known_good_ppm)
    not_negative(
        uncertainty_ppm=uncertainty_ppm,
        known_good_uncertainty_ppm=known_good_uncertainty_ppm,
        allowed_difference_ppm=allowed_difference_ppm,
    )
    expanded = EXPANSION * hypot(uncertainty_ppm, known_good_uncertainty_ppm)
    difference = abs(error_ppm - known_good_ppm)
    if difference > allowed_difference_ppm + expanded:
        outcome = Outcome.CHANGED
    elif difference <= allowed_difference_ppm - expanded or not allowed_difference_ppm:
        outcome = Outcome.LIKE_KNOWN_GOOD
    else:
        outcome = Outcome.UNDECIDED
    return Conformity(outcome=outcome, conformance_probability=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Two results compared: `normalised_error` is E_n, dimensionless."""

    difference: float
    normalised_error: float

    @property
    def agree(self) -> bool:
        """Whether the difference is within its expanded uncertainty, |E_n| <= 1."""
        return abs(self.normalised_error) <= 1


def agreement(
    value: float, expanded: float, other: float, other_expanded: float
) -> Agreement:
    """Return the normalised error of one meter against another.

    Parameters
    ----------
    value, other : float
        What both read, one unit; `other` is the better known.
    expanded, other_expanded : float
        Their expanded uncertainties (k = 2), independent, >= 0, not both 0.

    Returns
    -------
    Agreement
        E_n = (value - other) / sqrt(expanded^2 + other_expanded^2) (ISO/IEC
        17043:2010, B.3.1.3; ISO 13528). What both meters have in common, a
        standard resistor for one, must not be in the uncertainties.

    Raises
    ------
    ArgumentError
        If an argument is outside its bound.

    Examples
    --------
    >>> result = agreement(50.021, 0.004, 50.020, 0.003)
    >>> round(result.normalised_error, 6), result.agree
    (0.2, True)
    """
    finite(value=value, other=other)
    not_negative(expanded=expanded, other_expanded=other_expanded)
    together = hypot(expanded, other_expanded)
    positive(**{"combined expanded uncertainty": together})
    return Agreement(
        difference=value - other, normalised_error=(value - other) / together
    )
