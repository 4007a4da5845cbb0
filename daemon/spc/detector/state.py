"""The line as the detector holds it: hypotheses side by side, each a filter of its own.

All sizes are in units of the layout's tolerance (`Layout.unit_ppm`). A hypothesis is a
set of at most three events, a normal law of the levels given these events, and what it
has learnt of how parts scatter.

The state vector of a hypothesis, R ranges and P parts::

    mu_r    long-run mean of a range                          0 .. R - 1
    a_p     level of the reel of a part that is fitted now    R .. R + P - 1
    c       level of this build's shared stage                R + P
    b_r     what the bench reads off on a range               R + P + 1 .. 2 R + P
    k_r     effect of temperature, a kelvin (where known)     then R or none
    x_0..2  one number of each event: slope, second reel      last three

A unit reads y_r = mu_r + sum_p s_pr a_p + c + b_r + k_r dT + g + own scatter, with g
drawn afresh for each unit and common to all ranges.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon.spc.detector.layout import Layout

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EVENTS = 3
"""At most so many events at once."""
PLACES = 64
"""Hypotheses kept after a unit."""
ROOM = 320
"""Hypotheses that may stand side by side before the least likely go."""

# Kinds of events. A number is kept in the state, so none changes its meaning.
OFF, WIDE, SHARED, UNRECORDED, BENCH, MIXED, DRIFT, SLOPE, ENDED = range(1, 10)
KINDS = 10

# Columns of an event.
KIND, PLACE, START, SIZE, EXCUSED, CHECKS = range(6)

# Counters of a state.
COUNT, UNITS, CHECKED, LAST_CHECK = range(4)


class State(NamedTuple):
    """Hypotheses as arrays with `ROOM` rows, the first `counters[COUNT]` in use."""

    log_weight: Floats
    """(ROOM,)"""
    mean: Floats
    """(ROOM, D)"""
    covariance: Floats
    """(ROOM, D, D)"""
    event_count: Ints
    """(ROOM,)"""
    event: Ints
    """(ROOM, EVENTS, 6): kind, place, first unit, size, excused, checks since."""
    part_count: Floats
    """(ROOM, P): half degrees of freedom of a part's scatter."""
    part_sum: Floats
    """(ROOM, P): the sum that goes with it; scatter squared is their ratio."""
    shared_count: Floats
    """(ROOM,)"""
    shared_sum: Floats
    """(ROOM,)"""
    share: Floats
    """(ROOM, 2): units with the second, with the first of two mixed reels."""
    tau_weight: Floats
    """(ROOM, 3): of each factor by which reels may differ more than expected."""
    tau_chosen: Ints
    """(ROOM,): which factor the latest reels were drawn with; -1 for all of them."""
    boundary: Ints
    """(ROOM,): unit before which reels last changed."""
    change: Ints
    """(ROOM,): a pending change of reel that harms nobody; 0 for none."""
    scale: Ints
    """(ROOM,): how coarse parts are taken to be; 0 once that is known."""
    odd: Floats
    """(ROOM, R): how likely the latest unit is odd on a range all by itself."""
    counters: Ints
    """(4,): hypotheses, units, checks, units before the last check."""


class Shape(NamedTuple):
    """What the compiled fold needs to know of a layout and of what is assumed."""

    sensitivity: Floats
    """(P, R)"""
    ratio: Floats
    """(P,): tolerance of a part over the unit."""
    tempco: Floats
    """(R,): prior standard deviation, a kelvin; empty where nothing is known."""
    tau_factor: Floats
    off_size: Floats
    off_odds: Floats
    wide_factor: Floats
    wide_size: Floats
    mixed_size: Floats
    shared_size: Floats
    bench_step: Floats
    bench_slope: Floats
    reel_scatter: float
    build_scatter: float
    odd_part: float
    drift: float
    odds: Floats
    """(22,): prior odds of each kind of event, see `ODDS`."""


