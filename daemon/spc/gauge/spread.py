"""Standard deviations of a gauge study, and what they are compared with."""

from dataclasses import dataclass
from math import hypot, inf

from daemon.spc.checks import not_negative, positive


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
