"""Limits calibrated beforehand, until a product's own calibration is there.

From `calibrate.good_maxima`: good builds of 100 units in each of the six worlds of the
family, every build with new reels and one more recorded on its way; histories of none,
1 x 10, 2 x 10 and 3 x 20 units. 1024 builds a world for one and two ranges and, with
seeds 11 and 12 (the larger of both), for four ranges after 1 x 10 and 2 x 10; 512 for
four ranges otherwise, 320 for six. Rounded up, with 0.1 to 0.4 on top for the
Monte-Carlo error of a 2 % quantile, the more the fewer were drawn.
"""

SHIPPED_LIMITS: dict[int, dict[int, tuple[float, ...]]] = {
    500: {
        1: (1.2, 0.6, 0.7, 0.5),
        2: (1.3, 0.7, 0.8, 0.7),
        4: (0.5, 0.6, 0.6, 0.6),
        6: (0.5, 0.5, 0.7, 0.6),
    },
    5000: {
        1: (8.4, 2.8, 3.5, 2.2),
        2: (4.0, 2.6, 2.5, 2.1),
        4: (2.8, 2.5, 2.2, 2.1),
        6: (2.7, 2.6, 2.8, 2.8),
    },
}
"""Log-odds by units per false hold, then ranges, then builds in the history."""
