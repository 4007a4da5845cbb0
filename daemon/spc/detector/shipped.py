"""Limits calibrated beforehand, until a product's own calibration is there.

From `calibrate.good_maxima` and `limit_of`, seed 11: lives of three builds of 100 units
in each of the six worlds of the family, the seven habits in turn, the product's first
build among them; parts of one tolerance, error limits far away. Builds a world: 1080
with four ranges, 810 with eight, 720 else; rounded up to a tenth, and never under
`calibrate.least_limit`. A product of more ranges goes by the last row until its own
limits are worked out.
"""

SHIPPED_LIMITS: dict[int, dict[int, tuple[float, float]]] = {
    500: {1: (-2.4, -2.4), 2: (-2.5, -2.4), 4: (-2.3, -2.3), 8: (-1.6, -1.6)},
    5000: {1: (-0.1, 0.8), 2: (0.4, 0.6), 4: (-0.1, 0.6), 8: (0.4, 1.5)},
}
"""Log-odds by units per false hold, then ranges: seated again when odd, or not."""
