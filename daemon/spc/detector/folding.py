"""The compiled fold: units, sessions, checks and new reels into the hypotheses.

Everything here changes a `State` in place. A unit's own ranges are taken one by one in
the small space of what it reads (R numbers, one more for two mixed reels); only the
hypotheses that survive have their whole state changed.
"""

from typing import Any

import numpy as np
from numba import njit

from daemon.spc.detector.state import (
    AT_BUILD_FORGOTTEN,
    AT_BUILD_REPLACED,
    AT_BUILD_SHARED,
    AT_BUILD_SWAPPED,
    AT_CHECK_BENCH,
    AT_REEL_DRIFT,
    AT_REEL_MIXED,
    AT_REEL_OFF,
    AT_REEL_WIDE,
    AT_SESSION_BENCH,
    AT_UNIT_BAD,
    AT_UNIT_BENCH,
    AT_UNIT_GOOD,
    AT_UNIT_MIXED,
    AT_UNIT_REPLACED,
    AT_UNIT_SHARED,
    BENCH,
    CHECKED,
    CHECKS,
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
    START,
    UNITS,
    UNRECORDED,
    WIDE,
)

AGE = 6
"""Units after which it no longer matters when an event began."""
KNOWN_AFTER = 20
"""Units after which the scatter of parts is known."""
MOST_COUNT = 75.0
"""Half degrees of freedom that a scatter keeps: older units are other times."""
OLD = 10
"""Units after which an event is known well enough to be of no matter."""
LEAST_STEP = 0.15
"""Of a bench, tolerances: less is what checks correct all the time."""
LEAST_DIFFERENCE = 0.3
"""Of two mixed reels."""
FAR_LEVEL2 = 9.0
"""A level beyond three standard deviations of ordinary reels is off."""
LEAST_DRIFT = 0.2
"""Along a tape, as a share of what is held possible."""
GOOD_PLACES = 12
GOOD_PARENTS, BAD_PARENTS = 4, 2
"""Hypotheses that live on across a boundary; a first build has four scales of scatter."""
ALIKE = 1e-6
FAR = -40.0
FORGOTTEN = -1e3
LEAST_ODDS = 60.0
CANDIDATES = 4096
TOP = 88
"""Candidates that are folded whole after they were weighed."""
FED = 2.0
"""A suspicion of the bench outlives the next session where it is so many times likelier
than when it arose."""
MOST_FED, LEAST_FED = 3.0, 0.05
"""Times the odds of a session that suspicions may come to before a session brings less,
and the least share that it brings."""
COARSE2 = 0.3**2
"""Scatter of parts, squared, beyond which what is off is expected to be off more."""
KNOWN_SIZE = 3
"""Stands for the size of a reel that came back bad: its level is known."""
TAIL, TAIL2 = 0.05, 6.25
FAR_TAIL, FAR_TAIL2 = 0.005, 36.0
CAP = 16.0
LEAST = 1e-300

compiled: Any = njit(cache=True, error_model="numpy")


@compiled
def likeliest(log_weight):
    """Return the order of falling likelihood; what is alike to rounding stays in order.

    Equal stories are told apart by their places, not by the last bits of a sum.
    """
    return np.argsort(-np.round(log_weight, 6), kind="mergesort")


@compiled
def copy_row(st, a, b):
    st.log_weight[b] = st.log_weight[a]
    st.mean[b] = st.mean[a]
    st.covariance[b] = st.covariance[a]
    st.event_count[b] = st.event_count[a]
    st.event[b] = st.event[a]
    st.part_count[b] = st.part_count[a]
    st.part_sum[b] = st.part_sum[a]
    st.shared_count[b] = st.shared_count[a]
    st.shared_sum[b] = st.shared_sum[a]
    st.share[b] = st.share[a]
    st.tau_weight[b] = st.tau_weight[a]
    st.tau_chosen[b] = st.tau_chosen[a]
    st.boundary[b] = st.boundary[a]
    st.change[b] = st.change[a]
    st.scale[b] = st.scale[a]
    st.odd[b] = st.odd[a]


@compiled
def is_bad(st, k):
    for e in range(st.event_count[k]):
        if st.event[k, e, EXCUSED] == 0:
            return True
    return False


@compiled
def log_mass(st, bad):
    """Logarithm of the weight of all bad, or of all good hypotheses."""
    best = -np.inf
    for k in range(st.counters[COUNT]):
        if is_bad(st, k) == bad and st.log_weight[k] > best:
            best = st.log_weight[k]
    if best == -np.inf:
        return FORGOTTEN
    total = 0.0
    for k in range(st.counters[COUNT]):
        if is_bad(st, k) == bad:
            total += np.exp(st.log_weight[k] - best)
    return best + np.log(total)


@compiled
def log_odds(st):
    """Logarithm of bad over good weight, within +-60."""
    odds = log_mass(st, True) - log_mass(st, False)
    return max(-LEAST_ODDS, min(LEAST_ODDS, odds))


@compiled
def best_of(st, bad, most_events):
    found = -1
    for k in range(st.counters[COUNT]):
        if is_bad(st, k) != bad or st.event_count[k] > most_events:
            continue
        if found < 0 or st.log_weight[k] > st.log_weight[found] + ALIKE:
            found = k
    return found


@compiled
def drop_event(st, k, e, events_at):
    """Let go of an event: what it did to the levels stays in them."""
    last = st.event_count[k] - 1
    size = st.mean.shape[1]
    j = events_at + last
    if e != last:
        i = events_at + e
        st.event[k, e] = st.event[k, last]
        st.mean[k, i] = st.mean[k, j]
        for d in range(size):
            st.covariance[k, i, d] = st.covariance[k, j, d]
        for d in range(size):
            st.covariance[k, d, i] = st.covariance[k, d, j]
        st.covariance[k, i, i] = st.covariance[k, j, j]
    st.mean[k, j] = 0.0
    st.covariance[k, j, :] = 0.0
    st.covariance[k, :, j] = 0.0
    st.event[k, last] = 0
    st.event_count[k] = last


@compiled
def reset(st, k, i, mean, variance):
    """Forget one number of the state and take it to be like this."""
    st.mean[k, i] = mean
    st.covariance[k, i, :] = 0.0
    st.covariance[k, :, i] = 0.0
    st.covariance[k, i, i] = variance


