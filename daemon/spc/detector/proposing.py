"""What may just have begun: proposed, weighed by who calls, built where it matters."""

from typing import NamedTuple

import numpy as np

from daemon.spc.detector.compiling import Bools, Places, compiled
from daemon.spc.detector.hypotheses import (
    FAR,
    FORGOTTEN,
    GOOD_PLACES,
    KNOWN_SIZE,
    begin_event,
    best_of,
    child,
    drop_event,
    event_law,
    expected_tau2,
    has_kind,
    is_bad,
    keep,
    likeliest,
    log_mass,
    merge,
    new_tau2,
    of_reel,
    on_bench,
    prune,
    put_back,
    reset,
    settle_tau,
    touched,
)
from daemon.spc.detector.state import (
    AT_BUILD_FORGOTTEN,
    AT_BUILD_REPLACED,
    AT_BUILD_SHARED,
    AT_BUILD_SWAPPED,
    AT_REEL_DRIFT,
    AT_REEL_FAR_WIDE,
    AT_REEL_MIXED,
    AT_REEL_OFF,
    AT_REEL_WIDE,
    AT_UNIT_BAD,
    AT_UNIT_BENCH,
    AT_UNIT_GOOD,
    AT_UNIT_MIXED,
    AT_UNIT_REPLACED,
    AT_UNIT_SHARED,
    BENCH,
    COUNT,
    DRIFT,
    ENDED,
    EVENTS,
    EXCUSED,
    KIND,
    KINDS,
    MIXED,
    OFF,
    PAIR_AT_UNIT,
    PAIR_OFF,
    PAIR_SHARED,
    PAIR_WIDE,
    PLACE,
    PLACES,
    ROOM,
    SHARED,
    SIZE,
    SLOPE,
    UNITS,
    UNRECORDED,
    WIDE,
    Floats,
    Ints,
    Shape,
    State,
)

FAR_LEVEL2 = 9.0
"""A level beyond three standard deviations of ordinary reels is off."""
ANOTHER_TOO = -1.0
"""Logarithm of how likely a further reel that is off was taken out with the first."""
GOOD_PARENTS, BAD_PARENTS = 4, 2
"""Hypotheses with which something new may begin at a boundary: scatter has four scales
at first."""
FAR_FACTOR = 2
"""Which factor of wide parts is that of quite another class."""
CANDIDATES = 4096
Begins = tuple[int, int, int]
NOTHING: Begins = (0, 0, 0)
TOP = 88
"""Candidates that are folded whole after they were weighed."""
LEAST = 1e-300
# Columns of a candidate.
FROM, K1, P1, S1, K2, P2, S2, TAU, CHANGE = range(9)
# What stands under CHANGE: something begins with any unit, with a new reel or build, a
# build's record forgot that a reel was changed. Else, above 0, a reel was changed for
# another good one: unit, part and how much it may differ.
AT_UNIT, AT_BOUNDARY, FORGOTTEN_CHANGE = -1, -2, -3


class Candidates(NamedTuple):
    """What may have begun, before it is weighed.

    Attributes
    ----------
    what : (CANDIDATES, 9) int
    weight : (CANDIDATES,) float
        Logarithm of how likely each is before the unit is read.
    used : (1,) int
        How many there are.
    """

    what: Ints
    weight: Floats
    used: Ints


@compiled
def advance(st: State, at: Places) -> None:
    """Let what drifts drift by one unit."""
    size = st.mean.shape[1]
    parts_at, bench_at, events_at = at[0], at[2], at[4]
    ranges = at[3] - at[2]
    for k in range(st.counters[COUNT]):
        for e in range(st.event_count[k]):
            kind = st.event[k, e, KIND]
            if kind != DRIFT and kind != SLOPE:
                continue
            j, place = events_at + e, st.event[k, e, PLACE]
            first = parts_at + place if kind == DRIFT else bench_at + place
            last = first + 1
            if kind == SLOPE and place == ranges:
                first, last = bench_at, bench_at + ranges
            for i in range(first, last):
                st.mean[k, i] += st.mean[k, j]
                for d in range(size):
                    st.covariance[k, i, d] += st.covariance[k, j, d]
                for d in range(size):
                    st.covariance[k, d, i] += st.covariance[k, d, j]


