"""One unit that is far off tells no scatter of a reel: it is said, and nothing held."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from daemon.watch import UnitErrors
from daemon.watch.watcher import Watcher
from storage.records import Cause, Signal
from tests.daemon.making import AT, demo_product
from tests.daemon.watch.bench import Told, serial_of

PRODUCT = demo_product()
RANGES = len(PRODUCT.ranges)
PLACE = 1
SCATTERED = (0.0, 5.0, -4.0, 9.0, -8.0, 3.0, 20.0)
"""Tolerances: the last one is further off all others than an odd part is."""
FAR_PPM = 20_000.0
"""Twenty tolerances: a poor contact, a wrong part, a slip of the pen."""
READ_TO_PPM = 50.0


class Typed:
    """A first build, read with handheld meters and typed."""

    def __init__(self, seed: int) -> None:
        self._rng = np.random.default_rng(seed)
        self._level = self._rng.normal(0.0, 300.0, RANGES)
        self._watcher = Watcher(PRODUCT, accepted_per_units=500)
        self._number = 0
        self.said: dict[str, Signal] = {}
        """Findings in their latest revisions."""

    def unit(self, serial: str, far_ppm: float = 0.0) -> None:
        """Read a unit; one that is far off is seated and read once more."""
        own = self._level + self._rng.normal(0.0, 150.0, RANGES)
        own[PLACE] += far_ppm
        first = self._read(serial, own)
        if self._watcher.far_off(first, ()):
            self._watcher.pass_over(first, ())
            first = self._read(serial, own)
        self._take(first)

    def again(self, serial: str) -> None:
        """Read a unit that was put right, as a rerun."""
        own = self._level + self._rng.normal(0.0, 150.0, RANGES)
        self._take(self._read(serial, own))

    @property
    def held(self) -> list[Signal]:
        """What stands and holds."""
        return [one for one in self.said.values() if one.standing and one.holds]

    def _take(self, unit: UnitErrors) -> None:
        self.said |= {one.signal: one for one in self._watcher.take(unit, ())}

    def _read(self, serial: str, own: np.ndarray) -> UnitErrors:
        self._number += 1
        read = own + self._rng.normal(0.0, 30.0, RANGES)
        return UnitErrors(
            number=self._number,
            run=f"run {self._number}",
            serial=serial,
            build="B-1",
            errors_ppm=np.round(read / READ_TO_PPM) * READ_TO_PPM,
            at=AT + timedelta(minutes=self._number),
            session="typed",
            variance_ppm2=np.full(RANGES, 30.0**2 + READ_TO_PPM**2 / 12.0),
        )


@pytest.mark.parametrize("place", [2, 3, 4])
@pytest.mark.parametrize("seed", range(3))
def test_one_unit_far_off_in_a_first_build_of_four_holds_nothing(
    seed: int, place: int
) -> None:
    build = Typed(seed)
    for number in range(1, 5):
        build.unit(f"SA-{number:04}", FAR_PPM if number == place else 0.0)
        assert not build.held
    (odd,) = [one for one in build.said.values() if one.standing]
    assert (odd.cause, odd.first_serial, odd.units) == (
        Cause.UNIT,
        f"SA-{place:04}",
        1,
    )
    assert odd.size_ppm == pytest.approx(FAR_PPM, rel=0.05)
    build.again(f"SA-{place:04}")
    assert not [one for one in build.said.values() if one.standing]


@pytest.mark.parametrize("seed", range(3))
def test_a_second_unit_far_off_like_it_is_a_reel(seed: int) -> None:
    build = Typed(seed)
    for number in range(1, 5):
        build.unit(f"SA-{number:04}", FAR_PPM if number > 2 else 0.0)
    (found,) = build.held
    assert (found.cause, found.part) == (Cause.REEL, "R12")
    (alone,) = [one for one in build.said.values() if one.cause is Cause.UNIT]
    assert (alone.standing, alone.replaced_by) == (False, found.signal)


@pytest.mark.parametrize("seed", range(3))
def test_units_far_off_both_ways_are_a_reel_of_another_class(seed: int) -> None:
    build = Typed(seed)
    for number in range(1, 9):
        far_ppm = (-1) ** (number // 2) * FAR_PPM if number % 2 == 0 else 0.0
        build.unit(f"SA-{number:04}", far_ppm)
    (found,) = build.held
    assert (found.cause, found.part) == (Cause.REEL, "R12")


@pytest.mark.parametrize("seed", range(3))
def test_a_unit_far_off_others_that_scatter_as_far_takes_nothing_back(
    seed: int,
) -> None:
    """Two per cent either way, each unit another value: parts of a coarser class."""
    build = Typed(seed)
    for number, tolerances in enumerate(SCATTERED, start=1):
        build.unit(f"SA-{number:04}", 1000.0 * tolerances)
    (found,) = build.held
    assert (found.cause, found.part) == (Cause.REEL, "R12")


@pytest.mark.parametrize("third", ["AcCD", ""], ids=["recorded", "not recorded"])
@pytest.mark.parametrize("seed", range(2))
def test_the_first_good_units_after_a_bad_reel_are_not_far_off(
    seed: int, third: str
) -> None:
    told = Told(seed)
    for build, reels in (("B-1", "abcd"), ("B-2", "AbCD"), ("B-3", third)):
        told.new_session()
        if reels:
            told.fit(build, reels)
        told.build(build, 5)
        if build == "B-2":
            told.fit(build, "ABCD", serial_of(build, 5))
            told.build(build, 5, {PLACE: FAR_PPM}, first=5)
    odd = [one for one in told.said.values() if one.cause is Cause.UNIT]
    assert not [one for one in odd if one.standing]
    assert not (third and odd)


def test_a_reel_whose_place_another_takes_from_the_same_unit_on_tells_nothing() -> None:
    """The bad reel was recorded for the third build too, and the good one after it."""
    told = Told(3)
    told.fit("B-1", "abcd")
    told.fit("B-2", "aBcd")
    told.build("B-1", 5)
    told.build("B-2", 8, {PLACE: FAR_PPM})
    assert told.holding("B-2")
    told.hold_by_hand(("reel", "B"))
    told.fit("B-3", ["", "B", "", ""])
    told.refit()
    told.fit("B-3", "abcd")
    told.fittings[-4:] = [
        replace(one, fitted_at=AT + timedelta(hours=1)) for one in told.fittings[-4:]
    ]
    errors = told.errors("B-3", "abcd", {})
    told.unit(serial_of("B-3", 0), "B-3", errors=errors)
    assert not [one for one in told.said.values() if one.build == "B-3"]
