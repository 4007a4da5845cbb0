"""The makers of the study of years: what they read is what is true of them."""

from dataclasses import replace
from math import isnan

import numpy as np
import pytest

from config.load import fingerprint
from daemon.judging.product import ProductModel
from daemon.judging.verdict import Judge
from tests.studies.makers import (
    FAULTS,
    WIDE,
    Line,
    Maker,
    draw,
    fault_of,
    settings_of,
)
from tests.studies.tally import Tally, tally
from tests.studies.year import BuildOfYear, FindingOfYear, Year
from tests.studies.years import live

MAKERS = 200
QUIET = replace(draw(np.random.default_rng(4)), tailed=False, slips=0.0)


def drawn() -> list[Maker]:
    return [draw(np.random.default_rng([seed, 12])) for seed in range(MAKERS)]


def test_makers_are_as_various_as_they_should_be() -> None:
    makers = drawn()
    assert {one.ranges for one in makers} == set(range(1, 9))
    assert {one.tolerance_ppm for one in makers} == {1e3, 1e4}
    assert {one.bench for one in makers} == {"laboratory", "handheld"}
    assert all(1.5 <= one.limit <= 6.0 for one in makers)
    assert all(8 <= one.builds <= 14 for one in makers)
    assert all(
        2 <= one.session_units[0] <= one.session_units[1] <= 25 for one in makers
    )
    assert all(abs(mean) <= one.limit / 6.0 for one in makers for mean in one.mean)


@pytest.mark.parametrize("seed", range(6))
def test_the_recorded_error_is_what_the_bench_read_of_the_truth(seed: int) -> None:
    """Truth, offset and noise in ppm; the noise is what the program knows of it."""
    maker = draw(np.random.default_rng(seed))
    settings = settings_of(maker, accepted=5000)
    assert fingerprint(settings)[0]
    assert settings.bench is not None
    line, twin = (Line(maker, np.random.default_rng(7)) for _ in range(2))
    for one in (line, twin):
        one.new_build()
        one.assemble("PA-1")
    wanted = {
        f"range {place + 1}": error * maker.tolerance_ppm
        for place, error in enumerate(twin.errors("PA-1"))
        if not isnan(error)
    }
    judge = Judge(
        ProductModel.of(settings.product), settings.bench, settings.plan.judging
    )
    found = {
        one.range: judge.unit("run", one, {}) for one in line.unit("PA-1", at_s=0.0)
    }
    assert {key: one.error_ppm for key, one in found.items()} == pytest.approx(
        wanted, abs=1e-3
    )
    assert [one.own_uncertainty_ppm for one in found.values()] == pytest.approx(
        [maker.noise * maker.tolerance_ppm] * len(found), rel=0.01
    )


def test_a_good_reel_is_never_beyond_half_the_error_limit() -> None:
    tight = replace(QUIET, limit=1.5, tau=0.7)
    line = Line(tight, np.random.default_rng(1))
    levels = [line.good_reel().level for _ in range(500)]
    assert max(abs(one) for one in levels) <= 0.75
    assert max(abs(one) for one in levels) > 0.6


def test_faults_are_of_at_least_half_the_error_limit_but_for_the_benchs() -> None:
    rng = np.random.default_rng(5)
    maker = replace(QUIET, ranges=4)
    faults = [fault_of(maker, 40, rng, bench=True) for _ in range(400)]
    assert {one.kind for one in faults} == set(FAULTS)
    for one in faults:
        assert 0 <= one.first < 36
        if one.kind != "bench":
            assert all(abs(size) >= maker.limit / 2.0 for size in one.sizes)
        assert all(abs(size) <= 3.0 * maker.limit for size in one.sizes)
    assert {len(one.ranges) for one in faults if one.kind == "two reels"} == {2}
    assert not {
        fault_of(replace(maker, ranges=1), 40, rng, bench=False).kind
        for _ in range(100)
    } & {"two reels", "bench"}


def test_each_reel_does_what_its_fault_says() -> None:
    line = Line(
        replace(QUIET, ranges=1, mean=(0.0,), shared=0.0), np.random.default_rng(2)
    )
    line.new_build()
    usual = spread(line, units=400)
    for kind, size in (("reel", 3.0), ("wide reel", 3.0), ("mixed reel", 3.0)):
        line.fit(0, line.bad_reel(kind, size))
        mean, sigma = spread(line, units=400)
        near = 4.0 * sigma / 20.0
        if kind == "reel":
            assert mean == pytest.approx(3.0 + line.stage, abs=near)
        if kind == "wide reel":
            assert sigma == pytest.approx(WIDE * usual[1], rel=0.2)
        if kind == "mixed reel":
            # half of the parts lie 3 T away: a standard deviation of 1.5 T
            assert sigma == pytest.approx(np.hypot(1.5, usual[1]), rel=0.1)
    line.fit(0, line.bad_reel("drifting reel", -1.0))
    first, last = spread(line, units=50), spread(line, units=50)
    # 30 ppm a unit where T is 1000 ppm: fifty units later 1.5 T lower
    assert last[0] - first[0] == pytest.approx(-1.5, abs=8.0 * usual[1] / 7.0)