@compiled
def propose(
    to: Candidates,
    parent: int,
    weight: float,
    first: Begins,
    second: Begins = NOTHING,
    tau: int = -1,
    change: int = AT_UNIT,
) -> None:
    """Note a proposal: the kind, place and size of what begins with a hypothesis."""
    n = to.used[0]
    if n >= CANDIDATES:
        return
    to.what[n, FROM], to.what[n, TAU], to.what[n, CHANGE] = parent, tau, change
    to.what[n, K1], to.what[n, P1], to.what[n, S1] = first
    to.what[n, K2], to.what[n, P2], to.what[n, S2] = second
    to.weight[n] = weight
    to.used[0] = n + 1


@compiled
def begins(
    to: Candidates,
    parent: int,
    tau: int,
    weight: float,
    first: Begins,
    second: Begins = NOTHING,
) -> None:
    """Note a proposal of what begins with new reels, or a new build."""
    propose(to, parent, weight, first, second, tau, AT_BOUNDARY)


@compiled
def unrecorded(st: State, sh: Shape, to: Candidates) -> None:
    """Propose that something changed before this unit that nobody recorded."""
    parts, ranges = sh.sensitivity.shape
    unit = st.counters[UNITS]
    good = log_mass(st, False)
    for q in range(2):
        p = best_of(st, False, EVENTS - 1) if q == 0 else best_of(st, True, EVENTS - 1)
        if p < 0 or unit - st.boundary[p] < 1:
            continue
        weight = good if q == 0 else st.log_weight[p]
        bad_odds = np.log(sh.odds[AT_UNIT_BAD] / parts)
        good_odds = np.log(sh.odds[AT_UNIT_GOOD] / parts)
        for r in range(parts):
            if touched(st, p, r):
                continue
            for z in range(2):
                propose(to, p, weight + bad_odds + np.log(0.35), (UNRECORDED, r, z))
            propose(to, p, weight + bad_odds + np.log(0.3), (WIDE, r, 1))
            if r < ranges and q == 0 and not has_kind(st, p, MIXED):
                for z in range(2, 4):
                    propose(
                        to,
                        p,
                        weight + np.log(sh.odds[AT_UNIT_MIXED] / ranges / 2),
                        (MIXED, r, z),
                    )
            if st.change[p] == 0:
                for z in range(2):
                    share = 0.75 if z == 0 else 0.25
                    propose(
                        to,
                        p,
                        weight + good_odds + np.log(share),
                        (0, r, z),
                        NOTHING,
                        -1,
                        unit * 256 + r * 2 + z,
                    )
        if not has_kind(st, p, SHARED):
            for z in range(2):
                propose(
                    to,
                    p,
                    weight + np.log(sh.odds[AT_UNIT_SHARED] * 0.5),
                    (SHARED, 0, z),
                )
        if q == 0:
            # Between two checks only the next of them tells a bench from what it read.
            bench = np.log(sh.odds[AT_UNIT_BENCH] * 0.5 / (ranges + 1))
            for r in range(ranges + 1):
                if on_bench(st, p, r):
                    continue
                for z in range(2):
                    propose(to, p, weight + bench, (BENCH, r, z))
        if q == 0 and st.event_count[p] <= EVENTS - 2:
            pair = np.log(sh.odds[AT_UNIT_BAD] * sh.odds[PAIR_AT_UNIT])
            for r in range(parts):
                for r2 in range(r + 1, parts):
                    propose(
                        to, p, weight + pair, (UNRECORDED, r, 1), (UNRECORDED, r2, 1)
                    )


