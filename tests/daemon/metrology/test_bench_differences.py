"""Two benches beside one another: their difference, and whose a finding is."""

from math import sqrt

import numpy as np
import pytest

from daemon.metrology import (
    MetrologyError,
    StandardReading,
    bench_or_product,
    between_benches,
)


def checks(*errors_ppm: float, own_ppm: float = 6.0) -> list[StandardReading]:
    return [
        StandardReading(error_ppm=one, uncertainty_ppm=50.0, own_ppm=own_ppm)
        for one in errors_ppm
    ]


@pytest.mark.source(
    "JCGM 100:2008, 4.2.3 and 5.1.2: of a mean s / sqrt(n), in quadrature; by hand"
)
def test_a_difference_is_known_as_well_as_checks_repeat() -> None:
    found = between_benches(checks(300.0, 320.0), checks(100.0, 100.0, own_ppm=8.0))
    # s of 300 and 320 is 14.142, of the mean 10; the other's is stated: 8 / sqrt(2).
    assert found.difference_ppm == pytest.approx(210.0)
    assert found.uncertainty_ppm == pytest.approx(2 * sqrt(10.0**2 + 32.0))
    shared = 50.0**2 - 6.0**2 + 50.0**2 - 8.0**2
    assert found.allowed_ppm == pytest.approx(2 * sqrt(10.0**2 + 32.0 + shared))
    assert found.differs
    assert found.normalized == pytest.approx(210.0 / found.allowed_ppm)


@pytest.mark.source("ISO 13528:2022, 9.7, E_n: above 1 in few of 100; from memory")
def test_benches_that_are_as_they_state_seldom_contradict_each_other() -> None:
    chance = np.random.default_rng(11)
    above = 0
    for _ in range(2000):
        bench_ppm = chance.normal(0.0, sqrt(50.0**2 - 6.0**2), 2)
        read = [checks(*(one + chance.normal(0.0, 6.0, 4))) for one in bench_ppm]
        above += between_benches(read[0], read[1]).normalized > 1
    # Beyond two standard deviations of a normal: 4.55 %.
    assert 0.03 < above / 2000 < 0.06


def test_a_bench_without_checks_is_not_compared() -> None:
    with pytest.raises(MetrologyError, match="without checks"):
        between_benches(checks(1.0), [])


def drawn(seed: int, *, bench_ppm: float, parts_ppm: float) -> bool | None:
    """Return whether the bench is named; None where nobody is."""
    chance = np.random.default_rng(seed)
    said = bench_or_product(
        2000.0,
        100.0,
        here=list(chance.normal(bench_ppm + parts_ppm, 200.0, 5)),
        there=list(chance.normal(parts_ppm, 200.0, 4)),
        others=[list(chance.normal(0.0, 200.0, 6))],
    )
    assert said is not None
    if said.is_neither or abs(said.log_odds) < 3:
        return None
    return said.log_odds > 0


@pytest.mark.parametrize("bench", [True, False])
def test_the_bench_is_told_from_the_parts_and_never_the_other_way(
    *, bench: bool
) -> None:
    off = {"bench_ppm": 2000.0 * bench, "parts_ppm": 2000.0 * (not bench)}
    named = [drawn(seed, **off) for seed in range(300)]
    assert named.count(not bench) == 0
    assert named.count(bench) > 290


def test_half_of_either_is_neither() -> None:
    found = bench_or_product(
        2000.0, 10.0, here=[2010.0, 1990.0, 2000.0], there=[1010.0, 990.0, 1000.0]
    )
    assert found is not None
    assert found.is_neither


@pytest.mark.parametrize(
    ("here", "there"), [([], [1.0, 2.0, 3.0, 4.0]), ([1.0, 2.0, 3.0, 4.0], []),
                        ([2000.0], [0.0]), ([2000.0, 2010.0], [0.0, 5.0])],
)  # fmt: skip
def test_too_few_units_tell_nothing(here: list[float], there: list[float]) -> None:
    assert bench_or_product(2000.0, 10.0, here=here, there=there) is None