def spread(line: Line, *, units: int) -> tuple[float, float]:
    """Return mean and standard deviation of the first range over new units, T."""
    serials = [f"{line.numbered}-{len(line.true)}-{n}" for n in range(units)]
    for serial in serials:
        line.assemble(serial)
    errors = np.array([line.true[serial][0] for serial in serials])
    return float(np.nanmean(errors)), float(np.nanstd(errors))


def test_a_slip_is_gone_when_the_unit_is_seated_again() -> None:
    line = Line(replace(QUIET, slips=1.0), np.random.default_rng(3))
    line.new_build()
    line.assemble("PA-1")
    place, size = line.slips["PA-1"]
    first, second = line.errors("PA-1"), line.errors("PA-1")
    assert first[place] - second[place] == pytest.approx(size, abs=8.0 * QUIET.noise)
    assert 1.0 <= abs(size) <= 6.0


def build_of(**values: object) -> BuildOfYear:
    usual = {"build": "B-1", "units": 30, "imported": False, "shuffled": False}
    return BuildOfYear(**(usual | values))  # type: ignore[arg-type]


def test_builds_are_counted_by_when_they_were_held() -> None:
    builds = [
        build_of(),
        build_of(held_at=7, held_by="bench", held_session=2),
        build_of(waited=True),
        build_of(fault="reel", wrong_from=1, bad=[1, 2, 3], held_at=1, causes=1),
        build_of(fault="reel", wrong_from=4, bad=[4, 5, 6], held_at=6, left=2),
        build_of(fault="reel", wrong_from=4, bad=[4, 5, 6], held_at=2, causes=1),
        build_of(fault="reel", wrong_from=9, bad=[9], causes=1),
        build_of(carried="kept", wrong_from=1, bad=[1, 2], held_at=0, causes=2),
        build_of(carried="released", wrong_from=1, bad=[1, 2], causes=1),
    ]  # fmt: skip
    year = Year(seed=1, bench="laboratory", checked=True, ranges=4, builds=builds)
    year.findings = [
        FindingOfYear(
            signal="B-1-F1", build="B-1", cause="reel",
            standing=standing, withdrawn=not standing, true=true, good=not true,
            covered=covered,
        )
        for standing, true, covered in (
            (True, True, True), (True, True, False), (True, False, None),
            (False, False, None),
        )
    ]  # fmt: skip
    year.runs, year.seconds = 300, 6.0
    found = tally([year], accepted=100)
    good = found.good[0]
    # nine builds less two carried; thrice 30 units, and 0+3+3+8 before a fault
    assert (good.builds, good.units, good.held) == (7, 104, 2)
    assert good.expected == pytest.approx(1.04)
    # P(X <= 3) = 0.979, P(X <= 2) = 0.913 for 104 units of 1 in 100
    assert good.most == 3
    assert found.held == {"bench, session 2": 1, ", after the build": 1}
    assert found.waited == 1
    (reel, kept) = found.faults
    assert (reel.builds, reel.by_first, reel.by_second, reel.by_third) == (4, 1, 1, 2)
    assert (reel.later, reel.never, reel.early, reel.left) == (0, 1, 1, 2)
    assert (kept.builds, kept.by_first) == (1, 1)
    assert found.both_kept == (1, 1)
    assert found.released == (0, 1)
    assert found.covered == (1, 2)
    assert found.refuted == (1, 2)
    assert found.ms_a_run == pytest.approx(20.0)


@pytest.fixture(scope="module")
def years() -> list[Year]:
    """Two makers, three builds each: the study's short form."""
    return [live(seed, accepted=5000, builds=3) for seed in (2, 3)]


@pytest.fixture(scope="module")
def short(years: list[Year]) -> Tally:
    return tally(years, accepted=5000)


def test_a_year_is_the_same_year_again(years: list[Year]) -> None:
    one = years[-1]
    two = live(one.seed, accepted=5000, builds=3)
    assert replace(one, seconds=0.0) == replace(two, seconds=0.0)
    assert one.runs >= 8
    assert one.exceptions == []


def test_short_years_go_to_their_ends_and_restarts_change_nothing(
    short: Tally,
) -> None:
    assert short.exceptions == ()
    assert short.builds == 6
    assert short.restarts > 0
    assert (short.raised_by_restart, short.unlike) == (0, 0.0)


def test_in_short_years_what_is_wrong_is_held_and_what_is_good_is_not(
    short: Tally,
) -> None:
    good = short.good[0]
    assert good.held <= good.most
    assert short.refuted[0] == 0
    assert short.faults
    for one in short.faults:
        assert one.never == 0, one.fault
        assert one.named == one.causes, one.fault