@compiled
def at_boundary(
    st: State,
    sh: Shape,
    to: Candidates,
    new_build: bool,
    changed: Bools,
    known_bad: Floats,
    free: Bools,
) -> None:
    """Propose what new reels and a new build may have brought.

    The candidates take the place of the hypotheses: no reel of `changed` is as before.
    """
    parts, ranges = sh.sensitivity.shape
    count = st.counters[COUNT]
    order = likeliest(st.log_weight[:count])
    parents = np.zeros(GOOD_PARENTS + BAD_PARENTS, np.int64)
    others = np.zeros(count, np.int64)
    picked, goods, bads, left_over = 0, 0, 0, 0
    for k in order:
        bad = is_bad(st, k)
        if bads < BAD_PARENTS if bad else goods < GOOD_PARENTS:
            parents[picked] = k
            picked += 1
            if bad:
                bads += 1
            else:
                goods += 1
        elif bad:
            others[left_over] = k
            left_over += 1
    # The good ones that are picked stand for all good ones.
    mine = 0.0
    for q in range(picked):
        if not is_bad(st, parents[q]):
            mine += np.exp(st.log_weight[parents[q]])
    balance = log_mass(st, False) - np.log(mine) if mine > 0.0 else 0.0
    fresh = False
    known_good = 0.0
    for r in range(parts):
        if changed[r] and known_bad[r] < 0.0 and not free[r]:
            fresh = True
        if changed[r] and known_bad[r] > 0.0:
            known_good += np.log(1.0 - known_bad[r])
    factors = 3 if fresh else 1
    for q in range(picked):
        p = parents[q]
        full = q == 0 or (not is_bad(st, p) and st.log_weight[p] > -2.0)
        left = EVENTS - st.event_count[p]
        for t in range(factors):
            weight = st.log_weight[p] + known_good
            if not is_bad(st, p):
                weight += balance
            tau = -1
            if fresh:
                weight += np.log(st.tau_weight[p, t] + 1e-9)
                tau = t
            begins(to, p, tau, weight, NOTHING)
            if left < 1 or (not full and t > 0):
                continue
            for r in range(parts):
                if not changed[r] and not touched(st, p, r) and t == 0:
                    # The record says that the reel is the one of before.
                    odds = sh.odds[AT_UNIT_GOOD] / parts
                    swapped = sh.odds[AT_UNIT_BAD] / parts
                    if new_build:
                        odds = sh.odds[AT_BUILD_FORGOTTEN]
                        swapped = sh.odds[AT_BUILD_SWAPPED]
                    propose(
                        to,
                        p,
                        weight + np.log(odds),
                        (0, r, 0),
                        NOTHING,
                        tau,
                        FORGOTTEN_CHANGE,
                    )
                    for z in range(2):
                        begins(
                            to,
                            p,
                            tau,
                            weight + np.log(swapped * 0.5),
                            (UNRECORDED, r, z),
                        )
                if not changed[r] or free[r]:
                    continue
                if known_bad[r] >= 0.0:
                    odds = np.log(known_bad[r] / (1.0 - known_bad[r]) + LEAST)
                    begins(to, p, tau, weight + odds, (OFF, r, KNOWN_SIZE))
                    if left > 1:
                        for r2 in range(r + 1, parts):
                            if not changed[r2] or known_bad[r2] <= 0.01:
                                continue
                            odds2 = np.log(known_bad[r2] / (1.0 - known_bad[r2]))
                            begins(
                                to,
                                p,
                                tau,
                                weight + odds + odds2,
                                (OFF, r, KNOWN_SIZE),
                                (OFF, r2, KNOWN_SIZE),
                            )
                    continue
                for z in range(3):
                    odds = np.log(-known_bad[r] * sh.odds[AT_REEL_OFF] * sh.off_odds[z])
                    begins(to, p, tau, weight + odds, (OFF, r, z))
                if t > 1:
                    continue
                for z in range(sh.wide_factor.size):
                    odds = sh.odds[AT_REEL_WIDE] * 0.5
                    if z == FAR_FACTOR:
                        odds = sh.odds[AT_REEL_FAR_WIDE]
                    odds = np.log(-known_bad[r] * odds)
                    begins(to, p, tau, weight + odds, (WIDE, r, z))
                if r < ranges and st.event_count[p] == 0:
                    for z in range(sh.mixed_size.size):
                        odds = np.log(sh.odds[AT_REEL_MIXED] / sh.mixed_size.size)
                        begins(to, p, tau, weight + odds, (MIXED, r, z))
                begins(
                    to, p, tau, weight + np.log(sh.odds[AT_REEL_DRIFT]), (DRIFT, r, 0)
                )
            shared = sh.odds[AT_BUILD_SHARED if new_build else AT_UNIT_SHARED]
            if not has_kind(st, p, SHARED):
                for z in range(2):
                    begins(to, p, tau, weight + np.log(shared * 0.5), (SHARED, 0, z))
            if q == 0:
                bench = np.log(sh.odds[AT_UNIT_BENCH] * 0.5 / (ranges + 1))
                for r in range(ranges + 1):
                    if on_bench(st, p, r):
                        continue
                    for z in range(2):
                        begins(to, p, tau, weight + bench, (BENCH, r, z))
            if q > 0 or t > 1 or left < 2:
                continue
            off = weight + np.log(sh.odds[AT_REEL_OFF])
            for r in range(parts):
                if not changed[r] or free[r] or known_bad[r] >= 0.0:
                    continue
                for r2 in range(parts):
                    if r2 == r or not changed[r2] or free[r2] or known_bad[r2] >= 0.0:
                        continue
                    both = off + np.log(known_bad[r] * known_bad[r2])
                    if r2 > r:
                        begins(
                            to,
                            p,
                            tau,
                            both + np.log(sh.odds[PAIR_OFF]),
                            (OFF, r, 1),
                            (OFF, r2, 1),
                        )
                    if r < ranges and r2 < ranges:
                        begins(
                            to,
                            p,
                            tau,
                            both + np.log(sh.odds[PAIR_WIDE]),
                            (OFF, r, 1),
                            (WIDE, r2, 1),
                        )
                if new_build:
                    begins(
                        to,
                        p,
                        tau,
                        off + np.log(-known_bad[r] * sh.odds[PAIR_SHARED]),
                        (OFF, r, 1),
                        (SHARED, 0, 0),
                    )
    # Nothing new begins with the others, but what they suspect of reels that stay is
    # not forgotten.
    for k in others[:left_over]:
        for t in range(factors):
            weight, tau = st.log_weight[k] + known_good, -1
            if fresh:
                weight += np.log(st.tau_weight[k, t] + 1e-9)
                tau = t
            begins(to, k, tau, weight, NOTHING)


