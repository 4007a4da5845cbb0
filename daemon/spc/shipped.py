"""Limits calibrated beforehand, until a product's own calibration is there.

From `calibrate.good_maxima` and `limit_of`, seed 11: good builds of 100 units in each
of the six worlds of the family, every build with new reels and one more recorded on its
way; histories of none, 1 x 10, 2 x 10 and 3 x 20 units. 2000 builds a world, 1024 for
six ranges; rounded up to a tenth.
"""

SHIPPED_LIMITS: dict[int, dict[int, tuple[float, ...]]] = {
    500: {
        1: (1.1, 0.4, 0.6, 0.5),
        2: (1.5, 0.6, 0.7, 0.6),
        4: (0.6, 0.5, 0.6, 0.5),
        6: (0.5, 0.5, 0.6, 0.6),
    },
    5000: {
        1: (9.2, 3.0, 4.4, 2.0),
        2: (4.9, 2.5, 2.4, 2.1),
        4: (3.5, 2.4, 2.2, 2.1),
        6: (3.2, 3.1, 2.8, 2.8),
    },
}
"""Log-odds by units per false hold, then ranges, then builds in the history."""
