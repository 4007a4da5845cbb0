"""Tabular cumulative sums, two-sided: small lasting shifts, and since when.

References
----------
E. S. Page, Biometrika 41 (1954) 100-115; J. M. Lucas and R. B. Crosier, Technometrics
24 (1982) 199-205 (head start); ISO 7870-4; NIST/SEMATECH e-Handbook of Statistical
Methods, section 6.3.2.3.
"""

from dataclasses import dataclass

from daemon.spc.checks import finite, not_negative, positive
from daemon.spc.control_limits import Limits
from daemon.spc.errors import OutOfRangeError

TIE = 1e-10
"""Standard deviations: sums this near zero, or a limit, are on it. Rounding must not
decide a tie."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumPoint:
    """One unit, its sums in standard deviations of one unit.

    Parameters
    ----------
    n : int
        Counted from 1.
    z : float
        The value in standard deviations from the centre.
    above, below : float
        Sum for a shift up, and down; never below 0.
    limit : float
        Decision interval that both are held against.
    signal_above, signal_below, signal : bool
        Which sum is beyond it, and whether any is.
    since_above, since_below : int
        The first unit of the shift, were there one: the unit after the sum last was
        zero. 0 while the sum is zero.
    """

    n: int
    z: float
    above: float
    below: float
    limit: float
    signal_above: bool
    signal_below: bool
    signal: bool
    since_above: int
    since_below: int


@dataclass(slots=True, kw_only=True)
class CusumChart:
    """Add up what each unit lies beyond an allowance, up and down apart.

    A signal does not reset the chart.

    Parameters
    ----------
    limits : Limits
        Centre and standard deviation of one unit; their width is not used.
    allowance : float
        Reference value in standard deviations, half the shift to be found.
    interval : float
        Decision interval in standard deviations.
    head_start : float
        Where both sums begin, below the interval; half of it gives the fast initial
        response for a process that may start off centre.
    n : int
        Units taken so far.
    above, below : float
        The sums after them; before the first unit the head start stands for both.
    zero_above, zero_below : int
        The last unit at which the sum was zero.

    Raises
    ------
    OutOfRangeError
        For a number outside its bounds.

    Examples
    --------
    >>> chart = CusumChart(limits=Limits(centre=100.0, sigma=40.0), interval=2.0)
    >>> points = [chart.update(x) for x in (100.0, 90.0, 180.0, 160.0)]  # ppm
    >>> points[-1].above, points[-1].signal, points[-1].since_above
    (2.5, True, 3)
    >>> chart.shift(points[-1])
    70.0
    """

    limits: Limits
    allowance: float = 0.5
    interval: float = 5.0
    head_start: float = 0.0
    n: int = 0
    above: float = 0.0
    below: float = 0.0
    zero_above: int = 0
    zero_below: int = 0

    def __post_init__(self) -> None:
        not_negative("allowance", self.allowance)
        positive("interval", self.interval)
        if not 0.0 <= finite("head_start", self.head_start) < self.interval:
            raise OutOfRangeError(
                argument="head_start",
                value=self.head_start,
                allowed=f">= 0 and < interval = {self.interval}",
            )

    def update(self, x: float) -> CusumPoint:
        """Take one value; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        z = (finite("x", x) - self.limits.centre) / self.limits.sigma
        above, below = self._sums()
        self.n += 1
        self.above = _step(above, z - self.allowance)
        self.below = _step(below, -z - self.allowance)
        if self.above == 0.0:
            self.zero_above = self.n
        if self.below == 0.0:
            self.zero_below = self.n
        signal_above = self.above > self.interval + TIE
        signal_below = self.below > self.interval + TIE
        return CusumPoint(
            n=self.n,
            z=z,
            above=self.above,
            below=self.below,
            limit=self.interval,
            signal_above=signal_above,
            signal_below=signal_below,
            signal=signal_above or signal_below,
            since_above=0 if self.above == 0.0 else self.zero_above + 1,
            since_below=0 if self.below == 0.0 else self.zero_below + 1,
        )

    def shift(self, point: CusumPoint) -> float | None:
        """Return the mean shift since it began, in the unit of the values.

        It is the plain mean of the units since `since_above` (or below) minus the
        centre; None when the point is no signal. Being looked at because it
        signalled, it errs on the large side.

        Examples
        --------
        >>> chart = CusumChart(limits=Limits(centre=0.0, sigma=1.0), interval=4.0)
        >>> chart.shift(chart.update(-6.0)), chart.shift(chart.update(4.0))
        (-6.0, None)
        """
        if not point.signal:
            return None
        up = point.above >= point.below
        total, since = (
            (point.above, point.since_above) if up else (point.below, point.since_below)
        )
        finite("sum", total)
        if not 1 <= since <= point.n:
            raise OutOfRangeError(
                argument="since", value=since, allowed=f"from 1 to {point.n}"
            )
        begun_at = self.head_start if since == 1 else 0.0
        size = self.allowance + (total - begun_at) / (point.n - since + 1)
        return size * self.limits.sigma * (1.0 if up else -1.0)

    def _sums(self) -> tuple[float, float]:
        if self.n == 0:
            return self.head_start, self.head_start
        return self.above, self.below


def _step(total: float, increment: float) -> float:
    after = total + increment
    return after if after > TIE else 0.0