@compiled
def adds(
    st: State,
    sh: Shape,
    k: int,
    kind: int,
    place: int,
    size: int,
    tau2: float,
    small: Floats,
    expected: Floats,
) -> None:
    """Add what an event lets a unit's readings be; say whether reels are mixed."""
    ranges = sh.sensitivity.shape[1]
    if kind == 0 or kind == DRIFT or kind == SLOPE:
        return
    mean, variance = event_law(st, sh, k, kind, place, size, tau2)
    if kind == SHARED:
        for r in range(ranges):
            for s in range(ranges):
                small[r, s] += variance
        return
    if kind == BENCH:
        if place < ranges:
            small[place, place] += variance
            return
        for r in range(ranges):
            for s in range(ranges):
                small[r, s] += variance
        return
    if kind == MIXED:
        small[ranges, :] = 0.0
        small[:, ranges] = 0.0
        small[ranges, ranges] = variance
        expected[ranges] = mean
        variance = 2.0 * tau2
    for r in range(ranges):
        for s in range(ranges):
            small[r, s] += (
                variance * sh.sensitivity[place, r] * sh.sensitivity[place, s]
            )


@compiled
def build_candidate(
    st: State,
    sh: Shape,
    one: Ints,
    weight: float,
    at: Places,
    changed: Bools,
    free: Bools,
    known_bad: Floats,
) -> int:
    """Make a hypothesis of a candidate."""
    parent = one[FROM]
    j = child(st, parent, weight)
    if j < 0:
        return -1
    parts = sh.sensitivity.shape[0]
    unit = st.counters[UNITS]
    if one[CHANGE] <= AT_BOUNDARY:
        st.boundary[j] = unit
        if one[TAU] >= 0:
            st.tau_chosen[j] = one[TAU]
        for p in range(parts):
            if changed[p]:
                st.covariance[j, at[0] + p, at[0] + p] += fresh2(
                    sh, one[TAU], p, free, known_bad
                )
    if one[CHANGE] == FORGOTTEN_CHANGE:
        place = at[0] + one[P1]
        st.covariance[j, place, place] += 2.0 * expected_tau2(st, sh, parent, one[P1])
        st.change[j] = unit * 256 + one[P1] * 2
        return j
    tau2 = 0.0
    if one[CHANGE] > AT_BOUNDARY:
        tau2 = new_tau2(st, sh, parent, one[K1], one[P1])
    if one[CHANGE] > 0:
        factor = 1.0 if one[S1] == 0 else 4.0
        place = at[0] + one[P1]
        st.covariance[j, place, place] += 2.0 * tau2 * factor
        st.change[j] = one[CHANGE]
        return j
    if one[K1] > 0:
        begin_event(st, sh, j, one[K1], one[P1], one[S1], tau2, at)
    if one[K2] > 0:
        if one[CHANGE] > AT_BOUNDARY:
            tau2 = expected_tau2(st, sh, parent, one[P2])
        begin_event(st, sh, j, one[K2], one[P2], one[S2], tau2, at)
    return j


