"""Crossed gauge study: every appraiser measures every part several times."""

from dataclasses import dataclass, replace
from math import hypot, inf, sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from daemon.spc.chart_factors import d2, d2_star
from daemon.spc.checks import Floats, finite_array, not_negative, positive, share
from daemon.spc.errors import NoSpreadError, TooFewError
from daemon.spc.variance.intervals import Interval, MeanSquare, sum_interval


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeSpread:
    """Where the scatter of measured values comes from, as standard deviations.

    `repeatability` (EV) is that of one appraiser on one part, `reproducibility` (AV)
    that between appraisers, their interaction with parts included, `part` (PV) that
    of the parts themselves. An appraiser is whoever or whatever measures: a person, a
    bench, a meter. All in the unit of the values.
    """

    repeatability: float
    reproducibility: float
    part: float

    @property
    def gauge(self) -> float:
        """Repeatability and reproducibility together (GRR)."""
        return hypot(self.repeatability, self.reproducibility)

    @property
    def total(self) -> float:
        """All together (TV)."""
        return hypot(self.gauge, self.part)

    @property
    def share_of_spread(self) -> float:
        """GRR over TV; common practice, no source: good to 0.1, useless above 0.3."""
        return self.gauge / self.total if self.total > 0.0 else 0.0

    @property
    def share_of_variance(self) -> float:
        """Share of the total variance that the gauge makes."""
        return self.share_of_spread**2

    def share_of_tolerance(self, tolerance: float) -> float:
        """Return six GRR over the width between the limits, in the same unit.

        Parameters
        ----------
        tolerance : float
            Upper limit minus lower, above 0.

        Raises
        ------
        SpcError
            For no positive finite number.

        Examples
        --------
        >>> spread = GaugeSpread(repeatability=3.0, reproducibility=4.0, part=20.0)
        >>> spread.share_of_tolerance(300.0)
        0.1
        """
        return 6.0 * self.gauge / positive("tolerance", tolerance)

    @property
    def categories(self) -> int:
        """Number of distinct categories (ndc) of parts that the gauge can tell."""
        return distinct_categories(part=self.part, gauge=self.gauge)


def distinct_categories(*, part: float, gauge: float) -> int:
    """Return the number of distinct categories: 1.41 PV / GRR, cut to whole ones.

    Parameters
    ----------
    part, gauge : float
        Standard deviations of the parts and of the gauge, >= 0, not both 0.

    Returns
    -------
    int
        At least 1.

    Raises
    ------
    SpcError
        For numbers that are not finite or below zero, or a gauge without scatter.

    References
    ----------
    Automotive Industry Action Group, Measurement Systems Analysis (1.41 stands for
    the root of 2); D. J. Wheeler and R. W. Lyday, Evaluating the Measurement Process.

    Examples
    --------
    >>> distinct_categories(part=420.0, gauge=120.0)
    4
    """
    not_negative("part", part)
    ratio = 1.41 * part / positive("gauge", gauge)
    return max(1, int(ratio)) if ratio < inf else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaRow:
    """One source of scatter; `f` and `p` are None for repeatability."""

    source: str
    degrees: int
    sum_of_squares: float
    f: float | None = None
    p: float | None = None

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.sum_of_squares / self.degrees


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedStudy:
    """Analysis of variance of a crossed study.

    `rows` are those of the full model: part, appraiser, interaction, repeatability.
    `pooled` says whether the interaction was taken into the error, and `reduced`
    then holds the rows part, appraiser, error. `interaction` is its standard
    deviation, 0 when pooled. `variance_of_gauge` is the interval of GRR squared.
    """

    rows: tuple[AnovaRow, ...]
    reduced: tuple[AnovaRow, ...]
    pooled: bool
    spread: GaugeSpread
    interaction: float
    variance_of_gauge: Interval

    @property
    def total_sum_of_squares(self) -> float:
        """Sum of squares around the grand mean."""
        return sum(row.sum_of_squares for row in self.rows)


def crossed_study(
    values: ArrayLike, *, pool_above: float = 0.25, confidence: float = 0.95
) -> CrossedStudy:
    """Return the gauge study by analysis of variance.

    Parameters
    ----------
    values : array_like, shape (parts, appraisers, trials)
        At least two of each, any one unit.
    pool_above : float
        The interaction goes into the error when its p-value is above this, between
        0 and 1; common practice, no source.
    confidence : float
        Of the interval, above 0 and below 1.

    Raises
    ------
    SpcError
        For too few parts, appraisers or trials, values that are not finite, or
        trials that never differ.

    References
    ----------
    Automotive Industry Action Group, Measurement Systems Analysis; R. K. Burdick,
    C. M. Borror and D. C. Montgomery, Journal of Quality Technology 35 (2003)
    342-354.

    Examples
    --------
    >>> study = crossed_study(
    ...     [[[2.1, 2.0], [2.2, 2.1]], [[3.0, 3.2], [3.1, 3.1]], [[4.2, 4.1], [4, 4.1]]]
    ... )
    >>> study.pooled, study.spread.categories
    (True, 16)
    """
    array = _checked(values)
    share("pool_above", pool_above)
    share("confidence", confidence)
    parts, appraisers, trials = array.shape
    rows = _rows(array - array[0, 0, 0])
    part, appraiser, joint, repeat = rows
    error = AnovaRow(
        source="error",
        degrees=joint.degrees + repeat.degrees,
        sum_of_squares=joint.sum_of_squares + repeat.sum_of_squares,
    )
    pooled = joint.p is not None and joint.p > pool_above
    # What part and appraiser are compared with, and what remains of the interaction.
    beneath, innermost = (error, error) if pooled else (joint, repeat)
    each = parts * trials
    interaction = max(0.0, (beneath.mean_square - innermost.mean_square) / trials)
    between = max(0.0, (appraiser.mean_square - beneath.mean_square) / each)
    among = max(0.0, (part.mean_square - beneath.mean_square) / (appraisers * trials))
    # GRR squared as a sum of mean squares.
    terms = [_term(appraiser, 1.0 / each), _term(innermost, 1.0 - 1.0 / trials)]
    terms.append(_term(beneath, (parts - 1.0) / each))
    if pooled:
        terms = [terms[0], _term(error, 1.0 - 1.0 / each)]
    return CrossedStudy(
        rows=rows,
        reduced=(_against(part, error), _against(appraiser, error), error),
        pooled=pooled,
        spread=GaugeSpread(
            repeatability=sqrt(innermost.mean_square),
            reproducibility=sqrt(between + interaction),
            part=sqrt(among),
        ),
        interaction=sqrt(interaction),
        variance_of_gauge=sum_interval(terms, confidence=confidence),
    )


