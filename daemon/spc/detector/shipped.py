"""Limits calibrated beforehand, until a product's own calibration is there."""

SHIPPED_LIMITS: dict[int, dict[int, tuple[float, float]]] = {
    500: {1: (-2.0, -1.9), 12: (-1.0, -0.9)},
    5000: {1: (0.0, 0.7), 12: (0.5, 1.0)},
}
"""Log-odds by units per false hold, then ranges: seated again when odd, or not."""
