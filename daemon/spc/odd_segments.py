"""Whether a baseline is fit to be one: each segment judged by all the others."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.spc.baseline import Segment, fit_baseline_of
from daemon.spc.errors import ShapeError
from daemon.spc.finding import Finding
from daemon.spc.layout import Layout
from daemon.spc.reel_change import ReelChangeDetector


@dataclass(frozen=True, slots=True, kw_only=True)
class OddSegment:
    """A segment that the others do not vouch for: its place, and what is odd in it."""

    index: int
    finding: Finding


def odd_segments(
    segments: Sequence[Segment],
    layout: Layout,
    *,
    log_odds_limit: float,
    variance_ppm2: Sequence[NDArray[np.float64]] | None = None,
) -> tuple[OddSegment, ...]:
    """Return the segments in which a detector finds something bad.

    Parameters
    ----------
    segments : sequence of Segment
        Candidates for a baseline, in their order.
    layout : Layout
        The product's ranges and parts.
    log_odds_limit : float
        As for a build that is watched.
    variance_ppm2 : sequence of (n, R) array, or None
        Of each segment's measurements, as its errors; None for negligible.

    Raises
    ------
    SpcError
        A variance has not the shape of its errors; else as `fit_baseline_of` and
        `ReelChangeDetector` do.

    Notes
    -----
    Each segment is watched by a detector whose baseline are all the others. Where only
    two contradict each other, the prior knowledge that ranges read about right decides;
    near nominal both may be named.

    Examples
    --------
    >>> import numpy as np
    >>> from daemon.spc.layout import layout_of
    >>> rng = np.random.default_rng(1)
    >>> good = [
    ...     Segment(errors_ppm=rng.normal(0, 150, (20, 3)), build=b, reels=("",) * 3)
    ...     for b in "1234"
    ... ]
    >>> bad = Segment(
    ...     errors_ppm=rng.normal(0, 150, (20, 3)) + [0, 4000, 0],
    ...     build="5", reels=("",) * 3,
    ... )
    >>> odd = odd_segments([*good, bad], layout_of([1000.0] * 3), log_odds_limit=3.0)
    >>> [(one.index, one.finding.range_index) for one in odd]
    [(4, 1)]
    """
    odd = []
    if variance_ppm2 is None:
        variance_ppm2 = [np.zeros_like(one.errors_ppm) for one in segments]
    told = [one.shape for one in variance_ppm2]
    wanted = [one.errors_ppm.shape for one in segments]
    if told != wanted:
        raise ShapeError(
            argument="variance_ppm2", value=f"shapes {told}", allowed=f"shapes {wanted}"
        )
    for index, (segment, own) in enumerate(zip(segments, variance_ppm2, strict=True)):
        others = [*segments[:index], *segments[index + 1 :]]
        detector = ReelChangeDetector(
            tolerance_ppm=layout.tolerance_ppm[: layout.ranges],
            baseline=fit_baseline_of(others, layout),
            log_odds_limit=log_odds_limit,
            reels=segment.reels,
            build=segment.build,
        )
        points = [
            detector.update(unit, variance)
            for unit, variance in zip(segment.errors_ppm, own, strict=True)
        ]
        if points and points[-1].finding is not None:
            odd.append(OddSegment(index=index, finding=points[-1].finding))
    return tuple(odd)
