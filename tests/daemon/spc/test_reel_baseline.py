"""The baseline: what earlier reels and builds teach."""

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.spc.baseline import Segment, fit_baseline
from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError, SpcError
from daemon.spc.layout import CommonPart, layout_of
from daemon.spc.worlds import World, draw

Array = NDArray[np.float64]

TOLERANCE = np.full(4, 1000.0)
NAMES = ("a", "b", "c", "d")


def segment(
    errors_ppm: Array, *, build: str = "1", reels: tuple[str, ...] = NAMES
) -> Segment:
    """Return a segment."""
    return Segment(errors_ppm=errors_ppm, build=build, reels=reels)


def good_units(n: int, seed: int, ranges: int = 4) -> Array:
    """Return n good units."""
    rng = np.random.default_rng(seed)
    return rng.normal(0, 150, (n, ranges)) + rng.normal(0, 100, (n, 1))


def test_the_priors_alone_speak_without_segments() -> None:
    baseline = fit_baseline([], TOLERANCE)
    prior = baseline.level_prior()
    assert prior.new.all()
    assert prior.mean.tolist() == [0.0] * 9
    # mean 0.4, reel 0.15 and build 0.1 of the tolerance add in squares
    level = prior.covariance[5:, 5:]
    np.testing.assert_allclose(np.diag(level), 1e6 * (0.4**2 + 0.15**2 + 0.1**2))
    np.testing.assert_allclose(level[0, 1], 1e6 * 0.1**2)


def test_levels_follow_from_gaussian_conditioning_written_out_in_full() -> None:
    """Two segments of one build and one of another; a reel fitted in both builds."""
    segments = [
        segment(good_units(12, 1), build="1", reels=("a", "b", "c", "d")),
        segment(good_units(9, 2) + 200, build="1", reels=("e", "b", "c", "d")),
        segment(good_units(15, 3) - 100, build="2", reels=("a", "b", "f", "g")),
    ]
    baseline = fit_baseline(segments, TOLERANCE)
    prior = baseline.level_prior(reels=("a", "x", "f", "d"), build="3")
    assert prior.new.tolist() == [False, True, False, False]
    # covariance of every segment mean and of the wanted levels, term by term
    uses = [(s.build, s.reels) for s in segments] + [("3", ("a", "x", "f", "d"))]
    sizes = [len(s.errors_ppm) for s in segments]
    size = 4 * len(uses)
    joint = np.zeros((size, size))
    for i, (build_i, reels_i) in enumerate(uses):
        for j, (build_j, reels_j) in enumerate(uses):
            for r in range(4):
                for s in range(4):
                    term = 0.0
                    if r == s:
                        term += 400.0**2
                        same = reels_i[r] == reels_j[s]
                        term += baseline.reel_sigma_ppm[r] ** 2 * same
                    if build_i == build_j:
                        term += baseline.build_sigma_ppm**2
                    if i == j and i < len(sizes):
                        term += baseline.shared_sigma_ppm**2 / sizes[i]
                        term += (r == s) * baseline.sigma_ppm[r] ** 2 / sizes[i]
                    joint[4 * i + r, 4 * j + s] = term
    means = np.concatenate([np.mean(s.errors_ppm, axis=0) for s in segments])
    gain = joint[12:, :12] @ np.linalg.inv(joint[:12, :12])
    # the fit's segment means are robust ones: compare what does not depend on them
    expected = joint[12:, 12:] - gain @ joint[:12, 12:]
    np.testing.assert_allclose(prior.covariance[5:, 5:], expected, rtol=1e-6, atol=1e-3)
    np.testing.assert_allclose(prior.mean[5:], gain @ means, atol=15.0)


def test_a_reel_that_was_seen_is_known_and_a_new_one_is_not() -> None:
    units = good_units(30, 4)
    units[:, 1] += 400
    baseline = fit_baseline([segment(units)], TOLERANCE)
    same = baseline.level_prior(reels=NAMES, build="2")
    other = baseline.level_prior(reels=("a", "new", "c", "d"), build="2")
    assert same.mean[6] == pytest.approx(400, abs=80)
    assert same.covariance[6, 6] < 0.6 * other.covariance[6, 6]


