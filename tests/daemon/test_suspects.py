"""Which serials a finding about a reel concerns, measured or not."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from daemon.presentation.sentences import finding
from daemon.watch import CheckErrors, Suspect, Watcher
from daemon.watch.suspects import suspects_of
from storage.records import Cause, Fitting, Signal
from tests.daemon.making import AT, demo_product, fitting, unit

GOOD = [fitting("B-1", f"R1{n}", f"K-10{n}") for n in (1, 2, 3, 4)]
BAD = [*GOOD, fitting("B-1", "R13", "K-900", "PA-010")]


def rows(seed: int) -> np.ndarray:
    chance = np.random.default_rng(seed)
    own: np.ndarray = chance.normal(0.0, 150.0, (20, 4))
    return own + chance.normal(0.0, 100.0, (20, 1))


def latest(
    watcher: Watcher,
    errors: np.ndarray,
    fittings: Sequence[Fitting],
    own_ppm2: np.ndarray | None = None,
) -> Signal:
    """Take a build's units; return what stands of it, in its latest revision."""
    said: dict[str, Signal] = {}
    for n, row in enumerate(errors):
        one = unit(n, f"PA-{n:03d}", "B-1", row.tolist())
        if own_ppm2 is not None:
            one = replace(one, variance_ppm2=np.full(4, own_ppm2[n]))
        said |= {found.signal: found for found in watcher.take(one, fittings)}
    (standing,) = [one for one in said.values() if one.standing and one.holds]
    return standing


def suspects(
    watcher: Watcher, said: Signal, serials: Sequence[str] = ()
) -> tuple[Suspect, ...]:
    """Return whom a finding in B-1 concerns, units that were not measured too."""
    place = watcher.product.keys.index(str(said.range))
    segment = next(
        one
        for one in reversed(watcher.fold.segments_of("B-1"))
        if one.reels[place] == said.reel
    )
    return suspects_of(watcher.fold, segment, place, serials)


def test_units_not_measured_are_foretold_by_their_reel() -> None:
    errors = rows(2)
    errors[10:, 2] += 3000.0
    errors[15, 2] = np.nan
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    said = latest(watcher, errors[:20], BAD)
    found = {one.serial: one for one in suspects(watcher, said, ["PA-004b", "PA-020"])}
    assert all(found[f"PA-{n:03d}"].probability == 0.0 for n in range(10))
    assert all(found[f"PA-{n:03d}"].probability > 0.99 for n in range(10, 21))
    assert found["PA-012"].measured
    assert found["PA-012"].predicted_ppm == errors[12, 2]
    for serial in ("PA-015", "PA-020"):
        one = found[serial]
        assert not one.measured
        assert 2000.0 < one.low_ppm < one.predicted_ppm < one.high_ppm < 4000.0
    assert found["PA-004b"].high_ppm < 2000.0


def test_a_unit_read_too_poorly_is_as_unsure_as_one_not_measured() -> None:
    """Of two mixed reels 0.3 % apart, PA-012 is read to 100 %: that tells nothing."""
    errors = rows(5)
    errors[:, 1] += 3000.0 * (np.arange(20) % 2)
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    own = np.zeros(20)
    own[12] = 1e12
    said = latest(watcher, errors, GOOD, own)
    found = {
        one.serial: one.probability for one in suspects(watcher, said, ["PA-012b"])
    }
    assert found["PA-010"] < 0.05
    assert found["PA-013"] > 0.95
    assert found["PA-012"] == pytest.approx(found["PA-012b"], abs=0.01)
    assert 0.2 < found["PA-012"] < 0.8


def test_of_two_mixed_reels_each_unit_has_its_own_probability() -> None:
    errors = rows(5)
    carries = np.random.default_rng(6).random(20) < 0.5
    errors[:, 1] += 3000.0 * carries
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    said = latest(watcher, errors[:20], GOOD)
    found = suspects(watcher, said)
    told = np.array([one.probability > 0.5 for one in found])
    assert np.mean(told == carries) >= 0.95
    # All are recorded as of one reel: the finding's row says who does not carry it.
    other_than_recorded = dict(said.basis.carrying)
    listed = [other_than_recorded.get(one.serial, 1.0) > 0.5 for one in found]
    assert listed == told.tolist()
    assert said.basis.mixed_share is not None