# Rows of `ODDS`: what may begin at a new reel, build, session, check, and at any unit;
# pairs of events that begin together, relative to the first of them; a new build whose
# record forgot that a reel changed, to another good one or to a bad one; the bench at
# any unit; a reel that was off and was taken out unrecorded; one of another class; a
# bench that is back with a new set-up.
(
    AT_REEL_OFF,
    AT_REEL_WIDE,
    AT_REEL_MIXED,
    AT_REEL_DRIFT,
    AT_BUILD_SHARED,
    AT_SESSION_BENCH,
    AT_CHECK_BENCH,
    AT_UNIT_BAD,
    AT_UNIT_GOOD,
    AT_UNIT_SHARED,
    AT_UNIT_MIXED,
    PAIR_OFF,
    PAIR_WIDE,
    PAIR_SHARED,
    PAIR_AT_UNIT,
    AT_BUILD_FORGOTTEN,
    AT_BUILD_SWAPPED,
    AT_UNIT_BENCH,
    AT_BUILD_REPLACED,
    AT_UNIT_REPLACED,
    AT_REEL_FAR_WIDE,
    AT_SESSION_BACK,
) = range(22)

OFF_SHARES = (0.45, 0.35, 0.20)
"""Of bad reels: little off, off, far off, as `Assumptions.reel_shifts` has them."""

ODDS = np.zeros(22)
"""Prior odds of events, relative to nothing having happened. The project's own, chosen
by simulation (`tests/studies`)."""
ODDS[AT_REEL_OFF] = 0.006
ODDS[AT_REEL_WIDE] = 0.006
ODDS[AT_REEL_FAR_WIDE] = 3e-4
ODDS[AT_REEL_MIXED] = 0.002
ODDS[AT_REEL_DRIFT] = 0.001
ODDS[AT_BUILD_SHARED] = 0.004
ODDS[AT_SESSION_BENCH] = 0.01
ODDS[AT_SESSION_BACK] = 1.0
ODDS[AT_CHECK_BENCH] = 0.003
ODDS[AT_UNIT_BAD] = 4e-4
ODDS[AT_UNIT_GOOD] = 8e-4
ODDS[AT_UNIT_SHARED] = 6e-5
ODDS[AT_UNIT_MIXED] = 4e-5
ODDS[AT_BUILD_REPLACED] = 2.0
ODDS[AT_UNIT_REPLACED] = 1e-3
ODDS[AT_UNIT_BENCH] = 4e-5
ODDS[AT_BUILD_FORGOTTEN] = 0.02
ODDS[AT_BUILD_SWAPPED] = 6e-4
ODDS[PAIR_OFF] = 0.15
ODDS[PAIR_WIDE] = 0.04
ODDS[PAIR_SHARED] = 0.05
ODDS[PAIR_AT_UNIT] = 0.01

TAU_PRIOR = np.array([0.55, 0.30, 0.15])
"""Of each factor by which reels may differ more than expected."""
SCATTER_SCALES = ((1.0, 0.45), (0.4, 0.15), (1.8, 0.22), (3.5, 0.18))
"""How much coarser or finer than expected parts may be, before twenty units told, and
how likely: without this a line four times coarser is held, and one three times finer
is slow to find that parts spread."""
FAR_WIDE, FAR_SHIFT = 40.0, 8.0
"""Parts of quite another class under a label: each unit reads another value, some of
them twenty tolerances off."""
OF_BENCH = 1
"""Size of an event that has ended where it was the bench's; 0 where a reel's."""
MIXED_COUNT = 4.0
"""Units that each of two mixed reels counts as having had, before any: two odd parts in
sixty units are no second reel."""
SHARED_SCATTER = 0.14
BENCH_LEVEL = 0.05


def places_of(ranges: int, parts: int, tempcos: int) -> tuple[int, int, int, int, int]:
    """Return where the parts, shared stage, bench, temperature and events begin."""
    parts_at = ranges
    shared_at = ranges + parts
    bench_at = shared_at + 1
    warmth_at = bench_at + ranges
    events_at = warmth_at + tempcos
    return parts_at, shared_at, bench_at, warmth_at, events_at


