"""Hypotheses side by side: kept, merged, dropped, let go."""

import numpy as np

from daemon.spc.detector.compiling import Bools, Places, compiled
from daemon.spc.detector.state import (
    BENCH,
    CHECKS,
    COUNT,
    DRIFT,
    ENDED,
    EVENTS,
    EXCUSED,
    KIND,
    KINDS,
    MIXED,
    MIXED_COUNT,
    OF_BENCH,
    OFF,
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
    Floats,
    Ints,
    Shape,
    State,
)

BACK_LEVEL = 0.1
"""Standard deviation of what a bench reads off that is back, tolerances."""
AGE = 6
"""Units after which it no longer matters when an event began."""
KNOWN_AFTER = 20
"""Units after which the scatter of parts is known."""
STALE = 100
"""Units after which an event that is no likelier than none is suspected no more."""
OLD = 10
"""Units after which an event is known well enough to be of no matter."""
ORDINARY = 3.0
"""Standard deviations of ordinary reels within which a level surely lies."""
LEAST_STEP = 0.15
"""Of a bench, tolerances: less is what checks correct all the time."""
LEAST_DIFFERENCE = 0.3
"""Of two mixed reels."""
LEAST_DRIFT = 0.2
"""Along a tape, as a share of what is held possible."""
GOOD_PLACES = 12
ALIKE = 1e-6
FAR = -40.0
FORGOTTEN = -1e3
LEAST_ODDS = 60.0
COARSE2 = 0.3**2
"""Scatter of parts, squared, beyond which what is off is expected to be off more."""
KNOWN_SIZE = 3
"""Stands for the size of a reel that came back bad: its level is known."""


@compiled
def likeliest(log_weight: Floats) -> Ints:
    """Return the order of falling likelihood; what is alike to rounding stays in order.

    Equal stories are told apart by their places, not by the last bits of a sum.
    """
    return np.argsort(-np.round(log_weight, 6), kind="mergesort")


@compiled
def copy_row(st: State, a: int, b: int) -> None:
    """Make a row of hypotheses the same as another."""
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
def is_bad(st: State, k: int) -> bool:
    """Say whether a hypothesis has an event that nobody accepted."""
    for e in range(st.event_count[k]):
        if st.event[k, e, EXCUSED] == 0:
            return True
    return False


@compiled
def log_mass(st: State, bad: bool) -> float:
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
    return float(best + np.log(total))


@compiled
def log_odds(st: State) -> float:
    """Logarithm of bad over good weight, within +-60."""
    odds = log_mass(st, True) - log_mass(st, False)
    return max(-LEAST_ODDS, min(LEAST_ODDS, odds))


@compiled
def best_of(st: State, bad: bool, most_events: int) -> int:
    """Return the likeliest of the good or of the bad; -1 for none."""
    found = -1
    for k in range(st.counters[COUNT]):
        if is_bad(st, k) != bad or st.event_count[k] > most_events:
            continue
        if found < 0 or st.log_weight[k] > st.log_weight[found] + ALIKE:
            found = k
    return found


@compiled
def drop_event(st: State, k: int, e: int, events_at: int) -> None:
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
def reset(st: State, k: int, i: int, mean: float, variance: float) -> None:
    """Forget one number of the state and take it to be like this."""
    st.mean[k, i] = mean
    st.covariance[k, i, :] = 0.0
    st.covariance[k, :, i] = 0.0
    st.covariance[k, i, i] = variance


@compiled
def begin_event(
    st: State,
    sh: Shape,
    k: int,
    kind: int,
    place: int,
    size: int,
    tau2: float,
    at: Places,
) -> None:
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
            st.share[k] = MIXED_COUNT
        if kind == MIXED and tau2 > 0.0:
            st.covariance[k, parts_at + place, parts_at + place] += 2.0 * tau2


@compiled
def event_law(
    st: State, sh: Shape, k: int, kind: int, place: int, size: int, tau2: float
) -> tuple[float, float]:
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
def child(st: State, parent: int, log_weight: float) -> int:
    """Add a hypothesis that is its parent so far; -1 where there is no room."""
    j = st.counters[COUNT]
    if j >= ROOM:
        return -1
    copy_row(st, parent, j)
    st.log_weight[j] = log_weight
    st.counters[COUNT] = j + 1
    return int(j)


@compiled
def key_of(st: State, k: int) -> int:
    """Return what two hypotheses must share to be one; forgets what no longer tells."""
    unit = st.counters[UNITS]
    codes = np.zeros(EVENTS, np.int64)
    for e in range(st.event_count[k]):
        kind = st.event[k, e, KIND]
        recent = unit - st.event[k, e, START] < AGE
        code = (kind * 64 + st.event[k, e, PLACE] + 1) * 2 + st.event[k, e, EXCUSED]
        code *= 16
        # +d and -d of a mixture are one story with its reels' names changed over.
        if kind == MIXED or kind == WIDE or kind == ENDED or recent:
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
    return int(
        (key * np.int64(1000003)) ^ ((tau * 4 + st.scale[k]) * 100000007 + st.change[k])
    )


@compiled
def settle_tau(st: State, k: int) -> None:
    """Take the factor by which the latest reels differ as the one that holds."""
    st.tau_weight[k] = 0.0
    st.tau_weight[k, st.tau_chosen[k]] = 1.0
    st.tau_chosen[k] = -1


@compiled
def merge(st: State) -> None:
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
def keep(st: State, wanted: Bools) -> None:
    """Keep these hypotheses only, in their order."""
    w = 0
    for k in range(st.counters[COUNT]):
        if wanted[k]:
            if w != k:
                copy_row(st, k, w)
            w += 1
    st.counters[COUNT] = w