@compiled
def begin_event(st, sh, k, kind, place, size, tau2, at):
    """Add an event to a hypothesis, with what it lets the levels be."""
    parts_at, shared_at, bench_at, events_at = at[0], at[1], at[2], at[4]
    ranges = sh.sensitivity.shape[1]
    e = st.event_count[k]
    st.event[k, e, KIND] = kind
    st.event[k, e, PLACE] = place
    st.event[k, e, START] = st.counters[UNITS]
    st.event[k, e, SIZE] = size
    st.event[k, e, EXCUSED] = 0
    st.event[k, e, CHECKS] = 0
    st.event_count[k] = e + 1
    x = events_at + e
    mean, variance = event_law(st, sh, k, kind, place, size, tau2)
    if kind == OFF or kind == UNRECORDED or kind == WIDE:
        st.covariance[k, parts_at + place, parts_at + place] += variance
    elif kind == SHARED:
        st.covariance[k, shared_at, shared_at] += variance
    elif kind == BENCH:
        if place < ranges:
            st.covariance[k, bench_at + place, bench_at + place] += variance
        else:
            for i in range(ranges):
                for j in range(ranges):
                    st.covariance[k, bench_at + i, bench_at + j] += variance
    else:
        st.mean[k, x] = mean
        st.covariance[k, x, x] = variance
        if kind == MIXED:
            st.share[k] = 1.0
        if kind == MIXED and tau2 > 0.0:
            st.covariance[k, parts_at + place, parts_at + place] += 2.0 * tau2


@compiled
def event_law(st, sh, k, kind, place, size, tau2):
    """Return mean and variance of what an event adds; `tau2` of an unrecorded reel."""
    if kind == OFF or kind == UNRECORDED:
        ratio = sh.ratio[place]
        if size == KNOWN_SIZE:
            return 0.0, 0.0
        parts2 = st.part_sum[k, place] / st.part_count[k, place] / ratio**2
        coarse = max(1.0, parts2 / COARSE2)
        return 0.0, (sh.off_size[size] * ratio) ** 2 * coarse + 2.0 * tau2
    if kind == WIDE:
        return 0.0, (sh.wide_size[size] * sh.ratio[place]) ** 2 + 2.0 * tau2
    if kind == MIXED:
        mean = sh.mixed_size[size] * sh.ratio[place]
        return mean, (0.45 * mean) ** 2
    if kind == DRIFT:
        return 0.0, (sh.drift * sh.ratio[place]) ** 2
    if kind == SHARED:
        coarse = max(1.0, st.part_sum[k, 0] / st.part_count[k, 0] / COARSE2)
        return 0.0, sh.shared_size[size] ** 2 * coarse
    if kind == BENCH:
        return 0.0, sh.bench_step[size] ** 2
    return 0.0, sh.bench_slope[size] ** 2


@compiled
def child(st, parent, log_weight):
    j = st.counters[COUNT]
    if j >= ROOM:
        return -1
    copy_row(st, parent, j)
    st.log_weight[j] = log_weight
    st.counters[COUNT] = j + 1
    return j


@compiled
def key_of(st, k):
    """Return what two hypotheses must share to be one; forgets what no longer tells."""
    unit = st.counters[UNITS]
    codes = np.zeros(EVENTS, np.int64)
    for e in range(st.event_count[k]):
        kind = st.event[k, e, KIND]
        recent = unit - st.event[k, e, START] < AGE
        code = (kind * 64 + st.event[k, e, PLACE] + 1) * 2 + st.event[k, e, EXCUSED]
        code *= 16
        # +d and -d of a mixture are one story with its reels' names changed over.
        if kind == MIXED or kind == WIDE or recent:
            code += st.event[k, e, SIZE] + 1
        code *= 4096
        if recent:
            code += st.event[k, e, START] % 4000 + 1
        codes[e] = code
    codes.sort()
    key = np.int64(1469598103)
    for e in range(EVENTS):
        key = (key * np.int64(1000003)) ^ codes[e]
    tau = 0
    if st.tau_chosen[k] >= 0:
        if unit - st.boundary[k] >= AGE:
            settle_tau(st, k)
        else:
            tau = st.tau_chosen[k] + 1
    if st.change[k] > 0 and unit - st.change[k] // 256 >= AGE:
        st.change[k] = 0
    if unit >= KNOWN_AFTER:
        st.scale[k] = 0
    return (key * np.int64(1000003)) ^ (
        (tau * 4 + st.scale[k]) * 100000007 + st.change[k]
    )


@compiled
def settle_tau(st, k):
    st.tau_weight[k] = 0.0
    st.tau_weight[k, st.tau_chosen[k]] = 1.0
    st.tau_chosen[k] = -1


@compiled
def merge(st):
    """Make one of hypotheses that tell the same story, by matching moments."""
    n = st.counters[COUNT]
    size = st.mean.shape[1]
    keys = np.empty(n, np.int64)
    for k in range(n):
        keys[k] = key_of(st, k)
    order = likeliest(st.log_weight[:n])
    alive = np.ones(n, np.bool_)
    away = np.empty(size)
    for ii in range(n):
        a = order[ii]
        if not alive[a]:
            continue
        for jj in range(ii + 1, n):
            b = order[jj]
            if not alive[b] or keys[b] != keys[a]:
                continue
            if st.event_count[a] != st.event_count[b]:
                continue
            same = True
            for e in range(st.event_count[a]):
                if st.event[a, e, KIND] != st.event[b, e, KIND]:
                    same = False
                if st.event[a, e, PLACE] != st.event[b, e, PLACE]:
                    same = False
            if not same:
                continue
            alive[b] = False
            less = st.log_weight[b] - st.log_weight[a]
            if less < -30.0:
                continue
            p = np.exp(less) / (1.0 + np.exp(less))
            for i in range(size):
                away[i] = st.mean[b, i] - st.mean[a, i]
            for i in range(size):
                pd = p * (1.0 - p) * away[i]
                for j in range(size):
                    st.covariance[a, i, j] = (
                        (1.0 - p) * st.covariance[a, i, j]
                        + p * st.covariance[b, i, j]
                        + pd * away[j]
                    )
            for i in range(size):
                st.mean[a, i] += p * away[i]
            st.log_weight[a] += np.log1p(np.exp(less))
            st.part_count[a] += p * (st.part_count[b] - st.part_count[a])
            st.part_sum[a] += p * (st.part_sum[b] - st.part_sum[a])
            st.shared_count[a] += p * (st.shared_count[b] - st.shared_count[a])
            st.shared_sum[a] += p * (st.shared_sum[b] - st.shared_sum[a])
            st.share[a] += p * (st.share[b] - st.share[a])
            st.tau_weight[a] += p * (st.tau_weight[b] - st.tau_weight[a])
            st.odd[a] += p * (st.odd[b] - st.odd[a])
    keep(st, alive)


