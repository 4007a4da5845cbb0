"""Limits calibrated beforehand, until a product's own calibration is there.

From `calibrate.good_maxima` and `limit_of`, seed 11: lives of three builds of 100 units
in each of the six worlds of the family, the seven habits in turn, the product's first
build among them; parts of one tolerance, error limits far away, four ranges. 1080
builds a world; rounded up to a tenth. Products of fewer or more ranges go by them too,
never under their own `calibrate.least_limit`, until their own are worked out.
"""

SHIPPED_LIMITS: dict[int, dict[int, tuple[float, float]]] = {
    500: {4: (-2.3, -2.3)},
    5000: {4: (-0.2, 0.7)},
}
"""Log-odds by units per false hold, then ranges: seated again when odd, or not."""
