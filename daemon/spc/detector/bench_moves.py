"""The bench in the fold: set-ups, checks, and what checks settle."""

import numpy as np

from daemon.spc.detector.compiling import Places, compiled
from daemon.spc.detector.hypotheses import (
    begin_event,
    best_of,
    child,
    drop_event,
    keep,
    let_go,
    log_mass,
    merge,
    on_bench,
    prune,
    put_back,
)
from daemon.spc.detector.state import (
    AT_CHECK_BENCH,
    AT_SESSION_BACK,
    AT_SESSION_BENCH,
    BENCH,
    CHECKED,
    CHECKS,
    COUNT,
    EVENTS,
    EXCUSED,
    KIND,
    PLACES,
    SLOPE,
    Floats,
    Shape,
    State,
)

FED = 2.0
"""A suspicion of the bench outlives the next session where it is so many times likelier
than when it arose."""
LIKELY = -3.0
"""Logarithm of how likely a move of the bench must be for its return to matter."""
MOST_FED, LEAST_FED = 3.0, 0.05
"""Times the odds of a session that suspicions may come to before a session brings less,
and the least share that it brings."""


@compiled
def session(st: State, sh: Shape, at: Places, walk2: Floats) -> None:
    """Set the bench up anew: it walks, or stepped on one range or on all.

    walk2 : (R,) variance of an ordinary bench from one set-up to the next.
    """
    ranges = sh.sensitivity.shape[1]
    for k in range(st.counters[COUNT]):
        for r in range(ranges):
            st.covariance[k, at[2] + r, at[2] + r] += walk2[r]
    returned(st, sh, at)
    odds = sh.odds[AT_SESSION_BENCH]
    suspected = unsupported(st, sh, odds)
    spawn_bench(st, sh, at, odds * max(1.0 - suspected / (MOST_FED * odds), LEAST_FED))


@compiled
def returned(st: State, sh: Shape, at: Places) -> None:
    """Propose that a bench that had moved is back: its leads and nulls are set up anew.

    What it read meanwhile was wrong all the same, so what was found of it stands.
    """
    everything = np.logaddexp(log_mass(st, False), log_mass(st, True))
    odds = np.log(sh.odds[AT_SESSION_BACK])
    for k in range(st.counters[COUNT]):
        found = st.log_weight[k] - everything > LIKELY
        moved = False
        for e in range(st.event_count[k]):
            moved |= on_bench_now(st, k, e)
        if not moved or not found:
            continue
        j = child(st, k, st.log_weight[k] + odds)
        if j < 0:
            return
        for e in range(st.event_count[k]):
            if on_bench_now(st, k, e):
                put_back(st, j, e, at)


@compiled
def on_bench_now(st: State, k: int, e: int) -> bool:
    """Say whether an event is of the bench, and no check has seen it yet."""
    kind = st.event[k, e, KIND]
    if kind != BENCH and kind != SLOPE:
        return False
    return bool(st.event[k, e, CHECKS] == 0 and st.event[k, e, EXCUSED] == 0)


@compiled
def unsupported(st: State, sh: Shape, at_session: float) -> float:
    """Let go of earlier suspicions of the bench that nothing measured has fed.

    The odds that it has moved at some session or other would grow with the number of
    sessions, though none of them gave a reason. Returns the odds of those that stay.
    """
    ranges = sh.sensitivity.shape[1]
    good = log_mass(st, False)
    likely = good + np.log(FED * at_session / (3.0 * ranges + 3.0))
    suspected = 0.0
    stays = np.ones(st.counters[COUNT], np.bool_)
    for k in range(st.counters[COUNT]):
        kind, excused = st.event[k, 0, KIND], st.event[k, 0, EXCUSED]
        if st.event_count[k] != 1 or excused == 1:
            continue
        if kind != BENCH and kind != SLOPE:
            continue
        stays[k] = st.log_weight[k] > likely
        if stays[k]:
            suspected += np.exp(st.log_weight[k] - good)
    keep(st, stays)
    return suspected


@compiled
def spawn_bench(st: State, sh: Shape, at: Places, odds: float) -> None:
    """Propose that the bench has moved."""
    ranges = sh.sensitivity.shape[1]
    good = log_mass(st, False)
    for q in range(2):
        p = best_of(st, False, EVENTS - 1) if q == 0 else best_of(st, True, EVENTS - 1)
        if p < 0:
            continue
        weight = (good if q == 0 else st.log_weight[p]) + np.log(
            odds / (3 * ranges + 3)
        )
        for r in range(ranges + 1):
            if on_bench(st, p, r):
                continue
            for z in range(3):
                j = child(st, p, weight)
                if j < 0:
                    return
                if z < 2:
                    begin_event(st, sh, j, BENCH, r, z, 0.0, at)
                else:
                    begin_event(st, sh, j, SLOPE, r, 0 if r < ranges else 1, 0.0, at)


@compiled
def check(
    st: State,
    sh: Shape,
    at: Places,
    y: Floats,
    variance: Floats,
    allowed2: Floats,
    first: bool,
) -> None:
    """Take a run of the check standard: it sees the bench alone.

    y, variance, allowed2 : (R,) errors less the known ones, NaN where not run, their
        variance, and that of what the meters may always read off.
    first : whether nothing is known of how this standard and this bench agree.
    """
    ranges = sh.sensitivity.shape[1]
    size = st.mean.shape[1]
    if first:
        for k in range(st.counters[COUNT]):
            for r in range(ranges):
                st.covariance[k, at[2] + r, at[2] + r] += allowed2[r]
    else:
        spawn_bench(st, sh, at, sh.odds[AT_CHECK_BENCH])
    row = np.empty(size)
    for k in range(st.counters[COUNT]):
        for r in range(ranges):
            if np.isnan(y[r]):
                continue
            i = at[2] + r
            for d in range(size):
                row[d] = st.covariance[k, d, i]
            total = row[i] + variance[r]
            v = y[r] - st.mean[k, i]
            st.log_weight[k] -= 0.5 * (np.log(total) + v * v / total)
            for d in range(size):
                st.mean[k, d] += row[d] * v / total
            for d in range(size):
                f = row[d] / total
                for d2 in range(size):
                    st.covariance[k, d, d2] -= f * row[d2]
        for e in range(st.event_count[k]):
            if st.event[k, e, KIND] == BENCH or st.event[k, e, KIND] == SLOPE:
                st.event[k, e, CHECKS] += 1
    st.counters[CHECKED] += 1
    # A bench that is back where it was reads right.
    let_go(st, sh, at)
    merge(st)


@compiled
def settle(st: State, at: Places, checks: int) -> None:
    """Let go of what so many checks have seen of the bench: it is known now."""
    for k in range(st.counters[COUNT]):
        e = st.event_count[k] - 1
        while e >= 0:
            kind = st.event[k, e, KIND]
            if (kind == BENCH or kind == SLOPE) and st.event[k, e, CHECKS] >= checks:
                drop_event(st, k, e, at[4])
            e -= 1
    merge(st)
    prune(st, PLACES, True)
