"""What a measurement says about the causes of a finding."""

from math import erf, inf, nan, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, strategies as st

from daemon.spc.causes import (
    CAUSES,
    RESPONDS,
    SLIP,
    Measured,
    Way,
    bayes_factors,
    expected_largest,
    settling,
    update,
)
from daemon.spc.errors import NotFiniteError, OutOfRangeError

SIZE: dict[str, Any] = {"size_ppm": 3000.0, "size_sd_ppm": 80.0}
EVEN = dict.fromkeys(CAUSES, 0.25)


def measured(way: Way, off_ppm: float, **changes: float) -> Measured:
    """Return one reading, good to 100 ppm."""
    values: dict[str, Any] = {"scatter_ppm": 0.0, "uncertainty_ppm": 100.0, **changes}
    return Measured(way=way, off_ppm=off_ppm, readings=1, **values)


@pytest.mark.source(
    "Bayes' rule with normal densities and a uniform one, written out (JCGM 101, 6.2)"
)
def test_the_factor_is_a_ratio_of_two_mixed_densities() -> None:
    found = bayes_factors(measured(Way.CHECK_STANDARD, 400.0), **SIZE)
    slip = SLIP / (2 * 5 * 3100.0)

    def interval(mean: float, sd: float) -> float:
        """Return the density as a difference of the distribution function."""
        z = [(400.0 + step - mean) / (sd * sqrt(2)) for step in (-0.5, 0.5)]
        return (1 - SLIP) * (erf(z[1]) - erf(z[0])) / 2 + slip

    expected = interval(3000.0, sqrt(100.0**2 + 80.0**2)) / interval(0.0, 100.0)
    assert found["bench"] == pytest.approx(expected, rel=1e-3)
    assert found["reel"] == found["unit"] == found["shared stage"] == 1.0


@pytest.mark.parametrize(
    ("way", "moved"), [(way, moved) for way in Way for moved in (True, False)]
)
def test_a_reading_speaks_for_the_causes_that_it_responds_to(
    way: Way, moved: bool
) -> None:
    after = update(EVEN, [measured(way, 3000.0 if moved else 0.0)], **SIZE)
    responding = sum(after[cause] for cause in RESPONDS[way])
    assert (responding > 0.95) == moved
    assert (responding < 0.05) == (not moved)


def test_three_measurements_single_out_the_reel() -> None:
    seen = [
        measured(Way.CHECK_STANDARD, 20.0),
        measured(Way.OLDER_UNIT, -30.0),
        Measured(
            way=Way.LOOSE_PARTS,
            off_ppm=3050.0,
            readings=2,
            scatter_ppm=150.0,
            uncertainty_ppm=280.0,
        ),
    ]
    after = update(EVEN, seen, **SIZE)
    assert after["reel"] > 0.95


def test_one_slip_never_settles_alone_what_the_finding_was_sure_of() -> None:
    sure = {"reel": 0.9999, "bench": 0.0001, "shared stage": 0.0, "unit": 0.0}
    absurd = measured(Way.LOOSE_PARTS, 12_000.0)
    assert update(sure, [absurd], **SIZE)["reel"] > 0.99


@given(
    off=st.lists(st.floats(-20_000, 20_000), min_size=1, max_size=5),
    shares=st.lists(st.floats(0.01, 1.0), min_size=4, max_size=4),
)
def test_order_does_not_matter_and_shares_add_to_one(
    off: list[float], shares: list[float]
) -> None:
    prior = dict(zip(CAUSES, shares, strict=True))
    ways = list(Way)
    seen = [measured(ways[i % len(ways)], x) for i, x in enumerate(off)]
    forward = update(prior, seen, **SIZE)
    assert sum(forward.values()) == pytest.approx(1.0)
    assert forward == pytest.approx(update(prior, seen[::-1], **SIZE))


@given(scale=st.floats(0.1, 100.0), off=st.floats(-6_000, 6_000))
def test_scaling_everything_changes_no_probability(scale: float, off: float) -> None:
    one = update(EVEN, [measured(Way.FOUR_WIRE, off)], **SIZE)
    scaled = update(
        EVEN,
        [measured(Way.FOUR_WIRE, scale * off, uncertainty_ppm=scale * 100.0)],
        size_ppm=scale * 3000.0,
        size_sd_ppm=scale * 80.0,
    )
    assert scaled == pytest.approx(one, rel=1e-6)


@pytest.mark.parametrize("way", list(Way))
def test_a_measurement_never_makes_one_less_sure_on_average(way: Way) -> None:
    after = expected_largest(EVEN, measured(way, 0.0), **SIZE)
    assert after >= 0.25


def test_the_most_telling_measurement_comes_first_and_none_once_settled() -> None:
    ways = [measured(way, 0.0) for way in Way]
    bench_or_reel = {"reel": 0.5, "bench": 0.5, "shared stage": 0.0, "unit": 0.0}
    best = settling(bench_or_reel, ways, **SIZE)
    assert best[0][1] > 0.95
    reel_or_unit = {"reel": 0.5, "unit": 0.5, "bench": 0.0, "shared stage": 0.0}
    assert [way for way, _ in settling(reel_or_unit, ways, **SIZE)] == [Way.LOOSE_PARTS]
    assert settling({"reel": 0.99, "bench": 0.01}, ways, **SIZE) == []


