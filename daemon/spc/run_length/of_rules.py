"""Run length of a chart with run rules, and how often a set speaks by chance.

The rules are followed through every history that matters to them, as an absorbing
Markov chain. Rules on the order of successive values need the last value itself; the
chain then carries it as a continuous state, at Gauss-Legendre nodes inside each zone of
the chart. That is exact to rounding: the probability of going on is smooth in a zone.

References
----------
C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393-399.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from math import inf
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from daemon.spc.checks import Floats, count, finite, positive
from daemon.spc.errors import OutOfRangeError
from daemon.spc.numerics import legendre
from daemon.spc.rules import Pattern, Rule, checked_rules
from daemon.spc.run_length.distribution import RunLength, above_one, solve_for_mean

NODES = 6
LONGEST = 20_000
"""Units followed one by one before the tail is taken as geometric in any case."""
SETTLES = 1_000
"""Units followed one by one in any case, where `within` covers so many."""
MOST_UNITS = 1_000_000
"""Of `within`: a longer stretch is nobody's."""
MOST_HISTORIES = 60_000
"""Of the rules that ask where values lie: a few seconds' work."""
_GONE = 1e-13  # a share of charts still running that no longer matters

Steps = NDArray[np.intp]
Pair = tuple[int, int]
State = TypeVar("State")
History = tuple[int, int, tuple[int, ...]]
"""Zone of the last unit, units so far as far as they matter, answers to each rule."""

_ORDER = frozenset({Pattern.TREND, Pattern.ALTERNATING})


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstFiring:
    """Units from a fresh start until any rule of a set fires.

    `mean` is the average run length in units; `within[k]` the probability that a
    rule has fired by unit k + 1.
    """

    mean: float
    within: Floats

    @property
    def rate(self) -> float:
        """Firings per unit in the long run: one over the mean."""
        return 1.0 / self.mean