@compiled
def keep(st, wanted):
    w = 0
    for k in range(st.counters[COUNT]):
        if wanted[k]:
            if w != k:
                copy_row(st, k, w)
            w += 1
    st.counters[COUNT] = w


@compiled
def scaled_to(st, good, bad):
    """Give the good and the bad hypotheses together the weights they had."""
    now_good, now_bad = log_mass(st, False), log_mass(st, True)
    for k in range(st.counters[COUNT]):
        if is_bad(st, k):
            if bad > FORGOTTEN and now_bad > FORGOTTEN:
                st.log_weight[k] += bad - now_bad
        elif good > FORGOTTEN and now_good > FORGOTTEN:
            st.log_weight[k] += good - now_good


@compiled
def prune(st, places):
    """Keep the likeliest; good ones and each single event have places of their own."""
    n = st.counters[COUNT]
    top = st.log_weight[:n].max()
    for k in range(n):
        st.log_weight[k] -= top
    if n <= places:
        return
    good, bad = log_mass(st, False), log_mass(st, True)
    order = likeliest(st.log_weight[:n])
    wanted = np.zeros(n, np.bool_)
    seen = np.zeros((KINDS, 64), np.bool_)
    kept, goods = 0, 0
    for k in order:
        if not is_bad(st, k):
            if goods < GOOD_PLACES:
                wanted[k] = True
                kept += 1
                goods += 1
        elif st.event_count[k] == 1:
            kind, place = st.event[k, 0, KIND], st.event[k, 0, PLACE]
            if kind == UNRECORDED or seen[kind, place] or kept >= places:
                continue
            if st.log_weight[k] > FAR:
                seen[kind, place] = True
                wanted[k] = True
                kept += 1
    for k in order:
        if kept >= places:
            break
        if not wanted[k]:
            wanted[k] = True
            kept += 1
    keep(st, wanted)
    scaled_to(st, good, bad)


@compiled
def mixture(v, h, part2, odd2, odd_odds):
    """Return log-density and first two moments of 1 / variance, and who is ordinary.

    Parts scatter as a mixture: ordinary, two wider ones for tails, and one odd part or
    poor contact.
    """
    s0 = h + part2
    s1 = h + TAIL2 * part2
    s2 = h + FAR_TAIL2 * part2
    s3 = h + part2 + odd2
    half = 0.5 * v * v
    e0, e1, e2, e3 = -half / s0, -half / s1, -half / s2, -half / s3
    top = max(max(e0, e1), max(e2, e3))
    p0 = (1.0 - TAIL - FAR_TAIL - odd_odds) / np.sqrt(s0) * np.exp(e0 - top)
    p1 = TAIL / np.sqrt(s1) * np.exp(e1 - top)
    p2 = FAR_TAIL / np.sqrt(s2) * np.exp(e2 - top)
    p3 = odd_odds / np.sqrt(s3) * np.exp(e3 - top)
    total = p0 + p1 + p2 + p3
    p0, p1, p2, p3 = p0 / total, p1 / total, p2 / total, p3 / total
    a1 = p0 / s0 + p1 / s1 + p2 / s2 + p3 / s3
    a2 = p0 / s0**2 + p1 / s1**2 + p2 / s2**2 + p3 / s3**2
    return top + np.log(total), a1, a2, p0, p1, p2, p3


@compiled
def sees(sh, at, warmth):
    """Return where each range looks: indices and coefficients of its row, (R, n)."""
    parts, ranges = sh.sensitivity.shape
    index = np.zeros((ranges, parts + 4), np.int64)
    factor = np.zeros((ranges, parts + 4))
    count = np.zeros(ranges, np.int64)
    for r in range(ranges):
        n = 0
        index[r, n], factor[r, n] = r, 1.0
        n += 1
        for p in range(parts):
            if sh.sensitivity[p, r] != 0.0:
                index[r, n], factor[r, n] = at[0] + p, sh.sensitivity[p, r]
                n += 1
        index[r, n], factor[r, n] = at[1], 1.0
        n += 1
        index[r, n], factor[r, n] = at[2] + r, 1.0
        n += 1
        if sh.tempco.size > 0 and warmth != 0.0:
            index[r, n], factor[r, n] = at[3] + r, warmth
            n += 1
        count[r] = n
    return index, factor, count


@compiled
def mixed_of(st, k):
    """Return the event of two mixed reels of a hypothesis; -1 for none."""
    for e in range(st.event_count[k]):
        if st.event[k, e, KIND] == MIXED:
            return e
    return -1


@compiled
def seen_rows(st, k, index, factor, count, rows):
    """Set the covariances of the readings with the state, (R, D)."""
    size = st.mean.shape[1]
    for r in range(count.size):
        for d in range(size):
            rows[r, d] = 0.0
        for n in range(count[r]):
            i, f = index[r, n], factor[r, n]
            for d in range(size):
                rows[r, d] += f * st.covariance[k, i, d]


