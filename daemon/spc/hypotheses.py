"""The hypotheses that the detector weighs, as multiples of the parts' tolerance.

Sizes are what the layout's `Assumptions` say; the weights are the project's own,
chosen by simulation over the same worlds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from itertools import product

import numpy as np
from numpy.typing import NDArray

from daemon.spc.layout import Layout

Array = NDArray[np.float64]


class Cause(IntEnum):
    """What a hypothesis says has happened."""

    GOOD = 0
    REEL = 1
    MIXED = 2
    SHARED = 3
    BENCH = 4


NOWHERE = -1
"""The place of a hypothesis that concerns all ranges, or none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """What a hypothesis changes in the good state it starts from.

    Attributes
    ----------
    weight : float
        Prior weight, relative to all good mass.
    cause : Cause
    place : int
        The part, for a bench hypothesis the range, or `NOWHERE`.
    own, shared, reel : float
        Factors on standard deviations: own part of `place` (everywhere if nowhere),
        shared stage, means of new reels.
    shift : float
        Standard deviation of a shift, tolerances.
    reel_shifts : float
        Variance of an ordinary shift, in variances between reels.
    difference : float
        Mean difference of a second reel, tolerances.
    step, slope : float
        Standard deviation of a bench step, tolerances; of its drift, per unit.
    """

    weight: float
    cause: Cause
    place: int = NOWHERE
    own: float = 1.0
    shared: float = 1.0
    reel: float = 1.0
    shift: float = 0.0
    reel_shifts: float = 0.0
    difference: float = 0.0
    step: float = 0.0
    slope: float = 0.0


GOOD_IN_COMMON = (
    Hypothesis(weight=0.14, cause=Cause.GOOD),
    Hypothesis(weight=0.12, cause=Cause.GOOD, own=1.35),
    Hypothesis(weight=0.16, cause=Cause.GOOD, reel=1.7),
    Hypothesis(weight=0.07, cause=Cause.GOOD, own=1.35, reel=1.7),
    Hypothesis(weight=0.06, cause=Cause.GOOD, shared=1.6),
    Hypothesis(weight=0.16, cause=Cause.GOOD, reel=3.0),
    Hypothesis(weight=0.06, cause=Cause.GOOD, reel=4.5),
    Hypothesis(weight=0.03, cause=Cause.GOOD, own=1.8, reel=1.7),
    Hypothesis(weight=0.02, cause=Cause.GOOD, shared=2.2),
)
GOOD_WITHOUT_BASELINE = (
    Hypothesis(weight=0.10, cause=Cause.GOOD, own=2.5),
    Hypothesis(weight=0.05, cause=Cause.GOOD, own=4.0, shared=2.0),
    Hypothesis(weight=0.05, cause=Cause.GOOD, own=6.0, shared=2.0),
)
"""Parts may fill their tolerance as they like until enough units have been seen."""
GOOD_ONE_PART = Hypothesis(weight=0.18, cause=Cause.GOOD, own=1.5)

# All bad weights together are twice the good ones: only their proportions say anything,
# and so much keeps the limits above none even where false holds are accepted often.
BAD_REEL_WEIGHT = 1.20
SHIFTED_REEL_WEIGHT = 0.14
WIDE_REELS = ((0.17, 3.0), (0.28, 6.0), (0.13, 5.0))
"""Weight, and factor on the spread of the parts."""
WIDEST = 1

MIXED_WEIGHT = 0.28
MIXED_RELATIVE_SIGMA = 0.45

BAD_SHARED_WEIGHT = 0.26
SHARED_FACTORS = (1.0, 1.0, 4.0)
"""On the spread of the shared stage."""

BENCH_OPENING_WEIGHT = 0.26
BENCH_SESSION_WEIGHT = 0.026

