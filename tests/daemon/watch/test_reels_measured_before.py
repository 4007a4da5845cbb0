"""What loose parts said before a reel was fitted is known from its first unit on."""

from pathlib import Path
from statistics import fmean

import numpy as np
import pytest

from config.load import fingerprint
from daemon.spc.detector import Boundary, Line, MeasuredReel, layout_of
from daemon.station.cycle import Cycle, RunHeader
from daemon.watch.loose_parts import LEAST_FACTOR, loose_parts, measured_reel
from daemon.watch.product_watch import ProductWatch
from storage import Build, Reel, ReelCheck
from storage.local import LocalStore
from tests.daemon.making import AT, demo_settings, fitting, readings
from tests.daemon.seeded import seeded_home

LAYOUT = layout_of([1000.0] * 4, limit_ppm=[5000.0] * 4)
GOOD = (4_998.0, 5_001.5, 4_999.5, 5_002.0, 5_000.5)
UNITS = 6


def test_loose_parts_near_nominal_make_a_bad_reel_less_likely() -> None:
    found = loose_parts([-400.0, 300.0, -100.0, 400.0, 100.0], 60.0)
    told = measured_reel(LAYOUT, 0, 1.0, found, ())
    assert LEAST_FACTOR <= told.off_factor < 0.5


def test_loose_parts_far_off_leave_the_suspicion_as_it_is() -> None:
    found = loose_parts([900.0, 950.0, 870.0, 910.0, 930.0], 20.0)
    told = measured_reel(LAYOUT, 0, 1.0, found, ())
    assert told.off_factor == 1.0
    assert 0.0 < told.level_ppm < 912.0


def test_earlier_reels_tell_how_far_an_average_one_is_from_nominal() -> None:
    """All reels of this maker lie at +300 ppm: another such is no surprise."""
    found = loose_parts([280.0, 310.0, 300.0, 320.0, 290.0], 20.0)
    alone = measured_reel(LAYOUT, 0, 1.0, found, ())
    among = measured_reel(LAYOUT, 0, 1.0, found, [found] * 8)
    assert abs(among.level_ppm) < 0.2 * abs(alone.level_ppm)
    # the sign of a range's own part turns the level over
    turned = measured_reel(LAYOUT, 0, -1.0, found, ())
    assert turned.level_ppm == pytest.approx(-alone.level_ppm)


def odds(known: MeasuredReel | None, shift_ppm: float, units: int = 3) -> float:
    """Return the odds that something is wrong after units of a new reel."""
    chance = np.random.default_rng(5)
    line = Line(LAYOUT)
    for n in range(30):
        boundary = Boundary(new_build=True, reels=dict.fromkeys(range(4)))
        errors = chance.normal(0.0, 150.0, 4)
        line.unit(errors, boundary=boundary if n % 10 == 0 else None)
    for n in range(units):
        errors = chance.normal(0.0, 150.0, 4)
        errors[0] += shift_ppm
        first = Boundary(new_build=False, reels={0: known})
        line.unit(errors, boundary=first if n == 0 else None)
    return line.log_odds


def test_a_unit_far_from_what_loose_parts_said_is_held_against_a_lower_prior() -> None:
    good = MeasuredReel(level_ppm=0.0, off_factor=0.1)
    assert odds(good, 700.0) < odds(None, 700.0) - 0.5


def test_a_reel_known_to_lie_off_surprises_nobody_where_it_lies() -> None:
    known = MeasuredReel(level_ppm=600.0, off_factor=1.0)
    assert odds(known, 600.0) < odds(None, 600.0) - 1.0


def test_a_reel_that_was_good_loose_and_is_far_off_in_units_is_found_all_the_same() -> (
    None
):
    """Loose parts come from one end of a reel: they do not blind the watch."""
    good = MeasuredReel(level_ppm=0.0, off_factor=LEAST_FACTOR)
    assert odds(good, 3000.0) > 8.0


def watched(folder: Path, *, incoming: bool) -> tuple[float, float]:
    """Return the odds of a build with a reel: live, and again from rows."""
    home = seeded_home(folder)
    settings = demo_settings()
    name = settings.product.name
    chance = np.random.default_rng(7)
    with LocalStore(home.store) as store:
        store.keep(
            Reel(reel="K-205", nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT)
        )
        store.keep(
            ReelCheck(
                reel_check="c", reel="K-205", readings=GOOD, uncertainty_ohm=0.3,
                origin="typed", person="Ada Moreno", made_at=AT,
                method="four-wire", incoming=incoming,
            )
        )  # fmt: skip
        cycle = Cycle(settings, store)
        cycle.resume()
        store.keep(Build(build="B-4", product=name, planned_units=UNITS, opened_at=AT))
        for n in (1, 2, 4):
            store.keep(fitting("B-4", f"R1{n}", f"K-10{n}"))
        store.keep(fitting("B-4", "R13", "K-205"))
        for unit in range(UNITS):
            errors = chance.normal(0.0, 150.0, 4)
            errors[2] += 500.0
            cycle.record(
                readings(cycle.product, errors.tolist()),
                RunHeader(
                    serial=f"PA-{4000 + unit}",
                    build="B-4",
                    session="s",
                    origin="bench",
                    started_at=AT,
                    finished_at=AT,
                    configuration=fingerprint(settings)[0],
                ),
                {},
            )
            cycle.watch()
        live = cycle.known.log_odds()["B-4"]
        again = ProductWatch(settings, store)
        return live, again.log_odds()["B-4"]


def test_what_was_measured_before_counts_live_and_from_rows_alike(
    tmp_path: Path,
) -> None:
    live, again = watched(tmp_path / "measured", incoming=True)
    assert live == again
    other, _ = watched(tmp_path / "not", incoming=False)
    assert live < other - 0.5


def test_means_are_of_all_parts() -> None:
    found = loose_parts([1.0, 2.0, 6.0], 2.0)
    assert found.mean_ppm == fmean([1.0, 2.0, 6.0])
    assert found.variance_ppm2 == pytest.approx(7.0 / 3 + 4.0)