@compiled
def look(st, sh, k, index, factor, count, events_at, rows, small, expected):
    """Put a hypothesis into the space of what a unit reads.

    `rows` (R + 1, D) are the covariances of the readings with the state, `small`
    (R + 1, R + 1) those of the readings among each other, `expected` (R + 1,) what they
    are expected to be; the last of each is the second of two mixed reels.
    """
    parts, ranges = sh.sensitivity.shape
    size = st.mean.shape[1]
    seen_rows(st, k, index, factor, count, rows)
    for r in range(ranges):
        expected[r] = 0.0
        for n in range(count[r]):
            expected[r] += factor[r, n] * st.mean[k, index[r, n]]
    e = mixed_of(st, k)
    shared2 = st.shared_sum[k] / st.shared_count[k]
    for r in range(ranges):
        for s in range(ranges):
            total = shared2
            for n in range(count[s]):
                total += factor[s, n] * rows[r, index[s, n]]
            for p in range(ranges, parts):
                if sh.sensitivity[p, r] != 0.0 and sh.sensitivity[p, s] != 0.0:
                    total += (
                        sh.sensitivity[p, r]
                        * sh.sensitivity[p, s]
                        * scatter2(st, sh, k, p)
                    )
            small[r, s] = total
    if e < 0:
        return
    x = events_at + e
    for d in range(size):
        rows[ranges, d] = st.covariance[k, x, d]
    for r in range(ranges):
        small[r, ranges] = small[ranges, r] = rows[r, x]
    small[ranges, ranges] = st.covariance[k, x, x]
    expected[ranges] = st.mean[k, x]


@compiled
def scatter2(st, sh, k, p):
    """Return the variance of a part inside its reel."""
    f = 1.0
    for e in range(st.event_count[k]):
        if st.event[k, e, KIND] == WIDE and st.event[k, e, PLACE] == p:
            f = sh.wide_factor[st.event[k, e, SIZE]]
    return st.part_sum[k, p] / st.part_count[k, p] * f * f


@compiled
def weigh(
    y, own2, odd2, odd_odds, order, mixed, share, small, expected, alpha, gain, ordinary,
    now, room,
):
    """Take a unit's ranges one by one; return its log-density.

    `alpha` and `gain` say what the whole state is to be changed by: its mean by
    rows' alpha, its covariance by -rows' gain rows. `ordinary` (R, 4) is how likely
    each range's part is ordinary, in either tail, or odd. `mixed` is the range with two
    mixed reels, -1 for none, `share` their share of the second. `now` (R + 1, R + 1)
    and `room` (5, R + 1) are room to work in. Returns too how likely the unit has the
    second reel.
    """
    ranges = y.size
    n = ranges + 1 if mixed >= 0 else ranges
    alpha[:] = 0.0
    gain[:, :] = 0.0
    for i in range(n):
        for j in range(n):
            now[i, j] = small[i, j]
    at, u, u2, t, t2 = room[0], room[1], room[2], room[3], room[4]
    for i in range(n):
        at[i] = expected[i]
    total, second = 0.0, 0.0
    for step in range(ranges + 1):
        # The range with two reels comes last: the others tell of the shared stage.
        r = mixed if step == ranges else order[step]
        if r < 0 or np.isnan(y[r]) or (r == mixed and step < ranges):
            continue
        v, h = y[r] - at[r], now[r, r]
        lf, a1, a2, p0, p1, p2, p3 = mixture(v, h, own2[r], odd2[r], odd_odds)
        for i in range(n):
            t[i] = now[i, r]
            total_u = 0.0
            for j in range(n):
                total_u += gain[i, j] * small[j, r]
            u[i] = -total_u
        u[r] += 1.0
        c = a1 - (a2 - a1 * a1) * v * v
        if r != mixed:
            ordinary[r, 0], ordinary[r, 1], ordinary[r, 2], ordinary[r, 3] = p0, p1, p2, p3
            total += lf
            for i in range(n):
                alpha[i] += a1 * v * u[i]
                at[i] += a1 * v * t[i]
            for i in range(n):
                for j in range(n):
                    gain[i, j] += c * u[i] * u[j]
                    now[i, j] -= c * t[i] * t[j]
            continue
        for i in range(n):
            t2[i] = t[i] + now[i, ranges]
            total_u = 0.0
            for j in range(n):
                total_u += gain[i, j] * small[j, ranges]
            u2[i] = u[i] - total_u
        u2[ranges] += 1.0
        w = v - at[ranges]
        h2 = h + 2.0 * now[r, ranges] + now[ranges, ranges]
        lf2, b1, b2, q0, q1, q2, q3 = mixture(w, h2, own2[r], odd2[r], odd_odds)
        la, lb = lf + np.log(1.0 - share), lf2 + np.log(share)
        top = max(la, lb)
        both = top + np.log(np.exp(la - top) + np.exp(lb - top))
        second = np.exp(lb - both)
        first = 1.0 - second
        total += both
        ordinary[r, :] = 0.0
        ordinary[r, 3] = first * p3 + second * q3
        c2 = b1 - (b2 - b1 * b1) * w * w
        for i in range(n):
            for j in range(n):
                di, dj = a1 * v * u[i] - b1 * w * u2[i], a1 * v * u[j] - b1 * w * u2[j]
                gain[i, j] += (
                    first * c * u[i] * u[j] + second * c2 * u2[i] * u2[j]
                    - first * second * di * dj
                )
                di, dj = a1 * v * t[i] - b1 * w * t2[i], a1 * v * t[j] - b1 * w * t2[j]
                now[i, j] += (
                    -first * c * t[i] * t[j] - second * c2 * t2[i] * t2[j]
                    + first * second * di * dj
                )
        for i in range(n):
            alpha[i] += first * a1 * v * u[i] + second * b1 * w * u2[i]
            at[i] += first * a1 * v * t[i] + second * b1 * w * t2[i]
    for r in range(ranges):
        expected[r] = at[r]
        for s in range(ranges):
            small[r, s] = now[r, s]
    return total, second


@compiled
def lift(st, k, rows, alpha, gain, n):
    """Change a hypothesis' whole state by what the small space showed."""
    size = st.mean.shape[1]
    turned = np.zeros((n, size))
    for i in range(n):
        for j in range(n):
            g = gain[i, j]
            if g != 0.0:
                for d in range(size):
                    turned[i, d] += g * rows[j, d]
    for i in range(n):
        a = alpha[i]
        for d in range(size):
            st.mean[k, d] += a * rows[i, d]
    for i in range(n):
        for d in range(size):
            f = rows[i, d]
            if f != 0.0:
                for d2 in range(size):
                    st.covariance[k, d, d2] -= f * turned[i, d2]


