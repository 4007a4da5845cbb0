"""The compiled look at a unit that is not folded: which reel, what it will read."""

import numpy as np

from daemon.spc.detector.compiling import Places, compiled
from daemon.spc.detector.hypotheses import mixed_of, scatter2
from daemon.spc.detector.reading import look, order_of, sees, weigh
from daemon.spc.detector.state import PLACE, Floats, Ints, Shape, State


@compiled
def foretell(
    st: State,
    sh: Shape,
    at: Places,
    hypotheses: Ints,
    place: int,
    y: Floats,
    noise2: Floats,
    warmth: float,
    odd_odds: float,
) -> Floats:
    """Return for each hypothesis what it says of a unit.

    The columns of the answer (len(hypotheses), 3): how likely the unit has the second
    of two mixed reels, by all that it read; mean and variance of what its range `place`
    reads, by what its other ranges read.
    """
    ranges = sh.sensitivity.shape[1]
    index, factor, count = sees(sh, at, warmth)
    size = st.mean.shape[1]
    rows = np.zeros((ranges + 1, size))
    small = np.zeros((ranges + 1, ranges + 1))
    expected = np.zeros(ranges + 1)
    alpha = np.zeros(ranges + 1)
    gain = np.zeros((ranges + 1, ranges + 1))
    ordinary = np.zeros((ranges, 4))
    own2, odd2 = np.empty(ranges), np.full(ranges, sh.odd_part**2)
    now = np.empty((ranges + 1, ranges + 1))
    room = np.empty((5, ranges + 1))
    others = y.copy()
    others[place] = np.nan
    out = np.zeros((hypotheses.size, 3))
    for i in range(hypotheses.size):
        k = hypotheses[i]
        for r in range(ranges):
            own2[r] = scatter2(st, sh, k, r) + noise2[r]
        e = mixed_of(st, k)
        mixed = st.event[k, e, PLACE] if e >= 0 else -1
        share = st.share[k, 0] / (st.share[k, 0] + st.share[k, 1])
        order = order_of(st, y, index, factor, count)
        look(st, sh, k, index, factor, count, at[4], rows, small, expected)
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
        out[i, 0] = second
        look(st, sh, k, index, factor, count, at[4], rows, small, expected)
        order = order_of(st, others, index, factor, count)
        weigh(
            others,
            own2,
            odd2,
            odd_odds,
            order,
            -1,
            share,
            small,
            expected,
            alpha,
            gain,
            ordinary,
            now,
            room,
        )
        out[i, 1] = expected[place]
        out[i, 2] = small[place, place] + own2[place]
        if mixed == place:
            out[i, 1] += st.mean[k, at[4] + e]
            out[i, 2] += st.covariance[k, at[4] + e, at[4] + e]
    return out