@compiled
def fresh2(sh: Shape, tau: int, p: int, free: Bools, known_bad: Floats) -> float:
    """Return the variance of the level of a new reel."""
    if free[p]:
        return 100.0
    if known_bad[p] >= 0.0 or tau < 0:
        return 0.0
    return float((sh.reel_scatter * sh.ratio[p] * sh.tau_factor[tau]) ** 2)


@compiled
def split(st: State, cand: Ints, weight: Floats, n: int) -> tuple[float, float]:
    """Return the logarithms of the candidates' good and bad weight together."""
    top = -np.inf
    for c in range(n):
        top = max(top, weight[c])
    good, bad = 0.0, 0.0
    for c in range(n):
        w = np.exp(weight[c] - top)
        if (cand[c, K1] > 0 and cand[c, CHANGE] <= 0) or is_bad(st, cand[c, FROM]):
            bad += w
        else:
            good += w
    return (
        top + np.log(good) if good > 0.0 else FORGOTTEN,
        top + np.log(bad) if bad > 0.0 else FORGOTTEN,
    )


@compiled
def choose(
    st: State,
    sh: Shape,
    cand: Ints,
    logf: Floats,
    n: int,
    existing: int,
    at: Places,
    changed: Bools,
    free: Bools,
    known_bad: Floats,
) -> Ints:
    """Keep the likeliest candidates as hypotheses; each single event has a place.

    Returns which of the hypotheses there were each one is; -1 for a new one.
    """
    order = likeliest(logf[:n])
    top = logf[order[0]]
    wanted = np.zeros(n, np.bool_)
    seen = np.zeros((KINDS, 64), np.bool_)
    kept, goods = 0, 0
    for c in order:
        one = cand[c]
        k = one[FROM]
        starts = one[K1] > 0 and one[CHANGE] <= 0
        if not starts and not is_bad(st, k):
            if goods < GOOD_PLACES:
                wanted[c] = True
                goods += 1
                kept += 1
            continue
        alone = (
            st.event_count[k] + (1 if starts else 0) + (1 if one[K2] > 0 else 0) == 1
        )
        if not alone or logf[c] - top < FAR or kept >= TOP:
            continue
        kind = one[K1] if starts else st.event[k, 0, KIND]
        place = one[P1] if starts else st.event[k, 0, PLACE]
        if kind == UNRECORDED or seen[kind, place]:
            continue
        seen[kind, place] = True
        wanted[c] = True
        kept += 1
    for c in order:
        if kept >= TOP:
            break
        if not wanted[c]:
            wanted[c] = True
            kept += 1
    stays = np.zeros(ROOM, np.bool_)
    origin = np.full(ROOM, -1, np.int64)
    for c in range(n):
        if not wanted[c]:
            continue
        if c < existing:
            stays[c] = True
            st.log_weight[c] = logf[c]
            continue
        j = build_candidate(st, sh, cand[c], logf[c], at, changed, free, known_bad)
        if j >= 0:
            stays[j] = True
    w = 0
    for k in range(st.counters[COUNT]):
        if stays[k]:
            origin[w] = k if k < existing else -1
            w += 1
    keep(st, stays)
    return origin


