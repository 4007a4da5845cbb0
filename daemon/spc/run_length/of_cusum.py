"""Run length of the tabular CUSUM, and its interval and design for a wanted one.

References
----------
E. S. Page, Biometrika 41 (1954) 100-115 (integral equation);
J. M. Lucas and R. B. Crosier, Technometrics 24 (1982) 199-205 (head start).
"""

from dataclasses import dataclass
from math import inf, log, sqrt

import numpy as np
from scipy.special import ndtr

from daemon.spc.checks import Floats, finite, not_negative, positive
from daemon.spc.errors import OutOfRangeError
from daemon.spc.numerics import nodes, nodes_needed, normal_density
from daemon.spc.run_length.distribution import RunLength, above_one, solve_for_mean


def cusum_run_length(
    *,
    reference: float,
    interval: float,
    shift: float = 0.0,
    head_start: float = 0.0,
    two_sided: bool = True,
) -> RunLength:
    r"""Return the run length of a tabular CUSUM.

    Parameters
    ----------
    reference : float
        Reference value k, half the shift it is made for, >= 0; two sides need
        it above 0.
    interval : float
        Decision interval h, > 0.
    shift : float
        Shift of the mean; a one-sided CUSUM watches for increases.
    head_start : float
        Where each sum starts (fast initial response), >= 0, below `interval`
        and, with two sides, at most ``interval / 2 + reference``.
    two_sided : bool
        Both sums, or the upper one alone.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Notes
    -----
    All arguments are in standard deviations of the plotted statistic. Page's
    integral equation, by Gauss-Legendre quadrature with an atom at zero. When
    one sum signals the other is at zero, so that the two-sided distribution
    follows exactly from the one-sided ones.

    Examples
    --------
    >>> round(cusum_run_length(reference=0.5, interval=4.0).mean, 3)
    167.684
    >>> fast = cusum_run_length(
    ...     reference=0.5, interval=4.0, shift=1.0, head_start=2.0
    ... )
    >>> round(fast.mean, 3)
    5.287
    """
    _checked(reference, interval, head_start, two_sided)
    finite("shift", shift)
    upper = _Side.of(reference - shift, interval, head_start)
    if not two_sided:
        return upper.alone
    lower = _Side.of(reference + shift, interval, head_start)
    # A sum that practically never signals leaves the other as if it were alone.
    if lower.alone.mean == inf:
        return upper.alone
    if upper.alone.mean == inf:
        return lower.alone
    return _joined(upper, lower)