def _rows(x: Floats) -> tuple[AnovaRow, AnovaRow, AnovaRow, AnovaRow]:
    parts, appraisers, trials = x.shape
    grand = x.mean()
    of_part, of_appraiser = x.mean(axis=(1, 2)), x.mean(axis=(0, 2))
    cell = x.mean(axis=2)
    left = cell - of_part[:, None] - of_appraiser + grand
    repeat = AnovaRow(
        source="repeatability",
        degrees=parts * appraisers * (trials - 1),
        sum_of_squares=float(np.sum((x - cell[:, :, None]) ** 2)),
    )
    joint = AnovaRow(
        source="interaction",
        degrees=(parts - 1) * (appraisers - 1),
        sum_of_squares=trials * float(np.sum(left**2)),
    )
    part = AnovaRow(
        source="part",
        degrees=parts - 1,
        sum_of_squares=appraisers * trials * float(np.sum((of_part - grand) ** 2)),
    )
    appraiser = AnovaRow(
        source="appraiser",
        degrees=appraisers - 1,
        sum_of_squares=parts * trials * float(np.sum((of_appraiser - grand) ** 2)),
    )
    return (
        _against(part, joint),
        _against(appraiser, joint),
        _against(joint, repeat),
        repeat,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AverageRangeStudy:
    """Gauge study by averages and ranges.

    `mean_ranges` and `means` have one element an appraiser, `part_means` one a part;
    in the unit of the values.
    """

    mean_ranges: tuple[float, ...]
    means: tuple[float, ...]
    part_means: tuple[float, ...]
    spread: GaugeSpread

    @property
    def mean_range(self) -> float:
        """Mean of all ranges of repeated values."""
        return sum(self.mean_ranges) / len(self.mean_ranges)

    @property
    def range_of_means(self) -> float:
        """Largest mean of an appraiser less the smallest."""
        return max(self.means) - min(self.means)

    @property
    def range_of_parts(self) -> float:
        """Largest mean of a part less the smallest."""
        return max(self.part_means) - min(self.part_means)


def average_range_study(values: ArrayLike) -> AverageRangeStudy:
    """Return the gauge study by averages and ranges, as done by hand.

    Parameters
    ----------
    values : array_like, shape (parts, appraisers, trials)
        At least two of each, any one unit.

    Raises
    ------
    SpcError
        For too few parts, appraisers or trials, values that are not finite, or
        trials that never differ.

    References
    ----------
    Automotive Industry Action Group, Measurement Systems Analysis: its K1, K2 and K3
    are 1 / d2 of the trials and 1 / d2* of the appraisers and of the parts, to four
    digits; so they are here, that a study by hand gives the same.

    Examples
    --------
    >>> study = average_range_study(
    ...     [[[2.1, 2.0], [2.2, 2.1]], [[3.0, 3.2], [3.1, 3.1]], [[4.2, 4.1], [4, 4.1]]]
    ... )
    >>> round(study.spread.repeatability, 4), study.spread.categories
    (0.0886, 16)
    """
    array = _checked(values)
    parts, _, trials = array.shape
    ranges = np.ptp(array, axis=2)
    means, part_means = array.mean(axis=(0, 2)), array.mean(axis=(1, 2))
    repeatability = float(ranges.mean()) * round(1.0 / d2(trials), 4)
    apart = float(np.ptp(means)) * _factor(len(means))
    reproducibility = sqrt(max(0.0, apart**2 - repeatability**2 / (parts * trials)))
    return AverageRangeStudy(
        mean_ranges=tuple(ranges.mean(axis=0).tolist()),
        means=tuple(means.tolist()),
        part_means=tuple(part_means.tolist()),
        spread=GaugeSpread(
            repeatability=repeatability,
            reproducibility=reproducibility,
            part=float(np.ptp(part_means)) * _factor(parts),
        ),
    )


def _factor(n: int) -> float:
    return round(1.0 / d2_star(n, 1), 4)


def _checked(values: ArrayLike) -> Floats:
    array = finite_array("values", values, ndim=3)
    for name, size in zip(("parts", "appraisers", "trials"), array.shape, strict=True):
        if size < 2:
            raise TooFewError(argument=name, value=size, allowed=">= 2")
    if not np.ptp(array, axis=2).any():
        raise NoSpreadError(
            argument="spread of trials", value=0.0, allowed="> 0 in some cell"
        )
    return array


def _against(row: AnovaRow, error: AnovaRow) -> AnovaRow:
    """Return the row with its F against an error, where that has any scatter."""
    if error.sum_of_squares == 0.0:
        return row
    f = row.mean_square / error.mean_square
    return replace(row, f=f, p=float(fdtrc(row.degrees, error.degrees, f)))


def _term(row: AnovaRow, weight: float) -> MeanSquare:
    return MeanSquare(value=row.mean_square, degrees=row.degrees, weight=weight)
