"""A build that is imported in pieces is one build, and holds nothing that is good."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from daemon.judging.product import ProductModel
from daemon.station.import_sheet import Row
from daemon.station.orders import TypedReading
from storage.local import LocalStore
from tests.daemon.making import demo_settings
from tests.studies.bench_days import BenchDays
from tests.studies.test_bench_days import Told

SETTINGS = demo_settings()
PRODUCT = ProductModel.of(SETTINGS.product)
NAME = SETTINGS.product.name
UNITS = 30


@pytest.fixture
def days(tmp_path: Path) -> Iterator[BenchDays]:
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        yield BenchDays(SETTINGS, store, Told())


def rows(build: str, seed: int, bad_from: int | None = None) -> list[Row]:
    """Return a build's rows: ordinary units, from one on 0.3 % off on 100 µA."""
    chance = np.random.default_rng(seed)
    level = chance.normal(0.0, 150.0, 4) + chance.normal(0.0, 100.0)
    made = []
    for index in range(UNITS):
        errors = level + chance.normal(0.0, 150.0, 4) + chance.normal(0.0, 100.0)
        if bad_from is not None and index >= bad_from:
            errors[2] += 3000.0
        made.append(
            Row(
                line=index + 2,
                serial=f"PA-{build.removeprefix('B-')}{index:03d}",
                build=build,
                measured_at=None,
                readings=tuple(
                    TypedReading(
                        range=one.key,
                        reference=0.9 * one.settings.full_scale,
                        output=0.9 * one.settings.full_scale * one.nominal_transfer
                        * (1.0 + error * 1e-6),
                    )
                    for one, error in zip(PRODUCT.ranges, errors, strict=True)
                ),
                reels=(),
            )
        )  # fmt: skip
    return made


def take(days: BenchDays, pieces: Sequence[Sequence[Row]], *, new_setup: bool) -> None:
    """Import files one after another."""
    for index, piece in enumerate(pieces):
        session = f"{piece[0].build} file {index}"
        days.import_rows(piece, session=session, new_setup=new_setup)


def held(days: BenchDays) -> list[str]:
    """Return what was ever held."""
    return sorted(days.store.frame("holds", product=NAME)["subject"])


@pytest.mark.parametrize("new_setup", [False, True])
@pytest.mark.parametrize("seed", range(2))
def test_twenty_six_of_thirty_then_all_hold_nothing(
    days: BenchDays, seed: int, *, new_setup: bool
) -> None:
    for build in ("B-1", "B-2"):
        all_of_it = rows(build, 10 * seed + int(build[-1]))
        take(days, [all_of_it[:26], all_of_it], new_setup=new_setup)
    assert held(days) == []
    kept = days.store.frame("range_rows", product=NAME, after=0, kind="unit")
    assert kept["serial"].nunique() == 2 * UNITS


@pytest.mark.parametrize("new_setup", [False, True])
def test_a_file_a_unit_holds_nothing(days: BenchDays, *, new_setup: bool) -> None:
    for build, seed in (("B-1", 21), ("B-2", 22)):
        take(days, [[one] for one in rows(build, seed)], new_setup=new_setup)
    assert held(days) == []


def test_a_bad_reel_is_found_in_a_file_a_unit_too(days: BenchDays) -> None:
    take(days, [rows("B-1", 31)], new_setup=False)
    bad = rows("B-2", 32, bad_from=20)
    take(days, [[one] for one in bad], new_setup=False)
    assert held(days) == ["B-2"]
    signals = days.store.frame("signals", product=NAME)
    standing = signals[signals["standing"] & signals["holds"]]
    assert standing["range"].tolist() == ["100uA"]
    assert standing["first_serial"].tolist() == [bad[20].serial]