@pytest.mark.parametrize("ranges", [2, 4])
def test_scatter_is_recovered_from_many_units(ranges: int) -> None:
    """Own part 150 ppm, shared 120 ppm.

    The own part's core is a little narrower than all of it, because the model also
    holds 5 % of tails 2.5 times as wide possible.
    """
    world = World(name="plain", own=0.15, shared=0.12)
    drawn = draw(
        world,
        layout_of([1000.0] * ranges),
        segment_units=(400, 400, 400),
        build_units=1,
        replicates=8,
        rng=np.random.default_rng(6),
    )
    fits = [fit_baseline(one, [1000.0] * ranges) for one in drawn.segments]
    own = np.mean([one.sigma_ppm for one in fits])
    shared = np.mean([one.shared_sigma_ppm for one in fits])
    assert 150.0 / (0.95 + 0.05 * 6.25) ** 0.5 < own < 150.0
    assert shared == pytest.approx(120.0, rel=0.05)


def test_scatter_of_reels_is_recovered_and_capped() -> None:
    def fitted(reel: float) -> float:
        world = World(name="plain", reel=reel)
        drawn = draw(
            world,
            layout_of(TOLERANCE),
            segment_units=(10,) * 40,
            build_units=1,
            replicates=1,
            rng=np.random.default_rng(7),
        )
        return float(fit_baseline(drawn.segments[0], TOLERANCE).reel_sigma_ppm[0])

    assert fitted(0.3) == pytest.approx(300.0, rel=0.15)
    assert fitted(3.0) == pytest.approx(600.0)


def test_one_odd_part_hardly_moves_the_baseline() -> None:
    units = good_units(30, 8)
    clean = fit_baseline([segment(units)], TOLERANCE)
    units[7, 2] += 5000
    odd = fit_baseline([segment(units)], TOLERANCE)
    assert odd.sigma_ppm[2] < 1.35 * clean.sigma_ppm[2]
    assert abs(odd.level_prior().mean[7] - clean.level_prior().mean[7]) < 60


def test_ranges_that_were_not_measured_leave_the_prior() -> None:
    units = good_units(30, 9)
    units[:, 3] = np.nan
    baseline = fit_baseline([segment(units)], TOLERANCE)
    prior = baseline.level_prior(reels=NAMES, build="1")
    assert prior.covariance[8, 8] > 10 * prior.covariance[5, 5]


def test_constant_data_leave_a_positive_scatter() -> None:
    baseline = fit_baseline([segment(np.full((20, 4), 37.0))], TOLERANCE)
    assert (baseline.sigma_ppm > 10).all()
    assert baseline.shared_sigma_ppm > 10


def test_one_range_shares_its_scatter_between_own_and_common() -> None:
    rng = np.random.default_rng(10)
    units = rng.normal(0, 200, (300, 1))
    baseline = fit_baseline([segment(units, reels=("a",))], [1000.0])
    total = baseline.sigma_ppm[0] ** 2 + baseline.shared_sigma_ppm**2
    assert total**0.5 == pytest.approx(200, rel=0.1)


def test_a_common_part_s_scatter_is_told_from_the_ranges_own() -> None:
    rng = np.random.default_rng(11)
    common = rng.normal(0, 300, (600, 1)) * [1.0, 0.5, 0.0, 0.0]
    units = good_units(600, 12) + common
    part = CommonPart(tolerance_ppm=2000.0, sensitivity=(1.0, 0.5, 0.0, 0.0))
    baseline = fit_baseline([segment(units, reels=(*NAMES, "k"))], TOLERANCE, [part])
    assert baseline.sigma_ppm[4] == pytest.approx(300, rel=0.1)
    np.testing.assert_allclose(baseline.sigma_ppm[:4], 150, rtol=0.15)


@pytest.mark.parametrize("bad", [0.0, -1.0, np.nan, np.inf])
def test_a_tolerance_that_is_not_positive_is_refused(bad: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"tolerance_ppm\[1\]"):
        fit_baseline([], [1000.0, bad])


def test_what_does_not_fit_the_product_is_refused() -> None:
    units = good_units(5, 13)
    with pytest.raises(ShapeError, match="errors_ppm"):
        fit_baseline([segment(units[:, :3])], TOLERANCE)
    with pytest.raises(ShapeError, match="reels"):
        fit_baseline([segment(units, reels=("a",))], TOLERANCE)
    with pytest.raises(NotFiniteError, match="infinity"):
        fit_baseline([segment(np.where(units > 0, np.inf, units))], TOLERANCE)
    with pytest.raises(ShapeError, match="reels"):
        fit_baseline([], TOLERANCE).level_prior(reels=("a",))
    with pytest.raises(SpcError, match="sensitivity"):
        fit_baseline([], TOLERANCE, [CommonPart(tolerance_ppm=1, sensitivity=(1,))])
    own = CommonPart(tolerance_ppm=1, sensitivity=(1, 0, 0, 0))
    with pytest.raises(SpcError, match="two ranges"):
        fit_baseline([], TOLERANCE, [own])
