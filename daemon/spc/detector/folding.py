"""The compiled fold: units, sessions, checks and new reels into the hypotheses.

Everything here changes a `State` in place. A unit's own ranges are taken one by one in
the small space of what it reads (R numbers, one more for two mixed reels); only the
hypotheses that survive have their whole state changed.
"""

import numpy as np

from daemon.spc.detector.bench_moves import check, session, settle
from daemon.spc.detector.compiling import Bools, Places, compiled
from daemon.spc.detector.hypotheses import (
    FORGOTTEN,
    excuse,
    expected_tau2,
    let_go,
    log_odds,
    marginals,
    merge,
    mixed_of,
    new_tau2,
    prune,
    scaled_to,
    scatter2,
)
from daemon.spc.detector.proposing import (
    AT_BOUNDARY,
    CANDIDATES,
    CHANGE,
    FORGOTTEN_CHANGE,
    FROM,
    K1,
    K2,
    NOTHING,
    P1,
    P2,
    S1,
    S2,
    TAU,
    Candidates,
    adds,
    advance,
    at_boundary,
    choose,
    cross_boundary,
    fresh2,
    propose,
    replaced,
    split,
    unrecorded,
)
from daemon.spc.detector.reading import (
    learn_scatter,
    lift,
    look,
    order_of,
    seen_rows,
    sees,
    weigh,
)
from daemon.spc.detector.state import (
    COUNT,
    MIXED,
    PLACE,
    PLACES,
    UNITS,
    WIDE,
    Floats,
    Shape,
    State,
)

__all__ = [
    "check",
    "excuse",
    "log_odds",
    "marginals",
    "merge",
    "prune",
    "session",
    "settle",
    "unit",
]


