"""NIST StRD univariate sets through the mean and deviation of readings."""

import pytest

from daemon.metrology.uncertainty import type_a
from tests.reference_values import Entry


def readings(entry: Entry) -> list[float]:
    """Return the data, written out or built by the rule of the entry."""
    if "x" in entry.inputs:
        return list(entry.inputs["x"])
    first = entry.inputs["b"]
    # One decimal, as the data file writes them.
    pair = [round(first - 0.1, 1), round(first + 0.1, 1)]
    return [first, *(pair * ((entry.inputs["n"] - 1) // 2))]


@pytest.mark.reference(
    "08b_nist_strd",
    "strd.Lottery",
    "strd.Mavro",
    "strd.Michelso",
    "strd.NumAcc1",
    "strd.NumAcc2",
    "strd.NumAcc3",
    "strd.NumAcc4",
)
def test_mean_and_deviation_to_the_certified_digits(entry: Entry) -> None:
    series = type_a(readings(entry))
    entry.check("mean", series.mean)
    entry.check("sd", series.deviation)