METER_PPM = 1500.0
DRAWS = 120


def by_one_meter(way: Way, off_ppm: float, **changes: Any) -> Measured:
    """Return one reading by a meter of which little is known, and sharply read."""
    return Measured(
        way=way, off_ppm=off_ppm, readings=1, scatter_ppm=0.0, uncertainty_ppm=100.0,
        shared={"meter": METER_PPM, **changes},
    )  # fmt: skip


def test_one_meter_read_eight_times_proves_no_more_than_the_meter_allows() -> None:
    """Taken as eight meters it would be as good as sure."""
    prior = {"reel": 0.5, "bench": 0.5}
    one = by_one_meter(Way.FOUR_WIRE, 3000.0)
    exact = Measured(
        way=Way.FOUR_WIRE, off_ppm=3000.0, readings=1, scatter_ppm=0.0,
        uncertainty_ppm=1e-6, shared={"meter": METER_PPM},
    )  # fmt: skip
    ceiling = update(prior, [exact], **SIZE)["reel"]
    found = update(prior, [one] * 8, **SIZE)["reel"]
    assert found <= ceiling + 1e-3
    apart = measured(Way.FOUR_WIRE, 3000.0, uncertainty_ppm=METER_PPM)
    assert update(prior, [apart] * 8, **SIZE)["reel"] > ceiling + 0.05


def test_the_level_of_a_reel_is_one_for_its_loose_parts_and_the_part_fitted() -> None:
    """A good reel of another level reads off in both: that is no second witness."""
    prior = {"reel": 0.5, "bench": 0.5}
    level = {"level": 1500.0}

    def read(way: Way, shared: dict[str, float]) -> Measured:
        return Measured(
            way=way, off_ppm=3000.0, readings=1, scatter_ppm=0.0,
            uncertainty_ppm=100.0, shared=shared,
        )  # fmt: skip

    loose, fitted = read(Way.LOOSE_PARTS, level), read(Way.FOUR_WIRE, level)
    other = read(Way.FOUR_WIRE, {"level of another": 1500.0})
    together = update(prior, [loose, fitted], **SIZE)["reel"]
    assert together < update(prior, [loose, other], **SIZE)["reel"] - 0.03


def test_one_slip_among_several_readings_does_not_spoil_them() -> None:
    prior = {"reel": 0.5, "bench": 0.5}
    shared = {"meter": 200.0}
    seen = [
        Measured(
            way=Way.FOUR_WIRE, off_ppm=off_ppm, readings=1, scatter_ppm=0.0,
            uncertainty_ppm=50.0, shared=shared,
        )
        for off_ppm in (3010.0, -9000.0, 2990.0)
    ]  # fmt: skip
    assert update(prior, seen, **SIZE)["reel"] > 0.95


@pytest.mark.parametrize("earlier", [0, 1, pytest.param(3, marks=pytest.mark.bench)])
@pytest.mark.parametrize("meter_ppm", [300.0, 1500.0])
def test_what_is_promised_is_what_is_reached_on_average(
    earlier: int, meter_ppm: float
) -> None:
    """Readings drawn as the model says, some slips, the same meter each time."""
    draw = np.random.default_rng(20261129)
    prior = {"reel": 0.45, "unit": 0.2, "bench": 0.35, "shared stage": 0.0}
    own_ppm = 100.0

    def read(off_ppm: float) -> Measured:
        return Measured(
            way=Way.LOOSE_PARTS, off_ppm=off_ppm, readings=1, scatter_ppm=0.0,
            uncertainty_ppm=own_ppm, shared={"meter": meter_ppm},
        )  # fmt: skip

    promised, reached = [], []
    for _ in range(DRAWS):
        cause = draw.choice(list(prior), p=list(prior.values()))
        true = draw.normal(3000.0, 80.0) if cause == "reel" else 0.0
        together = draw.normal(0.0, meter_ppm)
        slips = draw.random() < SLIP
        if slips:
            true, together = 0.0, draw.uniform(-1.0, 1.0) * 5 * 3000.0
        seen = [
            read(true + together + draw.normal(0.0, own_ppm))
            for _ in range(earlier + 1)
        ]
        promised.append(expected_largest(prior, read(0.0), measured=seen[:-1], **SIZE))
        reached.append(max(update(prior, seen, **SIZE).values()))
    difference = np.array(promised) - np.array(reached)
    # Two standard deviations of the mean of so many draws beside it.
    assert abs(difference.mean()) < 0.02 + 2 * difference.std() / DRAWS**0.5


@pytest.mark.parametrize("wrong", [nan, inf])
def test_what_is_not_finite_is_refused(wrong: float) -> None:
    with pytest.raises(NotFiniteError, match="off_ppm"):
        measured(Way.FOUR_WIRE, wrong)
    with pytest.raises(NotFiniteError, match="size_ppm"):
        bayes_factors(measured(Way.FOUR_WIRE, 0.0), size_ppm=wrong, size_sd_ppm=1.0)


@pytest.mark.parametrize(
    "prior", [{}, {"reel": 0.0}, {"weather": 1.0}, {"reel": -0.1, "bench": 1.1}]
)
def test_impossible_causes_are_refused(prior: dict[str, float]) -> None:
    with pytest.raises(OutOfRangeError):
        update(prior, [], **SIZE)