@compiled
def cross_boundary(
    st: State,
    sh: Shape,
    at: Places,
    new_build: bool,
    changed: Bools,
    level: Floats,
    level2: Floats,
) -> None:
    """End what ends with a reel or a build, before anything new is proposed."""
    parts = sh.sensitivity.shape[0]
    for k in range(st.counters[COUNT]):
        e = st.event_count[k] - 1
        while e >= 0:
            kind, place = st.event[k, e, KIND], st.event[k, e, PLACE]
            gone = False
            if kind == SHARED:
                gone = new_build
            elif kind == ENDED and new_build:
                gone = True
            elif of_reel(st, k, e):
                gone = changed[place]
            if gone:
                drop_event(st, k, e, at[4])
            e -= 1
        if st.tau_chosen[k] >= 0:
            settle_tau(st, k)
        total = 0.0
        for t in range(3):
            # How much reels differ may change in years: nothing is sure for ever.
            st.tau_weight[k, t] = (st.tau_weight[k, t] + 1e-6) ** 0.98
            total += st.tau_weight[k, t]
        for t in range(3):
            st.tau_weight[k, t] /= total
        st.change[k] = 0
        if new_build:
            reset(st, k, at[1], 0.0, sh.build_scatter**2)
        for p in range(parts):
            if changed[p]:
                reset(st, k, at[0] + p, level[p], level2[p])
    merge(st)
    prune(st, PLACES, True)


@compiled
def replaced(st: State, sh: Shape, at: Places, new_build: bool, changed: Bools) -> None:
    """Propose that a reel that is off was taken out, and that nobody recorded it.

    An ordinary one is there instead. So it is with a bad reel, and with one that is off
    and was accepted.
    """
    parts = sh.sensitivity.shape[0]
    odds = np.log(sh.odds[AT_BUILD_REPLACED if new_build else AT_UNIT_REPLACED])
    for q in range(2):
        p = best_of(st, q == 1, EVENTS)
        if p < 0:
            continue
        off = np.zeros(parts, np.bool_)
        for r in range(parts):
            far2 = FAR_LEVEL2 * expected_tau2(st, sh, p, r)
            lies_off = touched(st, p, r) or st.mean[p, at[0] + r] ** 2 >= far2
            off[r] = lies_off and not changed[r]
        several = off.sum()
        for r in range(parts):
            if not off[r]:
                continue
            j = child(st, p, st.log_weight[p] + odds)
            if j < 0:
                return
            take_out(st, sh, j, r, at)
        if several > 1:
            j = child(st, p, st.log_weight[p] + odds + (several - 1) * ANOTHER_TOO)
            if j < 0:
                return
            for r in range(parts):
                if off[r]:
                    take_out(st, sh, j, r, at)
        if new_build and q == 1:
            # Whatever was wrong with the build before, this one may have nothing of it.
            j = child(st, p, st.log_weight[p] + odds)
            if j < 0:
                return
            for r in range(parts):
                if off[r]:
                    take_out(st, sh, j, r, at)
            for e in range(st.event_count[j]):
                kind = st.event[j, e, KIND]
                if kind == BENCH or kind == SLOPE:
                    put_back(st, j, e, at)


@compiled
def take_out(st: State, sh: Shape, j: int, r: int, at: Places) -> None:
    """Let a part's reel be an ordinary one from now on."""
    tau2 = expected_tau2(st, sh, j, r)
    e = st.event_count[j] - 1
    while e >= 0:
        if of_reel(st, j, e) and st.event[j, e, PLACE] == r:
            if st.event[j, e, EXCUSED] == 0:
                # The units before have it all the same.
                st.event[j, e, KIND] = ENDED
                st.event[j, e, SIZE] = 0
                st.event[j, e, EXCUSED] = 1
                reset(st, j, at[4] + e, 0.0, 0.0)
            elif st.event[j, e, KIND] != ENDED:
                drop_event(st, j, e, at[4])
        e -= 1
    reset(st, j, at[0] + r, 0.0, tau2)