@compiled
def learn_scatter(st, sh, k, y, noise2, ordinary, before, after_mean, after2, alpha, gain):
    """Learn of scatter from one unit, less from an odd one, nothing from what is said
    to scatter more."""
    parts, ranges = sh.sensitivity.shape
    seen = 0
    for r in range(ranges):
        if np.isnan(y[r]):
            continue
        seen += 1
        told = False
        for e in range(st.event_count[k]):
            kind = st.event[k, e, KIND]
            if st.event[k, e, PLACE] == r and (kind == WIDE or kind == MIXED):
                told = True
        if told:
            continue
        now2 = st.part_sum[k, r] / st.part_count[k, r]
        whole2 = now2 + noise2[r]
        # What is left of a reading tells the less the less its level is known; what
        # the present estimate would fill in tells nothing.
        told_by = max(1.0 - after2[r, r] / whole2, 0.0)
        part = now2 / whole2
        left2 = (part * (y[r] - after_mean[r])) ** 2 + told_by * now2 * (1.0 - part)
        left2 = min(left2, CAP * now2)
        p0, p1, p2 = ordinary[r, 0], ordinary[r, 1], ordinary[r, 2]
        st.part_count[k, r] += 0.5 * told_by * (p0 + p1 + p2)
        st.part_sum[k, r] += 0.5 * (p0 + p1 / TAIL2 + p2 / FAR_TAIL2) * left2
        if st.part_count[k, r] > MOST_COUNT:
            st.part_sum[k, r] *= MOST_COUNT / st.part_count[k, r]
            st.part_count[k, r] = MOST_COUNT
    if seen < 2:
        return
    shared2 = before
    one, two = 0.0, 0.0
    for i in range(ranges):
        one += alpha[i]
        for j in range(ranges):
            two += gain[i, j]
    mean = shared2 * one
    st.shared_count[k] += 0.5 * min(max(shared2 * two, 0.0), 1.0)
    st.shared_sum[k] += 0.5 * min(mean * mean, CAP * shared2)
    if st.shared_count[k] > MOST_COUNT:
        st.shared_sum[k] *= MOST_COUNT / st.shared_count[k]
        st.shared_count[k] = MOST_COUNT


@compiled
def advance(st, at):
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


# ---- candidates: what may have begun before a unit, weighed before it is built

# Columns of a candidate.
FROM, K1, P1, S1, K2, P2, S2, TAU, CHANGE = range(9)


@compiled
def candidate(cand, lp, n, parent, weight, k1, p1, s1, k2, p2, s2, tau, change):
    if n >= CANDIDATES:
        return n
    cand[n, FROM], cand[n, TAU], cand[n, CHANGE] = parent, tau, change
    cand[n, K1], cand[n, P1], cand[n, S1] = k1, p1, s1
    cand[n, K2], cand[n, P2], cand[n, S2] = k2, p2, s2
    lp[n] = weight
    return n + 1


@compiled
def expected_tau2(st, sh, k, p):
    """Return by how much reels of a part differ, squared, as far as is known."""
    if st.tau_chosen[k] >= 0:
        factor2 = sh.tau_factor[st.tau_chosen[k]] ** 2
    else:
        factor2 = 0.0
        for t in range(3):
            factor2 += st.tau_weight[k, t] * sh.tau_factor[t] ** 2
    return (sh.reel_scatter * sh.ratio[p]) ** 2 * factor2


@compiled
def new_tau2(st, sh, k, kind, place):
    """Return the same for an event that may bring a new reel; 0 for any other."""
    if kind == SHARED or kind == BENCH:
        return 0.0
    return expected_tau2(st, sh, k, place)


@compiled
def touched(st, k, p):
    """Say whether a part has an event of its own that nobody excused."""
    for e in range(st.event_count[k]):
        kind = st.event[k, e, KIND]
        if kind == SHARED or kind == BENCH or kind == SLOPE:
            continue
        if st.event[k, e, PLACE] == p and st.event[k, e, EXCUSED] == 0:
            return True
    return False


@compiled
def has_kind(st, k, kind):
    for e in range(st.event_count[k]):
        if st.event[k, e, KIND] == kind:
            return True
    return False


@compiled
def unrecorded(st, sh, cand, lp, n):
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
                n = candidate(cand, lp, n, p, weight + bad_odds + np.log(0.35),
                              UNRECORDED, r, z, 0, 0, 0, -1, -1)
            n = candidate(cand, lp, n, p, weight + bad_odds + np.log(0.3),
                          WIDE, r, 1, 0, 0, 0, -1, -1)
            if r < ranges and q == 0 and not has_kind(st, p, MIXED):
                for z in range(2, 4):
                    n = candidate(cand, lp, n, p,
                                  weight + np.log(sh.odds[AT_UNIT_MIXED] / ranges / 2),
                                  MIXED, r, z, 0, 0, 0, -1, -1)
            if st.change[p] == 0:
                for z in range(2):
                    share = 0.75 if z == 0 else 0.25
                    n = candidate(cand, lp, n, p, weight + good_odds + np.log(share),
                                  0, r, z, 0, 0, 0, -1, unit * 256 + r * 2 + z)
        if not has_kind(st, p, SHARED):
            for z in range(2):
                n = candidate(cand, lp, n, p,
                              weight + np.log(sh.odds[AT_UNIT_SHARED] * 0.5),
                              SHARED, 0, z, 0, 0, 0, -1, -1)
        if q == 0:
            # Between two checks only the next of them tells a bench from what it read.
            bench = np.log(sh.odds[AT_UNIT_BENCH] * 0.5 / (ranges + 1))
            for r in range(ranges + 1):
                if on_bench(st, p, r):
                    continue
                for z in range(2):
                    n = candidate(cand, lp, n, p, weight + bench,
                                  BENCH, r, z, 0, 0, 0, -1, -1)
        if q == 0 and st.event_count[p] <= EVENTS - 2:
            pair = np.log(sh.odds[AT_UNIT_BAD] * sh.odds[PAIR_AT_UNIT])
            for r in range(parts):
                for r2 in range(r + 1, parts):
                    n = candidate(cand, lp, n, p, weight + pair,
                                  UNRECORDED, r, 1, UNRECORDED, r2, 1, -1, -1)
    return n


