"""How often a chosen set of rules speaks by chance.

The rules are followed through every history that matters to them, as an absorbing
Markov chain (Champ and Woodall, Technometrics 29 (1987) 393-399). Rules on the order
of successive values need the last value itself; the chain then carries it as a
continuous state, at Gauss-Legendre nodes inside each zone of the chart. That is exact
to rounding, because the probability of going on is smooth inside a zone.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from daemon.spc.checks import Floats, count, finite, positive
from daemon.spc.rules import Pattern, Rule, checked_rules

NODES = 6
LONGEST = 20_000
"""Units followed one by one before the tail is taken as geometric in any case."""

Steps = NDArray[np.intp]
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
        How many units `within` covers, at least 1.
    shift, scale : float
        Mean and standard deviation of the plotted values in the chart's own
        standard deviations: 0 and 1 when centre and sigma are true.
    complete_windows : bool
        Whether only complete windows count, as in `RunRules`; else a rule fires as
        soon as enough units comply, as in Champ and Woodall's tables.

    Returns
    -------
    FirstFiring
        Mean in units, and the distribution over the first `units`.

    Raises
    ------
    SpcError
        For an empty set, a rule given twice, or a number outside its bounds.

    References
    ----------
    C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393-399.

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
    count("units", units, at_least=1)
    finite("shift", shift)
    positive("scale", scale)
    ordered = any(rule.pattern in _ORDER for rule in chosen)
    edges = np.array([-np.inf, *_edges(chosen), np.inf])
    inner = (edges - shift) / scale
    # The upper tail by symmetry: a difference of two values near 1 loses digits.
    mass = np.where(inner[:-1] > 0, ndtr(-inner[:-1]), ndtr(inner[1:])) - np.where(
        inner[:-1] > 0, ndtr(-inner[1:]), ndtr(inner[:-1])
    )
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
        if len(survival) > units and (done or len(survival) > LONGEST):
            break
    rest = survival[-1] / (1.0 - ratio) if survival[-1] > 0.0 else 0.0
    within = 1.0 - np.array(survival[1 : units + 1])
    return FirstFiring(mean=total + rest, within=within)


@dataclass(frozen=True, slots=True, kw_only=True)
class _ZoneChain:
    """Histories of the rules that ask where a value lies.

    `next[state, zone]` is the state after a unit in `zone`; the last state is
    "fired", the one before it the fresh start. `zone[state]` is the last unit's.
    """

    next: Steps
    zone: Steps


@dataclass(frozen=True, slots=True, kw_only=True)
class _OrderChain:
    """Histories of the rules that ask in which order values lie.

    `next[state, direction]`, direction 0 down and 1 up; state 0 has a value but no
    step yet, the last state is "fired".
    """

    next: Steps


def _edges(rules: tuple[Rule, ...]) -> list[float]:
    lines = {rule.sigmas for rule in rules if rule.pattern not in _ORDER}
    return sorted({0.0 + sign * line for line in lines for sign in (-1, 1)})


@cache
def _zone_chain(rules: tuple[Rule, ...], complete_windows: bool) -> _ZoneChain:
    asking = [rule for rule in rules if rule.pattern not in _ORDER]
    edges = _edges(rules)
    middles = [
        (low + high) / 2
        for low, high in zip(
            [edges[0] - 2.0, *edges] if edges else [-1.0],
            [*edges, edges[-1] + 2.0] if edges else [1.0],
            strict=True,
        )
    ]
    answers = [_answers(asking, z) for z in middles]
    # Of units so far only those count that a window may still wait for.
    longest = max((rule.window for rule in asking if rule.needed), default=0)
    started = 0 if complete_windows else longest
    start: History = (-1, started, (0,) * (2 * len(asking)))
    numbers = {start: 0}
    waiting = [start]
    steps: dict[int, list[int]] = {}
    while waiting:
        history = waiting.pop()
        row = []
        for zone, answer in enumerate(answers):
            after = _after(asking, history, zone, answer, longest)
            if after is None:
                row.append(-1)
                continue
            if after not in numbers:
                numbers[after] = len(numbers)
                waiting.append(after)
            row.append(numbers[after])
        steps[numbers[history]] = row
    fired = len(numbers)
    table = np.full((fired + 1, len(middles)), fired, dtype=np.intp)
    for state, row in steps.items():
        table[state] = [fired if after < 0 else after for after in row]
    zone_of = [history[0] for history in numbers]
    return _ZoneChain(next=table, zone=np.array([*zone_of, -1], dtype=np.intp))


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
            kept.append(register & (1 << rule.window - 1) - 1)
    return zone, n, tuple(kept)


@cache
def _order_chain(rules: tuple[Rule, ...]) -> _OrderChain:
    trends = [rule.flags for rule in rules if rule.pattern is Pattern.TREND]
    turns = [rule.flags for rule in rules if rule.pattern is Pattern.ALTERNATING]
    if not trends and not turns:
        return _OrderChain(next=np.array([[0, 0], [1, 1]], dtype=np.intp))
    longest_trend = min(trends, default=None)
    longest_turns = min(turns, default=None)
    # A state: direction of the last step, steps that way, turns in a row.
    start = (0, 0, 0)
    numbers = {start: 0}
    waiting = [start]
    steps: dict[int, list[int]] = {}
    while waiting:
        direction, run, turned = state = waiting.pop()
        row = []
        for step in (-1, 1):
            same = step == direction
            run_after = run + 1 if same else 1
            turned_after = turned + 1 if direction == -step else 0
            if longest_trend is None:
                run_after = 1
            elif run_after >= longest_trend:
                row.append(-1)
                continue
            if longest_turns is None:
                turned_after = 0
            elif turned_after >= longest_turns:
                row.append(-1)
                continue
            after = (step, run_after, turned_after)
            if after not in numbers:
                numbers[after] = len(numbers)
                waiting.append(after)
            row.append(numbers[after])
        steps[numbers[state]] = row
    fired = len(numbers)
    table = np.full((fired + 1, 2), fired, dtype=np.intp)
    for number, row in steps.items():
        table[number] = [fired if after < 0 else after for after in row]
    return _OrderChain(next=table)


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
    zones, orders = _zone_chain(rules, complete_windows), _order_chain(rules)
    gone = len(zones.next) - 1, len(orders.next) - 1

    def pair(state: tuple[int, int], zone: int, direction: int) -> tuple[int, int]:
        after = (
            int(zones.next[state[0], zone]),
            int(orders.next[state[1], direction]),
        )
        return gone if after[0] == gone[0] or after[1] == gone[1] else after

    width = zones.next.shape[1]
    entries = [(int(zones.next[0, zone]), 0) for zone in range(width)]
    entries = [gone if entry[0] == gone[0] else entry for entry in entries]
    numbers = {entry: i for i, entry in enumerate(dict.fromkeys(entries))}
    waiting = list(numbers)
    rows: dict[tuple[int, int], list[tuple[int, int]]] = {}
    while waiting:
        state = waiting.pop()
        own = int(zones.zone[state[0]])
        rows[state] = [
            gone if zone == own else pair(state, zone, int(zone > own))
            for zone in range(width)
        ] + [pair(state, own, 0), pair(state, own, 1)]
        for after in rows[state]:
            if after not in numbers and after != gone:
                numbers[after] = len(numbers)
                waiting.append(after)
    numbers.pop(gone, None)
    numbers = {state: i for i, state in enumerate(numbers)}
    numbers[gone] = len(numbers)
    table = np.full((len(numbers), width + 2), numbers[gone], dtype=np.intp)
    for state, row in rows.items():
        table[numbers[state]] = [numbers[after] for after in row]
    return _Chain(
        first=np.array([numbers[entry] for entry in entries], dtype=np.intp),
        other=table[:, :width],
        fall=table[:, width],
        rise=table[:, width + 1],
        own=np.array([zones.zone[state[0]] for state in numbers], dtype=np.intp),
    )


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
    x, weight = np.polynomial.legendre.leggauss(nodes)
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