UNRECORDED_BAD_WEIGHT = 0.004
UNRECORDED_GOOD_WEIGHT = 0.003
UNRECORDED_GOOD = (
    Hypothesis(weight=0.75, cause=Cause.GOOD, reel_shifts=2.0),
    Hypothesis(weight=0.25, cause=Cause.GOOD, reel_shifts=8.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """The same as arrays, H hypotheses.

    `own2` is (P, H): factors on the variances of the parts; `shift2` (P + 1, H):
    squared tolerances by part, last the build; `reel_shifts` (P, H): variances between
    reels; `step2` (R + 1, H): by bench range, last in common. The others are (H,).
    """

    log_weight: Array
    cause: NDArray[np.int64]
    place: NDArray[np.int64]
    own2: Array
    shared2: Array
    reel2: Array
    factor: Array
    shift2: Array
    reel_shifts: Array
    difference: Array
    step2: Array
    slope2: Array
    slope_place: NDArray[np.int64]

    @property
    def number2(self) -> Array:
        """Variance of the number that a hypothesis uses for itself, (H,)."""
        return (MIXED_RELATIVE_SIGMA * self.difference) ** 2 + self.slope2


def opening_table(layout: Layout, *, scatter_known: bool) -> Table:
    """Return every hypothesis about a build that begins.

    Unless earlier units told how parts scatter, that of one range is judged by that of
    the others, and with a single range not at all.
    """
    bad = [h for p in range(layout.parts) for h in reel_hypotheses(layout, p)]
    if layout.ranges == 1 and not scatter_known:
        bad = [h for h in bad if h.own == 1.0]
    return table_of(
        [
            *good_hypotheses(layout.parts),
            *(() if scatter_known else GOOD_WITHOUT_BASELINE),
            *bad,
            *(h for p in range(layout.parts) for h in mixed_hypotheses(layout, p)),
            *shared_hypotheses(layout),
            *bench_hypotheses(layout, BENCH_OPENING_WEIGHT / (layout.ranges + 1)),
        ],
        layout,
    )


def new_reel_table(layout: Layout, part: int) -> Table:
    """Return the bad hypotheses about a reel that a build takes in mid-stream."""
    return table_of(
        [*reel_hypotheses(layout, part), *mixed_hypotheses(layout, part)], layout
    )


def session_table(layout: Layout) -> Table:
    """Return the hypotheses about a bench that was set up anew."""
    return table_of(bench_hypotheses(layout, BENCH_SESSION_WEIGHT), layout)


def unrecorded_table(layout: Layout) -> Table:
    """Return what may happen before any unit without a record."""
    shifts = [(shift, 1.0) for shift in layout.assumed.reel_shifts]
    shifts.append((layout.assumed.wide_reel_shifts[WIDEST], WIDE_REELS[WIDEST][1]))
    bad = [
        Hypothesis(
            weight=1.0 / len(shifts),
            cause=Cause.REEL,
            shift=shift,
            own=own,
            reel_shifts=2.0,
        )
        for shift, own in shifts
    ]
    kinds = (
        (UNRECORDED_BAD_WEIGHT, bad),
        (UNRECORDED_GOOD_WEIGHT, UNRECORDED_GOOD),
    )
    return table_of(
        [
            replace(h, weight=h.weight * weight / layout.parts, place=p)
            for weight, hypotheses in kinds
            for p, h in product(range(layout.parts), hypotheses)
        ],
        layout,
    )


def good_hypotheses(parts: int) -> list[Hypothesis]:
    """Return the good hypotheses, whose weights sum to 1."""
    weight = GOOD_ONE_PART.weight / parts
    return [
        *GOOD_IN_COMMON,
        *(replace(GOOD_ONE_PART, weight=weight, place=p) for p in range(parts)),
    ]


def reel_hypotheses(layout: Layout, part: int) -> list[Hypothesis]:
    """Return the hypotheses that the reel of one part is bad."""
    share = BAD_REEL_WEIGHT / layout.parts
    kinds = [
        *((SHIFTED_REEL_WEIGHT, shift, 1.0) for shift in layout.assumed.reel_shifts),
        *(
            (weight, shift, own)
            for shift, (weight, own) in zip(
                layout.assumed.wide_reel_shifts, WIDE_REELS, strict=True
            )
        ),
    ]
    return [
        Hypothesis(
            weight=weight * share, cause=Cause.REEL, place=part, shift=shift, own=own
        )
        for weight, shift, own in kinds
    ]


def mixed_hypotheses(layout: Layout, part: int) -> list[Hypothesis]:
    """Return the hypotheses that two reels of a range's own part are mixed."""
    if part >= layout.ranges:
        return []
    sizes = [s * d for s, d in product((1.0, -1.0), layout.assumed.mixed_differences)]
    return [
        Hypothesis(
            weight=MIXED_WEIGHT / layout.ranges / len(sizes),
            cause=Cause.MIXED,
            place=part,
            difference=float(layout.ratio[part]) * size,
        )
        for size in sizes
    ]


def shared_hypotheses(layout: Layout) -> list[Hypothesis]:
    """Return the hypotheses that the shared stage is bad; none with one range.

    With a single range the shared stage and the range's own part are one.
    """
    if layout.ranges == 1:
        return []
    return [
        Hypothesis(
            weight=BAD_SHARED_WEIGHT / len(SHARED_FACTORS),
            cause=Cause.SHARED,
            shift=shift,
            shared=factor,
        )
        for shift, factor in zip(
            layout.assumed.shared_shifts, SHARED_FACTORS, strict=True
        )
    ]


def bench_hypotheses(layout: Layout, weight: float) -> list[Hypothesis]:
    """Return the hypotheses that the bench has moved, in one range or in all."""
    small, large = layout.assumed.bench_steps
    slow, fast = layout.assumed.bench_slopes
    third = Hypothesis(weight=weight / 3, cause=Cause.BENCH)
    one = [replace(third, step=small), replace(third, step=large)]
    one.append(replace(third, slope=slow))
    common = [replace(third, step=small)]
    common += [replace(third, slope=slow), replace(third, slope=fast)]
    return [
        *(replace(h, place=r) for r, h in product(range(layout.ranges), one)),
        *(common if layout.ranges > 1 else []),
    ]


def table_of(hypotheses: Sequence[Hypothesis], layout: Layout) -> Table:
    """Return the hypotheses as arrays for one layout."""
    count = len(hypotheses)
    parts = layout.parts
    own2 = np.ones((parts, count))
    shift2 = np.zeros((parts + 1, count))
    reel_shifts = np.zeros((parts, count))
    step2 = np.zeros((layout.ranges + 1, count))
    for column, h in enumerate(hypotheses):
        at = slice(None) if h.place == NOWHERE else slice(h.place, h.place + 1)
        if h.cause == Cause.BENCH:
            step2[h.place, column] = h.step**2
            continue
        own2[at, column] = h.own**2
        ratio = 1.0 if h.place == NOWHERE else float(layout.ratio[h.place])
        shift2[h.place, column] = (h.shift * ratio) ** 2
        if h.place != NOWHERE:
            reel_shifts[h.place, column] = h.reel_shifts
    place = np.array([h.place for h in hypotheses], dtype=np.int64)
    sloping = np.array([h.slope > 0 for h in hypotheses], dtype=np.bool_)
    return Table(
        log_weight=np.log([h.weight for h in hypotheses]),
        cause=np.array([h.cause for h in hypotheses], dtype=np.int64),
        place=place,
        own2=own2,
        shared2=np.array([h.shared**2 for h in hypotheses]),
        reel2=np.array([h.reel**2 for h in hypotheses]),
        factor=np.array(
            [h.shared if h.cause == Cause.SHARED else h.own for h in hypotheses]
        ),
        shift2=shift2,
        reel_shifts=reel_shifts,
        difference=np.array([h.difference for h in hypotheses]),
        step2=step2,
        slope2=np.array([h.slope**2 for h in hypotheses]),
        slope_place=np.where(
            sloping, np.where(place == NOWHERE, layout.ranges, place), NOWHERE
        ),
    )
