"""Charts that start with the first units ever made, without a baseline.

Each unit is compared with those before it; the comparison is turned into a standard
normal score, independent of the others while all is well, whatever the unknown mean
and standard deviation are.

References
----------
C. P. Quesenberry, Journal of Quality Technology 23 (1991) 213-224 (Q statistics);
D. M. Hawkins, The Statistician 36 (1987) 299-315 (self-starting CUSUM).
"""

from dataclasses import dataclass, field
from math import copysign, sqrt

from scipy.special import ndtri, stdtr

from daemon.spc.charts.cusum import CusumChart
from daemon.spc.checks import count, finite, not_negative, positive
from daemon.spc.control_limits import Limits

SMALLEST = 5e-324
"""Probabilities end here, so a score ends at 38 instead of becoming infinite."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QPoint:
    """One unit.

    `t` compares it with the mean and standard deviation of the units before it
    (Student's t with n - 2 degrees of freedom), `q` is its normal score. Both are
    None while there are fewer than two units before it, or none that differ.
    """

    n: int
    value: float
    t: float | None
    q: float | None
    lower: float
    upper: float
    signal: bool


@dataclass(slots=True, kw_only=True)
class QChart:
    """Watch single values from the first unit on.

    A changed level is soon taken into the comparison: a signal shows early or not at
    all. What signals is not left out; to leave it out, feed a fresh chart.

    Parameters
    ----------
    width : float
        Distance of the limits, in standard deviations of the score.
    n : int
        Units taken so far.
    reference : float
        The first unit's value: means are kept as distances from it, so that digits
        in common are not lost.
    total : float
        Sum of these distances.
    squares : float
        Sum of squared deviations from the mean so far.

    Raises
    ------
    OutOfRangeError
        For a width not above zero.

    Examples
    --------
    >>> chart = QChart()
    >>> points = [chart.update(x) for x in (100.0, 120.0, 90.0, 105.0, 700.0)]  # ppm
    >>> points[1].q, round(points[2].q, 3), round(points[4].q, 3), points[4].signal
    (None, -0.748, 4.186, True)
    """

    width: float = 3.0
    n: int = 0
    reference: float = 0.0
    total: float = 0.0
    squares: float = 0.0

    def __post_init__(self) -> None:
        positive("width", self.width)
        count("n", self.n, at_least=0)
        finite("reference", self.reference)
        finite("total", self.total)
        not_negative("squares", self.squares)

    def update(self, x: float) -> QPoint:
        """Take one value; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        finite("x", x)
        t = q = None
        if self.n == 0:
            self.reference = x
        else:
            before = self.n
            deviation = x - self.reference - self.total / before
            s = sqrt(self.squares / (before - 1)) if before >= 2 else 0.0
            if s > 0.0:
                t = deviation / (s * sqrt(1.0 + 1.0 / before))
                q = _score(t, before - 1.0)
            self.squares += deviation * deviation * (before / (before + 1))
        self.total += x - self.reference
        self.n += 1
        return QPoint(
            n=self.n,
            value=x,
            t=t,
            q=q,
            lower=-self.width,
            upper=self.width,
            signal=q is not None and abs(q) > self.width,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfStartingPoint:
    """One unit: its score, and the sums of scores after it.

    `since_above` and `since_below` are the first unit of the shift, were there one:
    the unit after the sum last was zero; 0 while it is zero.
    """

    n: int
    q: float | None
    above: float
    below: float
    limit: float
    signal: bool
    since_above: int
    since_below: int


@dataclass(slots=True, kw_only=True)
class SelfStartingCusum:
    """Add up scores of units from the first on: small lasting shifts.

    Parameters
    ----------
    allowance, interval : float
        Reference value and decision interval, in standard deviations of the score.
    scores : QChart
        Makes the scores; its limits are not used.
    sums : CusumChart
        Adds them up; made from the two numbers.

    Examples
    --------
    >>> chart = SelfStartingCusum.of(allowance=0.5, interval=4.0)
    >>> units = (100.0, 120.0, 90.0, 105.0, 180.0, 190.0, 195.0, 205.0)  # ppm
    >>> points = [chart.update(x) for x in units]
    >>> [point.signal for point in points[-2:]], points[-1].since_above
    ([False, True], 5)
    """

    scores: QChart = field(default_factory=QChart)
    sums: CusumChart

    @classmethod
    def of(
        cls, *, allowance: float = 0.5, interval: float = 5.0
    ) -> "SelfStartingCusum":
        """Return a fresh chart.

        Raises
        ------
        OutOfRangeError
            For an allowance below zero or an interval not above it.
        """
        standard = Limits(centre=0.0, sigma=1.0)
        sums = CusumChart(limits=standard, allowance=allowance, interval=interval)
        return cls(sums=sums)

    def update(self, x: float) -> SelfStartingPoint:
        """Take one value; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        score = self.scores.update(x)
        signal, waiting = False, score.n - self.sums.n
        since_above = since_below = 0
        if score.q is not None:
            waiting -= 1
            point = self.sums.update(score.q)
            signal = point.signal
            since_above = point.since_above and point.since_above + waiting
            since_below = point.since_below and point.since_below + waiting
        return SelfStartingPoint(
            n=score.n,
            q=score.q,
            above=self.sums.above,
            below=self.sums.below,
            limit=self.sums.interval,
            signal=signal,
            since_above=since_above,
            since_below=since_below,
        )


def _score(t: float, degrees_of_freedom: float) -> float:
    """Return the normal score of a value of Student's t."""
    # From the tail that is small, where probabilities keep their digits.
    tail = max(float(stdtr(degrees_of_freedom, -abs(t))), SMALLEST)
    return copysign(float(ndtri(tail)), t)