@compiled
def at_boundary(st, sh, cand, lp, n, new_build, changed, known_bad, free):
    """Propose what new reels and a new build may have brought.

    The candidates take the place of the hypotheses: no reel of `changed` is as before.
    """
    parts, ranges = sh.sensitivity.shape
    count = st.counters[COUNT]
    order = likeliest(st.log_weight[:count])
    parents = np.zeros(GOOD_PARENTS + BAD_PARENTS, np.int64)
    picked, goods, bads = 0, 0, 0
    for k in order:
        if is_bad(st, k):
            if bads < BAD_PARENTS:
                parents[picked] = k
                picked += 1
                bads += 1
        elif goods < GOOD_PARENTS:
            parents[picked] = k
            picked += 1
            goods += 1
        if picked == GOOD_PARENTS + BAD_PARENTS:
            break
    balance = np.zeros(2)
    for b in range(2):
        mine = 0.0
        for q in range(picked):
            if is_bad(st, parents[q]) == (b == 1):
                mine += np.exp(st.log_weight[parents[q]])
        if mine > 0.0:
            balance[b] = log_mass(st, b == 1) - np.log(mine)
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
            # The picked ones stand for all that was held possible.
            weight = st.log_weight[p] + balance[1 if is_bad(st, p) else 0] + known_good
            tau = -1
            if fresh:
                weight += np.log(st.tau_weight[p, t] + 1e-9)
                tau = t
            n = candidate(cand, lp, n, p, weight, 0, 0, 0, 0, 0, 0, tau, -2)
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
                    n = candidate(cand, lp, n, p, weight + np.log(odds),
                                  0, r, 0, 0, 0, 0, tau, -3)
                    for z in range(2):
                        n = candidate(cand, lp, n, p, weight + np.log(swapped * 0.5),
                                      UNRECORDED, r, z, 0, 0, 0, tau, -2)
                if not changed[r] or free[r]:
                    continue
                if known_bad[r] >= 0.0:
                    odds = np.log(known_bad[r] / (1.0 - known_bad[r]) + LEAST)
                    n = candidate(cand, lp, n, p, weight + odds,
                                  OFF, r, KNOWN_SIZE, 0, 0, 0, tau, -2)
                    if left > 1:
                        for r2 in range(r + 1, parts):
                            if not changed[r2] or known_bad[r2] <= 0.01:
                                continue
                            odds2 = np.log(known_bad[r2] / (1.0 - known_bad[r2]))
                            n = candidate(cand, lp, n, p, weight + odds + odds2, OFF, r,
                                          KNOWN_SIZE, OFF, r2, KNOWN_SIZE, tau, -2)
                    continue
                for z in range(3):
                    odds = np.log(sh.odds[AT_REEL_OFF] * sh.off_odds[z])
                    n = candidate(cand, lp, n, p, weight + odds,
                                  OFF, r, z, 0, 0, 0, tau, -2)
                if t > 1:
                    continue
                for z in range(2):
                    n = candidate(cand, lp, n, p,
                                  weight + np.log(sh.odds[AT_REEL_WIDE] * 0.5),
                                  WIDE, r, z, 0, 0, 0, tau, -2)
                if r < ranges and st.event_count[p] == 0:
                    for z in range(sh.mixed_size.size):
                        odds = np.log(sh.odds[AT_REEL_MIXED] / sh.mixed_size.size)
                        n = candidate(cand, lp, n, p, weight + odds,
                                      MIXED, r, z, 0, 0, 0, tau, -2)
                n = candidate(cand, lp, n, p, weight + np.log(sh.odds[AT_REEL_DRIFT]),
                              DRIFT, r, 0, 0, 0, 0, tau, -2)
            shared = sh.odds[AT_BUILD_SHARED if new_build else AT_UNIT_SHARED]
            if not has_kind(st, p, SHARED):
                for z in range(2):
                    n = candidate(cand, lp, n, p, weight + np.log(shared * 0.5),
                                  SHARED, 0, z, 0, 0, 0, tau, -2)
            if q == 0:
                bench = np.log(sh.odds[AT_UNIT_BENCH] * 0.5 / (ranges + 1))
                for r in range(ranges + 1):
                    if on_bench(st, p, r):
                        continue
                    for z in range(2):
                        n = candidate(cand, lp, n, p, weight + bench,
                                      BENCH, r, z, 0, 0, 0, tau, -2)
            if q > 0 or t > 1 or left < 2:
                continue
            off = weight + np.log(sh.odds[AT_REEL_OFF])
            for r in range(parts):
                if not changed[r] or free[r] or known_bad[r] >= 0.0:
                    continue
                for r2 in range(parts):
                    if r2 == r or not changed[r2] or free[r2] or known_bad[r2] >= 0.0:
                        continue
                    if r2 > r:
                        n = candidate(cand, lp, n, p, off + np.log(sh.odds[PAIR_OFF]),
                                      OFF, r, 1, OFF, r2, 1, tau, -2)
                    if r < ranges and r2 < ranges:
                        n = candidate(cand, lp, n, p, off + np.log(sh.odds[PAIR_WIDE]),
                                      OFF, r, 1, WIDE, r2, 1, tau, -2)
                if new_build:
                    n = candidate(cand, lp, n, p, off + np.log(sh.odds[PAIR_SHARED]),
                                  OFF, r, 1, SHARED, 0, 0, tau, -2)
    return n


@compiled
def adds(st, sh, k, kind, place, size, tau2, small, expected):
    """Add what an event lets a unit's readings be; say whether reels are mixed."""
    parts, ranges = sh.sensitivity.shape
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
            small[r, s] += variance * sh.sensitivity[place, r] * sh.sensitivity[place, s]


@compiled
def build_candidate(st, sh, one, weight, at, changed, free, known_bad):
    """Make a hypothesis of a candidate."""
    parent = one[FROM]
    j = child(st, parent, weight)
    if j < 0:
        return -1
    parts = sh.sensitivity.shape[0]
    unit = st.counters[UNITS]
    if one[CHANGE] <= -2:
        st.boundary[j] = unit
        if one[TAU] >= 0:
            st.tau_chosen[j] = one[TAU]
        for p in range(parts):
            if changed[p]:
                st.covariance[j, at[0] + p, at[0] + p] += fresh2(
                    sh, one[TAU], p, free, known_bad
                )
    if one[CHANGE] < -2:
        place = at[0] + one[P1]
        st.covariance[j, place, place] += 2.0 * expected_tau2(st, sh, parent, one[P1])
        st.change[j] = unit * 256 + one[P1] * 2
        return j
    tau2 = 0.0
    if one[CHANGE] > -2:
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
        if one[CHANGE] > -2:
            tau2 = expected_tau2(st, sh, parent, one[P2])
        begin_event(st, sh, j, one[K2], one[P2], one[S2], tau2, at)
    return j