def first_firing(
    rules: Iterable[Rule],
    *,
    units: int = 100,
    shift: float = 0.0,
    scale: float = 1.0,
    complete_windows: bool = True,
) -> FirstFiring:
    """Return when the set first fires on independent normal values.

    With no shift and scale 1 this is the combined false-alarm rate of the set on a
    chart whose centre and sigma are known.

    Parameters
    ----------
    rules : iterable of Rule
        The set.
    units : int
        How many units `within` covers, from 1 to a million.
    shift, scale : float
        Mean and standard deviation of the plotted values in the chart's own
        standard deviations: 0 and 1 when centre and sigma are true.
    complete_windows : bool
        Whether only complete windows count, as in `RunRules`; else a rule fires as
        soon as enough units comply, as in Champ and Woodall's tables.

    Raises
    ------
    SpcError
        For an empty set, a rule given twice, or a number outside its bounds.

    Examples
    --------
    >>> from daemon.spc.rules import NELSON, ONE_BEYOND_3
    >>> round(first_firing([ONE_BEYOND_3]).mean, 1)
    370.4
    >>> first = first_firing(NELSON, units=100)
    >>> round(first.mean, 1), round(float(first.within[-1]), 2)
    (73.5, 0.75)
    """
    chosen = checked_rules(rules)
    if count("units", units, at_least=1) > MOST_UNITS:
        raise OutOfRangeError(argument="units", value=units, allowed=f"<= {MOST_UNITS}")
    finite("shift", shift)
    positive("scale", scale)
    ordered = any(rule.pattern in _ORDER for rule in chosen)
    edges = np.array([-np.inf, *_edges(chosen), np.inf])
    with np.errstate(over="ignore"):  # so many standard deviations away is far enough
        inner = (edges - shift) / scale
    # The upper tail by symmetry: a difference of two values near 1 loses digits.
    mass = np.where(inner[:-1] > 0, ndtr(-inner[:-1]), ndtr(inner[1:])) - np.where(
        inner[:-1] > 0, ndtr(-inner[1:]), ndtr(inner[:-1])
    )
    # No rule has spoken at all before its window is full.
    settles = max(SETTLES, 2 * max(rule.window for rule in chosen))
    survival = [1.0]
    total, ratio, settled = 0.0, 0.0, 0
    for chance in _survival(
        _chain(chosen, complete_windows), NODES if ordered else 1, mass
    ):
        total += survival[-1]
        before, ratio = ratio, chance / survival[-1] if survival[-1] > 0.0 else 0.0
        survival.append(chance)
        # Settled: the chance of firing at the next unit no longer changes.
        gone = max(1.0 - ratio, 0.0)
        settled = settled + 1 if abs(ratio - before) <= 1e-10 * gone + 4e-16 else 0
        done = chance < 1e-15 or (gone > 0.0 and settled >= 20)
        followed = len(survival) > min(units, settles) and done
        if followed or len(survival) > LONGEST:
            break
    rest = 0.0
    if survival[-1] > 0.0:  # a set that cannot fire never does
        rest = survival[-1] / (1.0 - ratio) if ratio < 1.0 else inf
    missing = np.arange(1, units + 2 - len(survival))
    tail = survival[-1] * min(ratio, 1.0) ** missing
    within = 1.0 - np.concatenate([survival[1 : units + 1], tail])
    return FirstFiring(mean=total + rest, within=within)


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
    if not any(_edges(chosen)):
        raise OutOfRangeError(
            argument="rules",
            value=[rule.words for rule in chosen],
            allowed="some with a line off the centre: no factor moves another",
        )
    return solve_for_mean(
        lambda factor: first_firing(chosen, units=1, scale=1.0 / factor).mean,
        arl=arl,
        guess=1.0,
        highest=8.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chain:
    """Reachable pairs of a zone history and an order history, after one unit or more.

    `first[zone]` is the pair after a first unit there; `other[pair, zone]` the pair
    after a unit in another zone than the last; `fall[pair]` and `rise[pair]` those
    after a unit in the same zone, `own[pair]`. The last pair is "fired".
    """

    first: Steps
    other: Steps
    fall: Steps
    rise: Steps
    own: Steps


@cache
def _chain(rules: tuple[Rule, ...], complete_windows: bool) -> _Chain:
    histories, zone_steps = _zone_histories(rules, complete_windows)
    order_steps = _order_steps(rules)
    width, fired = len(zone_steps[0]), (len(zone_steps) - 1, len(order_steps) - 1)

    def pair(state: Pair, zone: int, direction: int) -> Pair | None:
        after = zone_steps[state[0]][zone], order_steps[state[1]][direction]
        return None if after[0] == fired[0] or after[1] == fired[1] else after

    def afters(state: Pair) -> Iterator[Pair | None]:
        own = histories[state[0]][0]
        for zone in range(width):
            yield None if zone == own else pair(state, zone, int(zone > own))
        yield pair(state, own, 0)
        yield pair(state, own, 1)

    entries = [(zone_steps[0][zone], 0) for zone in range(width)]
    starts = [entry for entry in entries if entry[0] != fired[0]]
    states, rows = _explored(starts, afters, width + 2, rules)
    numbers = {state: i for i, state in enumerate(states)}
    table = np.array(rows, dtype=np.intp)
    owns = [histories[state[0]][0] for state in states]
    return _Chain(
        first=np.array([numbers.get(one, len(states)) for one in entries]),
        other=table[:, :width],
        fall=table[:, width],
        rise=table[:, width + 1],
        own=np.array([*owns, -1], dtype=np.intp),
    )


def _explored(
    starts: Iterable[State],
    afters: Callable[[State], Iterable[State | None]],
    width: int,
    rules: tuple[Rule, ...],
) -> tuple[list[State], list[list[int]]]:
    """Return every state that can be reached, and the number of the one after each.

    A state after which a rule fires is None; its number is that of the last row.
    """
    states = list(dict.fromkeys(starts))
    numbers: dict[State | None, int] = {state: i for i, state in enumerate(states)}
    rows = []
    for state in states:  # grows while it is walked
        following = list(afters(state))
        for after in following:
            if after is not None and after not in numbers:
                numbers[after] = len(states)
                states.append(after)
        if len(states) > MOST_HISTORIES:
            raise OutOfRangeError(
                argument="rules",
                value=[rule.words for rule in rules],
                allowed=f"of shorter windows, with at most {MOST_HISTORIES} histories",
            )
        rows.append(following)
    numbers[None] = len(states)
    return states, [
        *([numbers[one] for one in row] for row in rows),
        [numbers[None]] * width,
    ]


def _edges(rules: tuple[Rule, ...]) -> list[float]:
    lines = {rule.sigmas for rule in rules if rule.pattern not in _ORDER}
    return sorted({0.0 + sign * line for line in lines for sign in (-1, 1)})


def _zone_histories(
    rules: tuple[Rule, ...], complete_windows: bool
) -> tuple[list[History], list[list[int]]]:
    """Return the histories of rules that ask where values lie, the fresh one first."""
    asking = [rule for rule in rules if rule.pattern not in _ORDER]
    edges = _edges(rules) or [0.0]
    ends = [edges[0] - 2.0, *edges, edges[-1] + 2.0]
    middles = [(low + high) / 2 for low, high in pairwise(ends)]
    if not asking:
        middles = middles[:1]
    answers = [_answers(asking, z) for z in middles]
    # Of units so far only those count that a window may still wait for.
    longest = max((rule.window for rule in asking if rule.needed), default=0)
    started = 0 if complete_windows else longest

    def afters(history: History) -> Iterator[History | None]:
        for zone, answer in enumerate(answers):
            yield _after(asking, history, zone, answer, longest)

    start: History = (-1, started, (0,) * (2 * len(asking)))
    return _explored([start], afters, len(answers), rules)


def _answers(asking: list[Rule], z: float) -> list[bool]:
    """Return, for each rule, its answer above and its answer below."""
    answers = []
    for rule in asking:
        if rule.pattern is Pattern.ONE_SIDE:
            answers += [z > rule.sigmas, z < -rule.sigmas]
        elif rule.pattern is Pattern.WITHIN:
            answers += [abs(z) < rule.sigmas, False]
        else:
            answers += [abs(z) > rule.sigmas, False]
    return answers


def _after(
    asking: list[Rule], history: History, zone: int, answer: list[bool], longest: int
) -> History | None:
    """Return the history after one more unit, or None when a rule fires."""
    _, n, registers = history
    n = min(n + 1, longest)
    kept = []
    for i, yes in enumerate(answer):
        rule = asking[i // 2]
        if rule.needed is None:
            # Of a run only its length matters.
            run = registers[i] + 1 if yes else 0
            if run >= rule.window:
                return None
            kept.append(run)
        else:
            register = (registers[i] << 1 | yes) & (1 << rule.window) - 1
            if n >= rule.window and register.bit_count() >= rule.needed:
                return None
            register &= (1 << rule.window - 1) - 1
            kept.append(_that_matter(register, rule.window, rule.needed))
    return zone, n, tuple(kept)


def _that_matter(register: int, window: int, needed: int) -> int:
    """Return a register without the oldest answers that no firing window can have."""
    while register:
        place = register.bit_length() - 1
        if register.bit_count() + window - 1 - place >= needed:
            break
        register ^= 1 << place
    return register


def _order_steps(rules: tuple[Rule, ...]) -> list[list[int]]:
    """Return the steps of the rules that ask in which order values lie, down and up.

    State 0 has a value but no step yet, the last state is "fired".
    """
    shortest = {
        pattern: min((r.flags for r in rules if r.pattern is pattern), default=None)
        for pattern in _ORDER
    }
    trend, turns = shortest[Pattern.TREND], shortest[Pattern.ALTERNATING]

    # A state: direction of the last step, steps that way, turns in a row.
    def afters(state: tuple[int, int, int]) -> Iterator[tuple[int, int, int] | None]:
        direction, run, turned = state
        for step in (-1, 1):
            run_after = 0 if trend is None else 1 + run * (step == direction)
            turned_after = 0 if turns is None else (turned + 1) * (step == -direction)
            fires = (trend is not None and run_after >= trend) or (
                turns is not None and turned_after >= turns
            )
            yield None if fires else (step, run_after, turned_after)

    return _explored([(0, 0, 0)], afters, 2, rules)[1]


def _survival(chain: _Chain, nodes: int, mass: Floats) -> Iterator[float]:
    """Yield the probability that no rule has fired by unit 1, 2, ..."""
    below, whole = _integration(nodes)
    own = mass[chain.own][:, None]
    # going[pair, node]: chance of no firing over the units still to come.
    going = np.ones((len(chain.own), nodes))
    going[-1] = 0.0
    while True:
        mean = going @ whole
        yield float(mass @ mean[chain.first])
        same = going[chain.fall] @ below.T + going[chain.rise] @ (whole - below).T
        going = (mean[chain.other] @ mass)[:, None] + own * same
        going[-1] = 0.0


@cache
def _integration(nodes: int) -> tuple[Floats, Floats]:
    """Return the integrals from 0 to each node, and to 1, of the node polynomials."""
    x, weight = legendre(nodes)
    powers = np.polynomial.legendre.legvander(x, nodes - 1)
    integrals = np.array(
        [
            np.polynomial.legendre.legval(
                x, np.polynomial.legendre.legint(np.eye(nodes)[k], lbnd=-1.0)
            )
            for k in range(nodes)
        ]
    )
    below = np.linalg.solve(powers.T, integrals).T / 2.0
    return below, weight / 2.0
