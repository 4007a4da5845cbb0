"""What the last digit of the meters alone does to a range error."""

from math import isnan

from config import Bench, Instrument

READINGS = 2
"""A level and its zero are both rounded."""


def resolution_ppm2(bench: Bench, *, reference: float, output: float) -> float:
    """Return the variance of a range error from the two meters' resolution, ppm2.

    Parameters
    ----------
    bench
        Its roles with their ranges.
    reference, output
        What was read, in the meters' units; NaN for nothing.

    Returns
    -------
    float
        Quantum squared over 12 for each rounded reading, as if readings of a point all
        fell on the same digit; 0 where nothing was read.
    """
    if isnan(reference) or isnan(output):
        return 0.0
    standard = bench.reference_is.standard_ohm
    seen = reference if standard is None else reference * standard
    return sum(
        READINGS * (quantum / value * 1e6) ** 2 / 12.0
        for quantum, value in (
            (_quantum(bench.reference, seen), seen),
            (_quantum(bench.output, output), output),
        )
        if value
    )


def _quantum(meter: Instrument, value: float) -> float:
    """Return the resolution of the finest range that takes a value."""
    fitting = [one for one in meter.ranges if one.full_scale >= abs(value)]
    return min((one.resolution for one in fitting), default=0.0)