@compiled
def fresh2(sh, tau, p, free, known_bad):
    """Return the variance of the level of a new reel."""
    if free[p]:
        return 100.0
    if known_bad[p] >= 0.0 or tau < 0:
        return 0.0
    return (sh.reel_scatter * sh.ratio[p] * sh.tau_factor[tau]) ** 2


@compiled
def unit(st, sh, at, y, noise2, warmth, odd_odds, new_build, changed, level, level2,
         known_bad, free):
    """Fold a unit: what may have begun with it, then what it reads.

    y, noise2 : (R,) readings, NaN where not measured, and their own variances.
    warmth : kelvin from the reference temperature; 0 where not known.
    new_build : whether it is the first of its build.
    changed : (P,) parts whose reel is another one than the unit's before.
    level, level2, known_bad : (P,) of a changed reel that was fitted before: its level,
        the level's variance, and how likely it is bad; `known_bad` -1 for a new one.
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
    cand = np.empty((CANDIDATES, 9), np.int64)
    lp = np.empty(CANDIDATES)
    existing = 0
    n = 0
    if boundary:
        n = at_boundary(st, sh, cand, lp, n, new_build, changed, known_bad, free)
    else:
        existing = st.counters[COUNT]
        for k in range(existing):
            n = candidate(cand, lp, n, k, st.log_weight[k], 0, 0, 0, 0, 0, 0, -1, -1)
        n = unrecorded(st, sh, cand, lp, n)
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
        if one[CHANGE] <= -2:
            for p in range(parts):
                if not changed[p]:
                    continue
                more = fresh2(sh, one[TAU], p, free, known_bad)
                for r in range(ranges):
                    for s in range(ranges):
                        small[r, s] += more * sh.sensitivity[p, r] * sh.sensitivity[p, s]
            adds(st, sh, k, one[K1], one[P1], one[S1], 0.0, small, expected)
            adds(st, sh, k, one[K2], one[P2], one[S2], 0.0, small, expected)
            if one[CHANGE] < -2:
                more = 2.0 * expected_tau2(st, sh, k, one[P1])
                for r in range(ranges):
                    for s in range(ranges):
                        small[r, s] += (
                            more
                            * sh.sensitivity[one[P1], r]
                            * sh.sensitivity[one[P1], s]
                        )
        elif one[CHANGE] > 0:
            more = 2.0 * expected_tau2(st, sh, k, one[P1]) * (1.0 if one[S1] == 0 else 4.0)
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
        logf[c], second = weigh(y, own2, odd2, odd_odds, order, mixed, share, small,
                                expected, alpha, gain, ordinary, now, room)
        logf[c] += lp[c]
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
            _, second = weigh(y, own2, odd2, odd_odds, order, mixed, share, small,
                              expected, alpha, gain, ordinary, now, room)
        if mixed >= 0:
            st.share[k, 0] += second
            st.share[k, 1] += 1.0 - second
        shared2 = st.shared_sum[k] / st.shared_count[k]
        lift(st, k, rows, alpha, gain, ranges + 1 if mixed >= 0 else ranges)
        learn_scatter(st, sh, k, y, noise2, ordinary, shared2, expected, small, alpha,
                      gain)
        for r in range(ranges):
            st.odd[k, r] = ordinary[r, 3]
    scaled_to(st, good, bad)
    st.counters[UNITS] += 1
    let_go(st, sh, at)
    merge(st)
    prune(st, PLACES)


@compiled
def let_go(st, sh, at):
    """Let go of events that have turned out to be of no matter.

    A level that surely is one that good reels, stages and benches have tells of nothing
    wrong, whatever once spoke for an event: without this a hypothesis that explained an
    odd hour would be bad for ever.
    """
    unit = st.counters[UNITS]
    ranges = sh.sensitivity.shape[1]
    for k in range(st.counters[COUNT]):
        e = st.event_count[k] - 1
        while e >= 0:
            kind, place = st.event[k, e, KIND], st.event[k, e, PLACE]
            seen = (kind == BENCH or kind == SLOPE) and st.event[k, e, CHECKS] > 0
            if not seen and unit - st.event[k, e, START] < OLD:
                e -= 1
                continue
            i, most = -1, 0.0
            if kind == OFF or kind == UNRECORDED:
                i = at[0] + place
                most = 2.0 * np.sqrt(expected_tau2(st, sh, k, place))
            elif kind == SHARED:
                i, most = at[1], 2.0 * sh.build_scatter
            elif kind == BENCH or kind == SLOPE:
                i, most = at[2] + min(place, ranges - 1), LEAST_STEP
            elif kind == MIXED:
                i, most = at[4] + e, LEAST_DIFFERENCE * sh.ratio[place]
            elif kind == DRIFT:
                i, most = at[4] + e, LEAST_DRIFT * sh.drift * sh.ratio[place]
            if i >= 0:
                reach = 2.0 * np.sqrt(max(st.covariance[k, i, i], 0.0))
                if abs(st.mean[k, i]) + reach < most:
                    drop_event(st, k, e, at[4])
            e -= 1


@compiled
def split(st, cand, weight, n):
    """Return the logarithms of the candidates' good and bad weight together."""
    top = -np.inf
    for c in range(n):
        top = max(top, weight[c])
    good, bad = 0.0, 0.0
    for c in range(n):
        w = np.exp(weight[c] - top)
        if cand[c, K1] > 0 and cand[c, CHANGE] <= 0 or is_bad(st, cand[c, FROM]):
            bad += w
        else:
            good += w
    return (
        top + np.log(good) if good > 0.0 else FORGOTTEN,
        top + np.log(bad) if bad > 0.0 else FORGOTTEN,
    )