def cusum_interval(
    *,
    reference: float,
    arl: float,
    head_start_share: float = 0.0,
    two_sided: bool = True,
) -> float:
    """Return the decision interval that gives a wanted in-control ARL.

    Parameters
    ----------
    reference : float
        Reference value k, in standard deviations.
    arl : float
        Wanted average run length without a shift, in points, > 1 and <= 1e10.
    head_start_share : float
        Head start as a share of the interval, >= 0 and < 1, at most one half
        with two sides.
    two_sided : bool
        Both sums, or the upper one alone.

    Returns
    -------
    float
        Decision interval h, in standard deviations.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds, and for a run
        length shorter than any interval gives.

    Examples
    --------
    >>> round(cusum_interval(reference=0.5, arl=465.44), 3)
    5.0
    """
    above_one("arl", arl)
    highest_share = 0.5 if two_sided else 1.0
    if not 0.0 <= finite("head_start_share", head_start_share) <= highest_share:
        raise OutOfRangeError(
            argument="head_start_share",
            value=head_start_share,
            allowed=f">= 0 and <= {highest_share}",
        )
    _checked(reference, 1.0, 0.0, two_sided)
    return solve_for_mean(
        lambda interval: (
            cusum_run_length(
                reference=reference,
                interval=interval,
                head_start=head_start_share * interval,
                two_sided=two_sided,
            ).mean
        ),
        arl=arl,
        guess=_interval_guess(reference, arl),
        highest=60.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumDesign:
    """A two-sided CUSUM made for one shift.

    `reference` and `interval` are its settings, in standard deviations, `arl`
    what they give without a shift and `arl_shifted` with it, in points.
    """

    reference: float
    interval: float
    arl: float
    arl_shifted: float


def design_cusum(
    *, shift: float, arl: float, head_start_share: float = 0.0
) -> CusumDesign:
    """Return the two-sided CUSUM that finds a shift soonest, for a wanted ARL.

    Half the shift is the best reference value (Moustakides, Annals of
    Statistics 14 (1986) 1379-1387).

    Parameters
    ----------
    shift : float
        Shift to be found, in standard deviations, not 0.
    arl : float
        Wanted average run length without a shift, in points, > 1 and <= 1e10.
    head_start_share : float
        Head start as a share of the interval, >= 0 and <= one half.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    >>> design = design_cusum(shift=1.0, arl=500.0)
    >>> round(design.interval, 2), round(design.arl_shifted, 2)
    (5.07, 10.52)
    """
    moved = positive("abs(shift)", abs(finite("shift", shift)))
    interval = cusum_interval(
        reference=0.5 * moved, arl=arl, head_start_share=head_start_share
    )
    chart = cusum_run_length(
        reference=0.5 * moved,
        interval=interval,
        shift=moved,
        head_start=head_start_share * interval,
    )
    return CusumDesign(
        reference=0.5 * moved, interval=interval, arl=arl, arl_shifted=chart.mean
    )


def _interval_guess(reference: float, arl: float) -> float:
    if reference < 0.05:
        return sqrt(arl)
    return max(0.1, log(1.0 + 4.0 * reference**2 * arl) / (2.0 * reference) - 1.166)


def _checked(
    reference: float, interval: float, head_start: float, two_sided: bool
) -> None:
    if two_sided:
        positive("reference", reference)
    else:
        not_negative("reference", reference)
    positive("interval", interval)
    most = interval
    if two_sided:
        most = min(interval, 0.5 * interval + reference)
    if not 0.0 <= finite("head_start", head_start) <= most or head_start == interval:
        raise OutOfRangeError(
            argument="head_start",
            value=head_start,
            allowed=f">= 0, <= {most:.6g} and below the interval",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """One sum: `row` after its first point, then `step` by `step`.

    The first state is zero, where the sum rests; the others are nodes between
    zero and the decision interval.
    """

    row: Floats
    step: Floats
    signal: Floats  # probability of a signal at the next point, by state
    first_signal: float  # probability of a signal at the first point

    @property
    def alone(self) -> RunLength:
        ones = np.ones(len(self.row))
        return RunLength(early=np.ones(1), row=self.row, step=self.step, weight=ones)

    @classmethod
    def of(cls, drift: float, interval: float, head_start: float) -> "_Side":
        at, share = nodes(0.0, interval, nodes_needed(interval))
        states = np.concatenate([[0.0], at])

        def further(start: Floats) -> Floats:
            to_zero = ndtr(drift - start)[..., None]
            inside = share * normal_density(at - start[..., None] + drift)
            return np.concatenate([to_zero, inside], axis=-1)

        head = np.asarray(head_start)
        return cls(
            row=further(head),
            step=further(states),
            signal=ndtr(states - drift - interval),
            first_signal=float(ndtr(head_start - drift - interval)),
        )


def _joined(upper: _Side, lower: _Side) -> RunLength:
    """Return the time of the first signal of either sum.

    Let a and b be the generating functions of "the upper sum signals first" and
    "the lower first", F and G those of each sum alone, and F0 and G0 the same
    from a start at zero. A sum that did not signal first stands at zero then, so
    F = a + b F0 and G = b + a G0. Each sum is a linear system driven by its start;
    the other's signal is fed in at its zero state with a minus sign.

    Both sums hold the same total at all times, and that difference of zero would
    stay for ever (an eigenvalue of 1); taking it from one column makes it vanish
    instead, without touching anything that can occur.
    """
    m = len(upper.row)
    step = np.zeros((2 * m, 2 * m))
    step[:m, 0] = -1.0
    step[m:, 0] = 1.0
    step[:m, :m] += upper.step
    step[m:, m:] = lower.step
    step[m:, 0] -= lower.signal
    step[:m, m] -= upper.signal
    row = np.concatenate([upper.row, lower.row])
    row[0] -= lower.first_signal
    row[m] -= upper.first_signal
    signal = np.concatenate([upper.signal, lower.signal])
    weight = np.linalg.solve(np.eye(2 * m) - step, signal)
    return RunLength(early=np.ones(1), row=row, step=step, weight=weight)