@pytest.mark.parametrize("fittings", [GOOD, ()], ids=["recorded", "no record"])
@pytest.mark.parametrize("backwards", [False, True])
def test_of_two_mixed_reels_those_that_show_it_are_counted_from_the_first(
    fittings: Sequence[Fitting], backwards: bool
) -> None:
    """The part of the first is to be measured next: a good one would clear the reel."""
    errors = rows(5)
    carries = np.arange(20) % 3 == 1
    errors[:, 1] += 3000.0 * carries
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    order = reversed(range(20)) if backwards else range(20)
    said: dict[str, Signal] = {}
    for number, n in enumerate(order):
        one = unit(number, f"PA-{n:03d}", "B-1", errors[n].tolist())
        said |= {found.signal: found for found in watcher.take(one, fittings)}
    (standing,) = [one for one in said.values() if one.standing and one.holds]
    assert (standing.first_serial, standing.units) == ("PA-001", carries.sum())
    looked_at = "loose parts of reel K-102" if fittings else "R12 of unit PA-001"
    assert looked_at in str(standing.basis.next)
    told = dict(standing.basis.carrying)
    named = bool(standing.reel)
    listed = [told.get(f"PA-{n:03d}", float(named or n >= 1)) > 0.5 for n in range(20)]
    assert listed == carries.tolist()
    (how_far,) = [one for one in finding(standing).lines if "show it so far" in one]
    assert "; 12 later units read as before, so parts seem mixed." in how_far


def test_a_change_that_nobody_recorded_clears_the_units_before_it() -> None:
    errors = rows(8)
    errors[12:, 3] += 4000.0
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    said = latest(watcher, errors[:20], GOOD)
    assert (said.reel, said.first_serial) == ("K-104", "PA-012")
    told = dict(said.basis.carrying)
    assert {serial for serial, p in told.items() if p < 0.01} == {
        f"PA-{n:03d}" for n in range(12)
    }


def test_a_finding_foretells_the_units_of_its_reel_that_come() -> None:
    errors = rows(2)
    errors[10:, 2] += 3000.0
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    said = latest(watcher, errors[:20], BAD)
    assert said.basis.predicted_ppm is not None
    mean, low, high = said.basis.predicted_ppm
    assert low < 3000.0 < high
    assert abs(mean - 3000.0) < 300.0
    # Own part 150 ppm and shared stage 100 ppm: four standard deviations wide.
    assert high - low > 3.0 * np.hypot(150.0, 100.0)
    assert any(
        "was not measured probably reads about" in one for one in finding(said).lines
    )


def test_a_check_that_reads_off_names_the_bench() -> None:
    """The range has stepped by 0.25 % on the check standard as on the units."""
    errors = rows(7)
    errors[:, 0] += 2500.0
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    said = latest(watcher, errors[:6], GOOD)
    after = watcher.take(read_off(7, [2500.0, 0.0, 0.0, 0.0]), GOOD)
    (standing,) = [one for one in after if one.standing]
    assert standing.cause is Cause.BENCH
    assert standing.range == said.range == "1uA"


def read_off(number: int, errors_ppm: list[float]) -> CheckErrors:
    return CheckErrors(
        number=number,
        session="",
        errors_minus_known_ppm=np.array(errors_ppm),
        variance_ppm2=np.full(4, 100.0),
        allowed_ppm2=np.full(4, 150.0**2),
        at=AT,
    )


def test_a_bench_that_always_reads_off_within_its_specification_is_no_news() -> None:
    always = [-155.0, 80.0, 0.0, 120.0]
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    errors = np.random.default_rng(3).normal(0.0, 120.0, (24, 4)) + always
    for n in range(24):
        if n % 4 == 0:
            assert watcher.take(read_off(2 * n, always), ()) == []
        one = unit(2 * n + 1, f"PA-{n:03d}", f"B-{1 + n // 8}", errors[n].tolist())
        assert watcher.take(one, ()) == []