@compiled
def unit(
    st: State,
    sh: Shape,
    at: Places,
    y: Floats,
    noise2: Floats,
    warmth: float,
    odd_odds: float,
    new_build: bool,
    changed: Bools,
    level: Floats,
    level2: Floats,
    known_bad: Floats,
    free: Bools,
) -> None:
    """Fold a unit: what may have begun with it, then what it reads.

    y, noise2 : (R,) readings, NaN where not measured, and their own variances.
    warmth : kelvin from the reference temperature; 0 where not known.
    new_build : whether it is the first of its build.
    changed : (P,) parts whose reel is another one than the unit's before.
    level, level2, known_bad : (P,) of a changed reel that was fitted before: its level,
        the level's variance, and how likely it is bad. For a new one `known_bad` is
        below zero: less how likely it is bad against one that nobody measured, -1.
    free : (P,) reels that a person found bad: their level tells nothing of the line.
    """
    parts, ranges = sh.sensitivity.shape
    boundary = new_build
    for p in range(parts):
        if changed[p]:
            boundary = True
    if boundary:
        cross_boundary(st, sh, at, new_build, changed, level, level2)
    else:
        advance(st, at)
    replaced(st, sh, at, new_build, changed)
    index, factor, count = sees(sh, at, warmth)
    to = Candidates(
        np.empty((CANDIDATES, 9), np.int64),
        np.empty(CANDIDATES),
        np.zeros(1, np.int64),
    )
    existing = 0
    if boundary:
        at_boundary(st, sh, to, new_build, changed, known_bad, free)
    else:
        existing = st.counters[COUNT]
        for k in range(existing):
            propose(to, k, st.log_weight[k], NOTHING)
        unrecorded(st, sh, to)
    cand, n = to.what, to.used[0]
    order = order_of(st, y, index, factor, count)
    size = st.mean.shape[1]
    rows = np.zeros((ranges + 1, size))
    small = np.zeros((ranges + 1, ranges + 1))
    expected = np.zeros(ranges + 1)
    small0 = np.zeros((ranges + 1, ranges + 1))
    expected0 = np.zeros(ranges + 1)
    alpha = np.zeros(ranges + 1)
    gain = np.zeros((ranges + 1, ranges + 1))
    ordinary = np.zeros((ranges, 4))
    own2, odd2 = np.empty(ranges), np.empty(ranges)
    for r in range(ranges):
        odd2[r] = sh.odd_part**2
    now = np.empty((ranges + 1, ranges + 1))
    room = np.empty((5, ranges + 1))
    logf = np.empty(n)
    # What was found of a hypothesis that goes on as it is, for when it is folded.
    kept_small = np.empty((existing, ranges + 1, ranges + 1))
    kept_expected = np.empty((existing, ranges + 1))
    kept_alpha = np.empty((existing, ranges + 1))
    kept_gain = np.empty((existing, ranges + 1, ranges + 1))
    kept_ordinary = np.empty((existing, ranges, 4))
    kept_second = np.empty(existing)
    last = -1
    for c in range(n):
        one = cand[c]
        k = one[FROM]
        if k != last:
            look(st, sh, k, index, factor, count, at[4], rows, small0, expected0)
            last = k
        small[:, :] = small0
        expected[:] = expected0
        e = mixed_of(st, k)
        mixed = st.event[k, e, PLACE] if e >= 0 else -1
        share = st.share[k, 0] / (st.share[k, 0] + st.share[k, 1])
        if one[CHANGE] <= AT_BOUNDARY:
            for p in range(parts):
                if not changed[p]:
                    continue
                more = fresh2(sh, one[TAU], p, free, known_bad)
                for r in range(ranges):
                    for s in range(ranges):
                        small[r, s] += (
                            more * sh.sensitivity[p, r] * sh.sensitivity[p, s]
                        )
            adds(st, sh, k, one[K1], one[P1], one[S1], 0.0, small, expected)
            adds(st, sh, k, one[K2], one[P2], one[S2], 0.0, small, expected)
            if one[CHANGE] == FORGOTTEN_CHANGE:
                more = 2.0 * expected_tau2(st, sh, k, one[P1])
                for r in range(ranges):
                    for s in range(ranges):
                        small[r, s] += (
                            more
                            * sh.sensitivity[one[P1], r]
                            * sh.sensitivity[one[P1], s]
                        )
        elif one[CHANGE] > 0:
            more = (
                2.0 * expected_tau2(st, sh, k, one[P1]) * (1.0 if one[S1] == 0 else 4.0)
            )
            for r in range(ranges):
                for s in range(ranges):
                    small[r, s] += (
                        more * sh.sensitivity[one[P1], r] * sh.sensitivity[one[P1], s]
                    )
        elif one[K1] > 0:
            tau2 = new_tau2(st, sh, k, one[K1], one[P1])
            adds(st, sh, k, one[K1], one[P1], one[S1], tau2, small, expected)
            if one[K2] > 0:
                tau2 = expected_tau2(st, sh, k, one[P2])
                adds(st, sh, k, one[K2], one[P2], one[S2], tau2, small, expected)
        if one[K1] == MIXED:
            mixed, share = one[P1], 0.5
        for r in range(ranges):
            own2[r] = scatter2(st, sh, k, r) + noise2[r]
            if one[K1] == WIDE and one[P1] == r:
                own2[r] += (sh.wide_factor[one[S1]] ** 2 - 1.0) * scatter2(st, sh, k, r)
            if one[K2] == WIDE and one[P2] == r:
                own2[r] += (sh.wide_factor[one[S2]] ** 2 - 1.0) * scatter2(st, sh, k, r)
        ordinary[:, :] = 0.0
        logf[c], second = weigh(
            y,
            own2,
            odd2,
            odd_odds,
            order,
            mixed,
            share,
            small,
            expected,
            alpha,
            gain,
            ordinary,
            now,
            room,
        )
        logf[c] += to.weight[c]
        if c < existing:
            kept_small[c], kept_expected[c] = small, expected
            kept_alpha[c], kept_gain[c] = alpha, gain
            kept_ordinary[c], kept_second[c] = ordinary, second
    good, bad = split(st, cand, logf, n)
    origin = choose(st, sh, cand, logf, n, existing, at, changed, free, known_bad)
    for k in range(st.counters[COUNT]):
        e = mixed_of(st, k)
        mixed = st.event[k, e, PLACE] if e >= 0 else -1
        c = origin[k]
        if c >= 0:
            seen_rows(st, k, index, factor, count, rows)
            if mixed >= 0:
                for d in range(size):
                    rows[ranges, d] = st.covariance[k, at[4] + e, d]
            small[:, :], expected[:] = kept_small[c], kept_expected[c]
            alpha[:], gain[:, :] = kept_alpha[c], kept_gain[c]
            ordinary[:, :], second = kept_ordinary[c], kept_second[c]
        else:
            look(st, sh, k, index, factor, count, at[4], rows, small, expected)
            share = st.share[k, 0] / (st.share[k, 0] + st.share[k, 1])
            for r in range(ranges):
                own2[r] = scatter2(st, sh, k, r) + noise2[r]
            ordinary[:, :] = 0.0
            _, second = weigh(
                y,
                own2,
                odd2,
                odd_odds,
                order,
                mixed,
                share,
                small,
                expected,
                alpha,
                gain,
                ordinary,
                now,
                room,
            )
        if mixed >= 0:
            st.share[k, 0] += second
            st.share[k, 1] += 1.0 - second
        shared2 = st.shared_sum[k] / st.shared_count[k]
        lift(st, k, rows, alpha, gain, ranges + 1 if mixed >= 0 else ranges)
        learn_scatter(
            st, sh, k, y, noise2, ordinary, shared2, expected, small, alpha, gain
        )
        for r in range(ranges):
            st.odd[k, r] = ordinary[r, 3]
    # What began with this unit and fits no better goes with its weight: given to others
    # it would grow from unit to unit, though nothing speaks for it.
    scaled_to(st, good, bad if boundary else FORGOTTEN)
    st.counters[UNITS] += 1
    let_go(st, sh, at)
    merge(st)
    prune(st, PLACES, boundary)
