"""One reference measured again and again: type-1 study, bias, stability."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr, stdtrit
from scipy.stats import linregress

from daemon.spc.checks import (
    finite,
    finite_array,
    positive,
    same_length,
    share,
    within_reach,
)
from daemon.spc.control_limits import Limits, limits_from_baseline
from daemon.spc.errors import NoSpreadError
from daemon.spc.moments import Moments, moments
from daemon.spc.rules import ISO_7870_2, Firing, RunRules
from daemon.spc.variance.intervals import Interval
from daemon.spc.variance.one_way import OneWayComponents, one_way_components


@dataclass(frozen=True, slots=True, kw_only=True)
class BiasStudy:
    """Mean of repeated readings against the reference, in the unit of the values.

    `p` is the probability of so large a bias when there is none; `interval` that of
    the bias.
    """

    n: int
    mean: float
    s: float
    bias: float
    standard_error: float
    t: float
    p: float
    interval: Interval


def bias_study(
    x: ArrayLike, *, reference: float, confidence: float = 0.95
) -> BiasStudy:
    """Return the bias of repeated readings of one reference.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least two readings.
    reference : float
        What the reference truly is, in the same unit.
    confidence : float
        Of the interval, above 0 and below 1.

    Raises
    ------
    SpcError
        For too few readings, numbers that are not finite, or readings that never
        differ (the resolution hides the scatter).

    References
    ----------
    Automotive Industry Action Group, Measurement Systems Analysis (independent
    sample method); ISO 22514-7.

    Examples
    --------
    >>> study = bias_study([0.9001, 0.9003, 0.9, 0.9004, 0.9002], reference=0.9)
    >>> round(study.bias, 4), round(study.p, 3)
    (0.0002, 0.047)
    """
    found = _scattered(x)
    bias = found.mean - finite("reference", reference)
    error = found.s / sqrt(found.n)
    degrees = found.n - 1
    half = _t(degrees, confidence) * error
    return BiasStudy(
        n=found.n,
        mean=found.mean,
        s=found.s,
        bias=bias,
        standard_error=error,
        t=bias / error,
        p=_p(bias / error, degrees),
        interval=Interval(lower=bias - half, upper=bias + half, confidence=confidence),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Type1Study:
    """Capability of a gauge on one reference.

    `cg` compares its share of the tolerance with the gauge's own scatter, `cgk` what
    the bias leaves of it.
    """

    bias: BiasStudy
    cg: float
    cgk: float
    sigmas: float
    share: float

    def least_tolerance(self, cg: float = 1.33) -> float:
        """Return the smallest tolerance for which Cg is good enough.

        Parameters
        ----------
        cg : float
            Wanted, above 0.

        Raises
        ------
        SpcError
            For no positive finite number.

        Examples
        --------
        >>> volts = [0.9001, 0.8999, 0.9, 0.9002, 0.8998]
        >>> study = type1_study(volts, reference=0.9, tolerance=0.01)
        >>> round(study.least_tolerance(), 3)
        0.006
        """
        return positive("cg", cg) * self.sigmas * self.bias.s / self.share


@within_reach
def type1_study(
    x: ArrayLike,
    *,
    reference: float,
    tolerance: float,
    sigmas: float = 6.0,
    tolerance_share: float = 0.2,
) -> Type1Study:
    """Return the type-1 study of a gauge.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least two readings of one reference; 25 or more are usual.
    reference : float
        What the reference truly is, in the same unit.
    tolerance : float
        Width between the limits that the gauge is to judge, > 0.
    sigmas : float
        How many standard deviations the gauge's scatter is taken to span, > 0: 6 or
        4.
    tolerance_share : float
        Share of the tolerance that the gauge may use, above 0 and below 1.

    Raises
    ------
    SpcError
        For too few readings, numbers that are not finite or outside their bounds, or
        readings that never differ.

    References
    ----------
    ISO 22514-7; Cg and Cgk with a fifth of the tolerance: common practice, no source.

    Examples
    --------
    >>> volts = [0.9001, 0.9, 0.9002, 0.9001, 0.9003]
    >>> study = type1_study(volts, reference=0.9, tolerance=0.009)
    >>> round(study.cg, 2), round(study.cgk, 2)
    (2.63, 2.22)
    """
    bias = bias_study(x, reference=reference)
    room = share("tolerance_share", tolerance_share) * positive("tolerance", tolerance)
    span = positive("sigmas", sigmas) * bias.s
    return Type1Study(
        bias=bias,
        cg=room / span,
        cgk=(room - 2.0 * abs(bias.bias)) / span,
        sigmas=sigmas,
        share=tolerance_share,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class StabilityStudy:
    """One reference over time, in the unit of the values.

    `means` has the mean of each time, `limits` those of a chart of them, `firings`
    what its rules found. `drift` is the slope of the means against time, a unit of
    time; `p` the probability of so large a one when there is none. `components` holds
    the scatter inside a time (repeatability) and from time to time; None where each
    time has but one reading, which tells the two apart nowhere.
    """

    means: tuple[float, ...]
    limits: Limits
    firings: tuple[Firing, ...]
    drift: float
    p: float
    interval: Interval
    components: OneWayComponents | None


def stability_study(
    at: ArrayLike, readings: Sequence[ArrayLike], *, confidence: float = 0.95
) -> StabilityStudy:
    """Return how the readings of one reference move with time.

    The chart is one of single values, of the means of the times: its limits come from
    the steps from time to time. What changes from day to day and is part of how the
    gauge is used is so inside the limits, a move is not.

    Parameters
    ----------
    at : array_like, shape (m,)
        At least three times, rising, in any unit.
    readings : sequence of array_like, shapes (n_1,), ... (n_m,)
        Readings at each time, one or more.
    confidence : float
        Of the drift's interval, above 0 and below 1.

    Raises
    ------
    SpcError
        For too few times or readings, lengths that do not match, numbers that are
        not finite, or times or readings that never differ.

    References
    ----------
    Automotive Industry Action Group, Measurement Systems Analysis (stability); NIST/
    SEMATECH e-Handbook, sections 2.2 (check standards) and 6.3.2.2 (single values);
    ISO 7870-2 (rules).

    Examples
    --------
    >>> study = stability_study(
    ...     [0.0, 1.0, 2.0, 3.0], [[5.0, 5.2], [5.3, 5.2], [5.4, 5.3], [5.6, 5.5]]
    ... )
    >>> round(study.drift, 3), study.p < 0.05
    (0.145, True)
    >>> round(study.limits.centre, 4), len(study.firings)
    (5.3125, 0)
    """
    times = finite_array("at", at, at_least=3)
    if len(readings) != len(times):
        same_length("at, readings", times, np.empty(len(readings)))
    if np.ptp(times) == 0.0:
        raise NoSpreadError(argument="spread of at", value=0.0, allowed="> 0")
    groups = [
        finite_array(f"readings[{place}]", one, at_least=1)
        for place, one in enumerate(readings)
    ]
    means = np.array([one.mean() for one in groups])
    repeated = any(len(one) > 1 for one in groups)
    components = one_way_components(groups, confidence=confidence) if repeated else None
    limits = limits_from_baseline(means)
    rules = RunRules(rules=ISO_7870_2)
    points = [
        rules.update((float(one) - limits.centre) / limits.sigma) for one in means
    ]
    fit = linregress(times, means)
    degrees = len(times) - 2
    half = _t(degrees, confidence) * float(fit.stderr)
    return StabilityStudy(
        means=tuple(means.tolist()),
        limits=limits,
        firings=tuple(firing for point in points for firing in point.firings),
        drift=float(fit.slope),
        p=float(fit.pvalue),
        interval=Interval(
            lower=float(fit.slope) - half,
            upper=float(fit.slope) + half,
            confidence=confidence,
        ),
        components=components,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LinearityStudy:
    """Bias as a straight line of the reference, in the unit of the values.

    `band` gives the interval of the line at a reference. `reference_bias` has the
    mean bias at each reference, in rising order.
    """

    slope: float
    intercept: float
    slope_error: float
    intercept_error: float
    slope_p: float
    intercept_p: float
    r_squared: float
    s: float
    n: int
    reference_bias: tuple[tuple[float, float], ...]
    mean_reference: float
    spread_of_reference: float
    confidence: float

    def band(self, reference: float) -> Interval:
        """Return the interval of the line at one reference.

        Parameters
        ----------
        reference : float
            In the unit of the values.

        Raises
        ------
        SpcError
            For a number that is not finite.

        Examples
        --------
        >>> reference = [0.1, 0.1, 0.5, 0.5, 0.9, 0.9]
        >>> study = linearity_study(reference, [0.11, 0.09, 0.51, 0.49, 0.91, 0.89])
        >>> band = study.band(0.5)
        >>> round(band.lower, 3), round(band.upper, 3)
        (-0.014, 0.014)
        """
        line = self.intercept + self.slope * finite("reference", reference)
        off = (reference - self.mean_reference) ** 2 / self.spread_of_reference
        half = _t(self.n - 2, self.confidence) * self.s * sqrt(1.0 / self.n + off)
        return Interval(
            lower=line - half, upper=line + half, confidence=self.confidence
        )

    @property
    def slope_interval(self) -> Interval:
        """Of the slope."""
        return self._around(self.slope, self.slope_error)

    @property
    def intercept_interval(self) -> Interval:
        """Of the intercept: the line's bias where the reference is zero."""
        return self._around(self.intercept, self.intercept_error)

    def _around(self, value: float, error: float) -> Interval:
        half = _t(self.n - 2, self.confidence) * error
        return Interval(
            lower=value - half, upper=value + half, confidence=self.confidence
        )

    @property
    def linear(self) -> bool:
        """Whether a bias of zero lies within the band at every reference."""
        bands = [self.band(reference) for reference, _ in self.reference_bias]
        return all(band.lower <= 0.0 <= band.upper for band in bands)


