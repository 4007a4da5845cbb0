"""Run length of a Shewhart chart with run rules.

References
----------
C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393-399.
"""

from collections.abc import Iterable

import numpy as np

from daemon.spc.rule_chain import first_firing
from daemon.spc.rules import Rule, checked_rules
from daemon.spc.run_length.distribution import RunLength
from daemon.spc.run_length.search import solve_for_mean
from daemon.spc.run_length.shewhart import above_one

_GONE = 1e-13  # a share of charts still running that no longer matters


def ruled_run_length(
    rules: Iterable[Rule],
    *,
    shift: float = 0.0,
    scale: float = 1.0,
    complete_windows: bool = True,
) -> RunLength:
    """Return the run length of a chart that signals when any rule fires.

    Parameters
    ----------
    rules : iterable of Rule
        At least one, each once.
    shift, scale : float
        Mean and standard deviation of the plotted values, in the chart's own
        standard deviations: 0 and 1 when centre and sigma are true.
    complete_windows : bool
        Whether only complete windows count, as on our charts; else a rule fires as
        soon as enough points comply, as in the published tables.

    Raises
    ------
    SpcError
        For no rule, a rule given twice, or a number outside its bounds.

    Notes
    -----
    The first points are followed one by one; once no rule remembers the start,
    the chance of a signal is the same at every further point.

    Examples
    --------
    >>> from daemon.spc.rules import WESTERN_ELECTRIC
    >>> chart = ruled_run_length(WESTERN_ELECTRIC)
    >>> round(chart.mean, 2), round(chart.sd, 1), chart.percentile(0.5)
    (91.75, 88.1, 65)
    """
    chosen = checked_rules(rules)
    followed = 100 + 6 * max(rule.window for rule in chosen)
    first = first_firing(
        chosen,
        units=followed,
        shift=shift,
        scale=scale,
        complete_windows=complete_windows,
    )
    left = np.concatenate([[1.0], 1.0 - first.within])
    early, last = left[:-1], left[-1]
    one = np.ones(1)
    if last < _GONE:
        nothing = np.zeros(1)
        return RunLength(
            early=left[left >= _GONE], row=nothing, step=np.diag(nothing), weight=one
        )
    stay = 1.0 - last / (first.mean - float(early.sum()))
    return RunLength(early=early, row=last * one, step=np.diag(stay * one), weight=one)


def ruled_widening(rules: Iterable[Rule], *, arl: float) -> float:
    """Return the factor on all lines that gives a wanted in-control ARL.

    Parameters
    ----------
    rules : iterable of Rule
        At least one, each once.
    arl : float
        Wanted average run length without a shift, in points, > 1 and <= 1e10.

    Returns
    -------
    float
        What every distance of the rules is to be multiplied by.

    Raises
    ------
    SpcError
        When no factor gives that run length: eight on one side of the centre
        alone signal every 510 points, however far out the other lines are.

    Examples
    --------
    >>> from daemon.spc.rules import ONE_BEYOND_3, TWO_OF_THREE_BEYOND_2
    >>> pair = (ONE_BEYOND_3, TWO_OF_THREE_BEYOND_2)
    >>> round(ruled_widening(pair, arl=370.4), 4)
    1.0518
    """
    chosen = checked_rules(rules)
    above_one("arl", arl)
    return solve_for_mean(
        lambda factor: first_firing(chosen, units=1, scale=1.0 / factor).mean,
        arl=arl,
        guess=1.0,
        highest=8.0,
    )
