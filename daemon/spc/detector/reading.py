"""What a unit reads, in the small space of its ranges, and what follows from it."""

import numpy as np

from daemon.spc.detector.compiling import Places, compiled
from daemon.spc.detector.hypotheses import ALIKE, mixed_of, scatter2
from daemon.spc.detector.state import (
    COUNT,
    KIND,
    MIXED,
    PLACE,
    WIDE,
    Floats,
    Ints,
    Shape,
    State,
)

MOST_COUNT = 75.0
"""Half degrees of freedom that a scatter keeps: older units are other times."""
TAIL, TAIL2 = 0.05, 6.25
FAR_TAIL, FAR_TAIL2 = 0.005, 36.0
CAP = 16.0


@compiled
def mixture(
    v: float, h: float, part2: float, odd2: float, odd_odds: float
) -> tuple[float, float, float, float, float, float, float]:
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
    top = max(e0, e1, e2, e3)
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
def sees(sh: Shape, at: Places, warmth: float) -> tuple[Ints, Floats, Ints]:
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
def seen_rows(
    st: State, k: int, index: Ints, factor: Floats, count: Ints, rows: Floats
) -> None:
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
def look(
    st: State,
    sh: Shape,
    k: int,
    index: Ints,
    factor: Floats,
    count: Ints,
    events_at: int,
    rows: Floats,
    small: Floats,
    expected: Floats,
) -> None:
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
def weigh(
    y: Floats,
    own2: Floats,
    odd2: Floats,
    odd_odds: float,
    order: Ints,
    mixed: int,
    share: float,
    small: Floats,
    expected: Floats,
    alpha: Floats,
    gain: Floats,
    ordinary: Floats,
    now: Floats,
    room: Floats,
) -> tuple[float, float]:
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
            ordinary[r, 0], ordinary[r, 1], ordinary[r, 2], ordinary[r, 3] = (
                p0,
                p1,
                p2,
                p3,
            )
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
        lf2, b1, b2, _q0, _q1, _q2, q3 = mixture(w, h2, own2[r], odd2[r], odd_odds)
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
                    first * c * u[i] * u[j]
                    + second * c2 * u2[i] * u2[j]
                    - first * second * di * dj
                )
                di, dj = a1 * v * t[i] - b1 * w * t2[i], a1 * v * t[j] - b1 * w * t2[j]
                now[i, j] += (
                    -first * c * t[i] * t[j]
                    - second * c2 * t2[i] * t2[j]
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
def lift(st: State, k: int, rows: Floats, alpha: Floats, gain: Floats, n: int) -> None:
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
def learn_scatter(
    st: State,
    sh: Shape,
    k: int,
    y: Floats,
    noise2: Floats,
    ordinary: Floats,
    before: float,
    after_mean: Floats,
    after2: Floats,
    alpha: Floats,
    gain: Floats,
) -> None:
    """Learn of scatter from one unit, but nothing where an event explains it."""
    ranges = sh.sensitivity.shape[1]
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
def order_of(st: State, y: Floats, index: Ints, factor: Floats, count: Ints) -> Ints:
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
