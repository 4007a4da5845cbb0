"""Limits calibrated beforehand."""

SHIPPED_LIMITS: dict[int, dict[tuple[int, int], float]] = {
    500: {(4, 0): 1.5},
    5000: {(4, 0): 3.0},
}