def shape_of(layout: Layout) -> Shape:
    """Return a layout as the compiled fold takes it."""
    assumed = layout.assumed
    return Shape(
        sensitivity=np.ascontiguousarray(layout.sensitivity),
        ratio=np.ascontiguousarray(layout.ratio),
        tempco=np.ascontiguousarray(layout.tempco),
        tau_factor=np.array(layout.reel_factors),
        off_size=np.array(assumed.reel_shifts),
        off_odds=np.array(OFF_SHARES),
        wide_factor=np.array([3.0, 6.0, FAR_WIDE]),
        wide_size=np.array([*assumed.wide_reel_shifts, FAR_SHIFT]),
        mixed_size=np.array(
            [way * one for one in assumed.mixed_differences for way in (1.0, -1.0)]
        ),
        shared_size=np.array(assumed.shared_shifts),
        bench_step=np.array(assumed.bench_steps),
        bench_slope=np.array(assumed.bench_slopes),
        reel_scatter=assumed.reel_scatter,
        build_scatter=assumed.build_scatter,
        odd_part=assumed.odd_part,
        drift=assumed.tape_drift,
        odds=ODDS.copy(),
    )


def new_state(layout: Layout) -> State:
    """Return the line before its first unit: what parts scatter has three scales."""
    ranges, parts = layout.ranges, layout.parts
    assumed = layout.assumed
    tempcos = layout.tempco.size
    at = places_of(ranges, parts, tempcos)
    size = at[-1] + EVENTS
    state = State(
        log_weight=np.full(ROOM, -np.inf),
        mean=np.zeros((ROOM, size)),
        covariance=np.zeros((ROOM, size, size)),
        event_count=np.zeros(ROOM, np.int64),
        event=np.zeros((ROOM, EVENTS, 6), np.int64),
        part_count=np.zeros((ROOM, parts)),
        part_sum=np.zeros((ROOM, parts)),
        shared_count=np.zeros(ROOM),
        shared_sum=np.zeros(ROOM),
        share=np.ones((ROOM, 2)),
        tau_weight=np.zeros((ROOM, 3)),
        tau_chosen=np.full(ROOM, -1, np.int64),
        boundary=np.zeros(ROOM, np.int64),
        change=np.zeros(ROOM, np.int64),
        scale=np.zeros(ROOM, np.int64),
        odd=np.zeros((ROOM, ranges)),
        counters=np.zeros(4, np.int64),
    )
    state.counters[COUNT] = len(SCATTER_SCALES)
    state.counters[LAST_CHECK] = -1
    own = layout.ratio[:ranges]
    diagonal = np.zeros(size)
    diagonal[:ranges] = (layout.level * own) ** 2
    diagonal[at[2] : at[2] + ranges] = BENCH_LEVEL**2
    diagonal[at[3] : at[3] + tempcos] = layout.tempco**2
    for index, (factor, odds) in enumerate(SCATTER_SCALES):
        state.log_weight[index] = np.log(odds)
        state.covariance[index] = np.diag(diagonal)
        state.part_count[index] = 4.0
        state.part_sum[index] = (
            4.0 * (assumed.part_scatter * factor * layout.ratio) ** 2
        )
        state.shared_count[index] = 3.0
        state.shared_sum[index] = (
            3.0 * (SHARED_SCATTER * (1.0 + 0.3 * (factor - 1.0))) ** 2
        )
        state.tau_weight[index] = TAU_PRIOR
        state.scale[index] = index + 1
    return state


def packed(state: State) -> State:
    """Return a copy that holds the rows in use only: what is kept of a line."""
    count = int(state.counters[COUNT])
    arrays: list[Any] = [
        one.copy() if one is state.counters else one[:count].copy() for one in state
    ]
    return State(*arrays)


def unpacked(kept: State) -> State:
    """Return a state that can be folded further, from `packed`."""
    count = int(kept.counters[COUNT])
    arrays: list[Any] = []
    for one in kept:
        if one is kept.counters:
            arrays.append(one.copy())
            continue
        whole = np.zeros((ROOM, *one.shape[1:]), one.dtype)
        whole[:count] = one
        arrays.append(whole)
    return State(*arrays)