@compiled
def scaled_to(st: State, good: float, bad: float) -> None:
    """Give the good and the bad hypotheses together these weights.

    `FORGOTTEN` leaves them as they are.
    """
    now_good, now_bad = log_mass(st, False), log_mass(st, True)
    for k in range(st.counters[COUNT]):
        if is_bad(st, k):
            if bad > FORGOTTEN and now_bad > FORGOTTEN:
                st.log_weight[k] += bad - now_bad
        elif good > FORGOTTEN and now_good > FORGOTTEN:
            st.log_weight[k] += good - now_good


@compiled
def prune(st: State, places: int, all_bad: bool) -> None:
    """Keep the likeliest; good ones and each single event have places of their own.

    What goes leaves its weight to those of its kind: the good ones always, the bad ones
    where `all_bad` says so.
    """
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
    scaled_to(st, good, bad if all_bad else FORGOTTEN)


@compiled
def mixed_of(st: State, k: int) -> int:
    """Return the event of two mixed reels of a hypothesis; -1 for none."""
    for e in range(st.event_count[k]):
        if st.event[k, e, KIND] == MIXED:
            return e
    return -1


@compiled
def scatter2(st: State, sh: Shape, k: int, p: int) -> float:
    """Return the variance of a part inside its reel."""
    f = 1.0
    for e in range(st.event_count[k]):
        if st.event[k, e, KIND] == WIDE and st.event[k, e, PLACE] == p:
            f = sh.wide_factor[st.event[k, e, SIZE]]
    return float(st.part_sum[k, p] / st.part_count[k, p] * f * f)


@compiled
def expected_tau2(st: State, sh: Shape, k: int, p: int) -> float:
    """Return by how much reels of a part differ, squared, as far as is known."""
    if st.tau_chosen[k] >= 0:
        factor2 = sh.tau_factor[st.tau_chosen[k]] ** 2
    else:
        factor2 = 0.0
        for t in range(3):
            factor2 += st.tau_weight[k, t] * sh.tau_factor[t] ** 2
    return float((sh.reel_scatter * sh.ratio[p]) ** 2 * factor2)


@compiled
def new_tau2(st: State, sh: Shape, k: int, kind: int, place: int) -> float:
    """Return the same for an event that may bring a new reel; 0 for any other."""
    if kind == SHARED or kind == BENCH:
        return 0.0
    return expected_tau2(st, sh, k, place)


@compiled
def put_back(st: State, j: int, e: int, at: Places) -> None:
    """Let the bench be back where an event had moved it from."""
    place, ranges = st.event[j, e, PLACE], at[3] - at[2]
    st.event[j, e, KIND] = ENDED
    st.event[j, e, SIZE] = OF_BENCH
    st.event[j, e, EXCUSED] = 1
    reset(st, j, at[4] + e, 0.0, 0.0)
    for r in range(ranges):
        if place == r or place == ranges:
            reset(st, j, at[2] + r, 0.0, BACK_LEVEL**2)


@compiled
def of_reel(st: State, k: int, e: int) -> bool:
    """Say whether an event is of a part, going on or ended."""
    kind = st.event[k, e, KIND]
    if kind == ENDED:
        return bool(st.event[k, e, SIZE] != OF_BENCH)
    return bool(kind != SHARED and kind != BENCH and kind != SLOPE)


@compiled
def touched(st: State, k: int, p: int) -> bool:
    """Say whether a part has an event of its own that nobody excused."""
    for e in range(st.event_count[k]):
        if not of_reel(st, k, e):
            continue
        if st.event[k, e, PLACE] == p and st.event[k, e, EXCUSED] == 0:
            return True
    return False


@compiled
def has_kind(st: State, k: int, kind: int) -> bool:
    """Say whether a hypothesis has an event of a kind."""
    for e in range(st.event_count[k]):
        if st.event[k, e, KIND] == kind:
            return True
    return False


@compiled
def let_go(st: State, sh: Shape, at: Places) -> None:
    """Let go of events that have turned out to be of no matter.

    A level that surely is one that good reels, stages and benches have tells of nothing
    wrong, whatever once spoke for an event: without this a hypothesis that explained an
    odd hour would be bad for ever. Nor does an event that so many units have not shown:
    small suspicions would add up in a reel that lives long.
    """
    unit = st.counters[UNITS]
    ranges = sh.sensitivity.shape[1]
    good = best_of(st, False, EVENTS)
    for k in range(st.counters[COUNT]):
        unlikely = good >= 0 and st.log_weight[k] < st.log_weight[good]
        e = st.event_count[k] - 1
        while e >= 0:
            kind, place = st.event[k, e, KIND], st.event[k, e, PLACE]
            if unlikely and unit - st.event[k, e, START] >= STALE:
                drop_event(st, k, e, at[4])
                e -= 1
                continue
            seen = (kind == BENCH or kind == SLOPE) and st.event[k, e, CHECKS] > 0
            if not seen and unit - st.event[k, e, START] < OLD:
                e -= 1
                continue
            i, most = -1, 0.0
            if kind == OFF or kind == UNRECORDED:
                i = at[0] + place
                most = ORDINARY * np.sqrt(expected_tau2(st, sh, k, place))
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
def on_bench(st: State, k: int, place: int) -> bool:
    """Say whether the bench may have moved there since it was last checked."""
    for e in range(st.event_count[k]):
        kind = st.event[k, e, KIND]
        if kind != BENCH and kind != SLOPE:
            continue
        if st.event[k, e, PLACE] == place and st.event[k, e, CHECKS] == 0:
            return True
    return False


@compiled
def excuse(st: State, at: Places, kinds: Bools, places: Bools) -> None:
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
    prune(st, PLACES, True)


@compiled
def marginals(st: State) -> Floats:
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
