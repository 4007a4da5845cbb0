"""Limits calibrated beforehand, until a product's own calibration is there.

From `calibrate.good_maxima`: 1024 good builds of 100 units in each of the six worlds of
the family (seeds 11 and 12, the larger of both), every build with new reels and one
more recorded on its way; histories of none, 1 x 10, 2 x 10 and 3 x 20 units. Rounded
up, with 0.1 to 0.2 on top for the Monte-Carlo error of a 2 % quantile. Four ranges
after 2 x 10 were drawn once more (seed 31), which asked for 1.8 where 1.6 had stood.
"""

SHIPPED_LIMITS: dict[int, dict[int, tuple[float, ...]]] = {
    500: {
        1: (0.1, 0.1, 0.1, 0.1),
        2: (0.6, 0.3, 0.1, 0.1),
        4: (0.1, 0.1, 0.1, 0.1),
        6: (0.1, 0.1, 0.1, 0.1),
    },
    5000: {
        1: (5.6, 2.3, 2.1, 1.7),
        2: (3.8, 2.6, 2.1, 1.6),
        4: (2.0, 2.3, 2.0, 1.4),
        6: (1.5, 2.2, 1.8, 1.8),
    },
}
"""Log-odds by units per false hold, then ranges, then builds in the history."""
