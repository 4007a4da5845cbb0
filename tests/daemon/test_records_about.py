"""What is asked about one subject tells of it what all records tell."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from config import Part
from daemon.judging import ProductModel
from daemon.traceability import (
    Containment,
    Records,
    contain,
    records_about,
    suspects_away,
    trace,
)
from daemon.traceability.tracing import fitting_doubts, last_from, leftover_lines
from storage import ReworkOf
from storage.local import LocalStore
from storage.records import Build, Fitting, Reel, Signal, Unit
from tests.contract.two_products import PRODUCTS, told_to
from tests.daemon.making import demo_settings
from tests.storage.samples import RANGES

PLANNED = Part(nominal_ohm=5e3, tolerance_ppm=1e3)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LocalStore]:
    """Return rows of two products: reels in both, replaced parts, holds, returns."""
    path: Path = tmp_path_factory.mktemp("about") / "holdpoint.duckdb"
    with LocalStore(path) as made:
        told_to(made, 1)
        yield made


@pytest.mark.parametrize("product", PRODUCTS)
def test_a_subject_is_traced_as_from_all_records(
    store: LocalStore, product: str
) -> None:
    whole = Records.of(store, product, RANGES)
    units = [one.serial for one in store.rows(Unit, product=product)]
    builds = [one.build for one in store.rows(Build, product=product)]
    reels = [one.reel for one in store.rows(Reel)]
    assert len(units) > 4
    assert len(builds) > 1
    assert len(reels) > 1
    for subject in (*units, *builds, *reels):
        about = Records.of(store, product, RANGES, about=[subject])
        assert trace(about, subject) == trace(whole, subject)
        assert about.errors_of(subject) == whole.errors_of(subject)
    for reel in reels:
        about = Records.of(store, product, RANGES, about=[reel])
        assert leftover_lines(about, reel) == leftover_lines(whole, reel)


@pytest.mark.parametrize("product", PRODUCTS)
def test_a_reel_that_is_fitted_is_doubted_as_from_all_records(
    store: LocalStore, product: str
) -> None:
    whole = Records.of(store, product, RANGES)
    said = 0
    for fitting in store.rows(Fitting, product=product):
        subjects = [fitting.reel, fitting.build]
        about = Records.of(store, product, RANGES, about=subjects)
        doubts = fitting_doubts(whole, fitting, PLANNED)
        assert list(fitting_doubts(about, fitting, PLANNED)) == list(doubts)
        assert last_from(about, fitting) == last_from(whole, fitting)
        said += len(doubts)
    assert said > 0


@pytest.mark.parametrize("product", PRODUCTS)
def test_whom_a_finding_or_a_reel_concerns_is_found_as_from_all_records(
    store: LocalStore, product: str
) -> None:
    whole = Records.of(store, product, RANGES)
    findings = [one.signal for one in store.rows(Signal, "signals", product=product)]
    told = 0
    for subject in (*findings, *(one.reel for one in store.rows(Reel))):
        about = contain(store, records_about(store, product, RANGES, subject), subject)
        of_all = contain(store, whole, subject)
        assert about.headline() == of_all.headline()
        assert about.clear == of_all.clear
        assert about.leftover_parts == of_all.leftover_parts

        def known(found: Containment) -> list[tuple[object, ...]]:
            """Leave out what is foretold: whatever was usual later is not asked."""
            return [
                (one.where, one.serial, one.probability, one.todo, one.step)
                for one in found.concerned
            ]

        assert known(about) == known(of_all)
        told += len(about.concerned)
    assert findings
    assert told > 4


def test_how_many_suspects_left_is_counted_as_by_a_recall(store: LocalStore) -> None:
    left = 0
    for product in PRODUCTS:
        whole = Records.of(store, product, RANGES)
        named = demo_settings().product.model_copy(update={"name": product})
        findings = store.rows(Signal, "signals", product=product)
        reworks = store.rows(ReworkOf, product=product)
        counted = suspects_away(store, ProductModel.of(named), findings, (), reworks)
        assert set(counted) == {one.signal for one in findings if one.standing}
        for name, away in counted.items():
            recalled = contain(store, whole, name)
            assert away.concerned == len(recalled.concerned)
            assert away.left == len(recalled.left)
            assert away.still_open == len(recalled.still_open)
            left += away.left
    assert left > 0


def test_of_what_is_not_recorded_nothing_is_known(store: LocalStore) -> None:
    about = Records.of(store, PRODUCTS[0], RANGES, about=["nothing"])
    assert (about.units, list(about.builds), list(about.reels)) == ((), [], [])