def linearity_study(
    reference: ArrayLike, measured: ArrayLike, *, confidence: float = 0.95
) -> LinearityStudy:
    """Return whether the bias changes over the gauge's span.

    Parameters
    ----------
    reference, measured : array_like, shape (n,)
        True value and reading of each measurement, same unit; at least three
        measurements, of references that differ.
    confidence : float
        Of the band, above 0 and below 1.

    Raises
    ------
    SpcError
        For too few measurements, lengths that do not match, numbers that are not
        finite, or references or biases without spread.

    References
    ----------
    Automotive Industry Action Group, Measurement Systems Analysis (linearity).

    Examples
    --------
    >>> volts = [0.1, 0.1, 0.5, 0.5, 0.9, 0.9]
    >>> study = linearity_study(volts, [0.13, 0.15, 0.52, 0.51, 0.89, 0.9])
    >>> round(study.slope, 3), study.linear
    (-0.056, False)
    """
    x = finite_array("reference", reference, at_least=3)
    y = finite_array("measured", measured)
    n = same_length("reference, measured", x, y)
    if np.ptp(x) == 0.0:
        raise NoSpreadError(argument="spread of reference", value=0.0, allowed="> 0")
    bias = y - x
    if np.ptp(bias) == 0.0:
        raise NoSpreadError(argument="spread of measured", value=0.0, allowed="> 0")
    share("confidence", confidence)
    fit = linregress(x, bias)
    slope, intercept = float(fit.slope), float(fit.intercept)
    rest = bias - intercept - slope * x
    places = np.unique(x)
    means = [float(bias[x == place].mean()) for place in places]
    intercept_error = float(fit.intercept_stderr)
    if intercept_error == 0.0:
        raise NoSpreadError(
            argument="scatter of measured around the line", value=0.0, allowed="> 0"
        )
    return LinearityStudy(
        slope=slope,
        intercept=intercept,
        slope_error=float(fit.stderr),
        intercept_error=intercept_error,
        slope_p=float(fit.pvalue),
        intercept_p=_p(intercept / intercept_error, n - 2),
        r_squared=float(fit.rvalue) ** 2,
        s=sqrt(float(rest @ rest) / (n - 2)),
        n=n,
        reference_bias=tuple(zip(places.tolist(), means, strict=True)),
        mean_reference=float(x.mean()),
        spread_of_reference=float(np.sum((x - x.mean()) ** 2)),
        confidence=confidence,
    )


def _scattered(x: ArrayLike) -> Moments:
    found = moments(x)
    if found.s == 0.0:
        raise NoSpreadError(
            argument="spread of x",
            value=0.0,
            allowed="> 0: the resolution is too coarse",
        )
    return found


def _t(degrees: int, confidence: float) -> float:
    return float(stdtrit(degrees, 0.5 * (1.0 + share("confidence", confidence))))


def _p(t: float, degrees: int) -> float:
    return 2.0 * float(stdtr(degrees, -abs(t)))