@compiled
def choose(st, sh, cand, logf, n, existing, at, changed, free, known_bad):
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
        begins = one[K1] > 0 and one[CHANGE] <= 0
        if not begins and not is_bad(st, k):
            if goods < GOOD_PLACES:
                wanted[c] = True
                goods += 1
                kept += 1
            continue
        alone = st.event_count[k] + (1 if begins else 0) + (1 if one[K2] > 0 else 0) == 1
        if not alone or logf[c] - top < FAR or kept >= TOP:
            continue
        kind = one[K1] if begins else st.event[k, 0, KIND]
        place = one[P1] if begins else st.event[k, 0, PLACE]
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
def order_of(st, y, index, factor, count):
    """Return the ranges by how far they are from what all have in common, last first.

    Of an odd part the others should have told the shared stage before it is taken.
    """
    ranges = y.size
    best = 0
    for k in range(st.counters[COUNT]):
        if st.log_weight[k] > st.log_weight[best] + ALIKE:
            best = k
    left = np.empty(ranges)
    for r in range(ranges):
        left[r] = y[r]
        for n in range(count[r]):
            left[r] -= factor[r, n] * st.mean[best, index[r, n]]
    seen = 0
    for r in range(ranges):
        if not np.isnan(left[r]):
            seen += 1
    middle = np.nanmedian(left) if seen > 2 else 0.0
    away = np.empty(ranges)
    for r in range(ranges):
        away[r] = np.inf if np.isnan(left[r]) else abs(left[r] - middle)
    # Of an even number of ranges the two in the middle are as far as each other.
    return np.argsort(np.round(away, 9), kind="mergesort")


@compiled
def cross_boundary(st, sh, at, new_build, changed, level, level2):
    """End what ends with a reel or a build, before anything new is proposed."""
    parts = sh.sensitivity.shape[0]
    for k in range(st.counters[COUNT]):
        e = st.event_count[k] - 1
        while e >= 0:
            kind, place = st.event[k, e, KIND], st.event[k, e, PLACE]
            gone = False
            if kind == SHARED:
                gone = new_build
            elif kind == ENDED:
                gone = new_build or changed[place]
            elif kind != BENCH and kind != SLOPE:
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
    prune(st, PLACES)


@compiled
def replaced(st, sh, at, new_build, changed):
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
        for r in range(parts):
            if changed[r]:
                continue
            i = at[0] + r
            tau2 = expected_tau2(st, sh, p, r)
            if not touched(st, p, r) and st.mean[p, i] ** 2 < FAR_LEVEL2 * tau2:
                continue
            j = child(st, p, st.log_weight[p] + odds)
            if j < 0:
                return
            e = st.event_count[j] - 1
            while e >= 0:
                kind = st.event[j, e, KIND]
                bench = kind == SHARED or kind == BENCH or kind == SLOPE
                if not bench and st.event[j, e, PLACE] == r:
                    if st.event[j, e, EXCUSED] == 0:
                        # The units before have it all the same.
                        st.event[j, e, KIND] = ENDED
                        st.event[j, e, EXCUSED] = 1
                        reset(st, j, at[4] + e, 0.0, 0.0)
                    elif kind != ENDED:
                        drop_event(st, j, e, at[4])
                e -= 1
            reset(st, j, i, 0.0, tau2)


@compiled
def session(st, sh, at, walk2):
    """The bench was set up anew: it walks, or stepped on one range or on all.

    walk2 : (R,) variance of an ordinary bench from one set-up to the next.
    """
    ranges = sh.sensitivity.shape[1]
    for k in range(st.counters[COUNT]):
        for r in range(ranges):
            st.covariance[k, at[2] + r, at[2] + r] += walk2[r]
    odds = sh.odds[AT_SESSION_BENCH]
    suspected = unsupported(st, sh, odds)
    spawn_bench(st, sh, at, odds * max(1.0 - suspected / (MOST_FED * odds), LEAST_FED))


@compiled
def unsupported(st, sh, at_session):
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
def spawn_bench(st, sh, at, odds):
    ranges = sh.sensitivity.shape[1]
    good = log_mass(st, False)
    for q in range(2):
        p = best_of(st, False, EVENTS - 1) if q == 0 else best_of(st, True, EVENTS - 1)
        if p < 0:
            continue
        weight = (good if q == 0 else st.log_weight[p]) + np.log(odds / (3 * ranges + 3))
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
def on_bench(st, k, place):
    """Say whether the bench may have moved there since it was last checked."""
    for e in range(st.event_count[k]):
        kind = st.event[k, e, KIND]
        if kind != BENCH and kind != SLOPE:
            continue
        if st.event[k, e, PLACE] == place and st.event[k, e, CHECKS] == 0:
            return True
    return False


@compiled
def check(st, sh, at, y, variance, allowed2, first):
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
def settle(st, at, checks):
    """Let go of what so many checks have seen of the bench: it is known now."""
    for k in range(st.counters[COUNT]):
        e = st.event_count[k] - 1
        while e >= 0:
            kind = st.event[k, e, KIND]
            if (kind == BENCH or kind == SLOPE) and st.event[k, e, CHECKS] >= checks:
                drop_event(st, k, e, at[4])
            e -= 1
    merge(st)
    prune(st, PLACES)


@compiled
def excuse(st, at, kinds, places):
    """Accept what was found: a level stays as known, wide or drifting parts go on.

    kinds, places : (9,), (64,) bool, whose events are accepted.
    """
    for k in range(st.counters[COUNT]):
        e = st.event_count[k] - 1
        while e >= 0:
            kind, place = st.event[k, e, KIND], st.event[k, e, PLACE]
            if kinds[kind] and places[place]:
                if kind == WIDE or kind == MIXED or kind == DRIFT:
                    st.event[k, e, EXCUSED] = 1
                else:
                    drop_event(st, k, e, at[4])
            e -= 1
    merge(st)
    prune(st, PLACES)


@compiled
def marginals(st):
    """Return how likely each event is, (KINDS, 64), over all hypotheses."""
    out = np.zeros((KINDS, 64))
    top = -np.inf
    for k in range(st.counters[COUNT]):
        top = max(top, st.log_weight[k])
    total = 0.0
    for k in range(st.counters[COUNT]):
        w = np.exp(st.log_weight[k] - top)
        total += w
        for e in range(st.event_count[k]):
            if st.event[k, e, EXCUSED] == 0:
                out[st.event[k, e, KIND], st.event[k, e, PLACE]] += w
    return out / total
