"""A warm afternoon is no bad reel, and hides none."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from config.model import Part
from daemon.judging.product import ProductModel
from daemon.watch import Watcher
from storage.records import Cause, Fitting, Signal
from tests.daemon.making import demo_settings, fitting, unit

T_PPM = 100.0
EFFECT = np.array([25.0, -15.0, 20.0, 5.0])
"""Of each range, ppm/K: parts of 0.01 % and up to 25 ppm/K."""
BUILDS = 4
UNITS = 20
CHANGED = 10
"""Units of the last build before the new reel."""


@cache
def precise() -> ProductModel:
    """Return the demo's product with finer range parts; the others keep still."""
    product = demo_settings().product

    def part(name: str, one: Part) -> Part:
        own = name.startswith("R1")
        return one.model_copy(
            update={"tolerance_ppm": T_PPM, "tempco_ppm_per_k": 25.0}
            if own
            else {"tempco_ppm_per_k": 0.0}
        )

    parts = {name: part(name, one) for name, one in product.parts.items()}
    return ProductModel.of(product.model_copy(update={"parts": parts}))


def afternoon(
    seed: int,
    *,
    recorded: bool = True,
    bad_ppm: float = 0.0,
) -> tuple[Watcher, list[list[Signal]]]:
    """Fold four builds in a room of 23 C, then one in which it warms by 8 K.

    A room changes by 1 K from unit to unit; the last build takes a new reel half-way,
    `bad_ppm` off. What was said of each unit of the last build is returned.
    """
    chance = np.random.default_rng(seed)
    watcher = Watcher(precise(), accepted_per_units=5000)
    fittings: list[Fitting] = []
    said: list[list[Signal]] = []
    number = 0
    for b in range(BUILDS + 1):
        build, last = f"B-{b}", b == BUILDS
        fittings += [fitting(build, f"R1{i}", f"K-{b}{i}") for i in (1, 2, 3, 4)]
        level = chance.normal(0, 0.15 * T_PPM, 4) + chance.normal(0, 0.1 * T_PPM)
        for i in range(UNITS):
            number += 1
            serial = f"PA-{number:03d}"
            warmer = 8.0 * min(1.0, i / 8) if last else 0.0
            away = warmer + chance.normal(0.0, 0.2 if last else 1.0)
            errors = level + chance.normal(0, 0.15 * T_PPM, 4) + EFFECT * away
            errors += chance.normal(0, 0.1 * T_PPM)
            if last and i >= CHANGED and bad_ppm:
                errors[2] += bad_ppm
                if i == CHANGED:
                    fittings.append(fitting(build, "R13", "K-900", serial))
            one = unit(number, serial, build, errors.tolist())
            if recorded:
                one = replace(one, ambient_c=23.0 + float(away))
            found = watcher.take(one, fittings)
            if last:
                said.append(found)
    return watcher, said


@pytest.mark.parametrize("seed", range(4))
def test_a_warm_afternoon_looks_like_a_fault_until_temperature_is_recorded(
    seed: int,
) -> None:
    _, unknowing = afternoon(seed, recorded=False)
    assert any(unknowing)
    _, knowing = afternoon(seed)
    assert knowing == [[]] * UNITS


@pytest.mark.parametrize("seed", range(4))
def test_a_bad_reel_on_a_warm_afternoon_is_found_at_its_first_unit(seed: int) -> None:
    _, said = afternoon(seed, bad_ppm=3 * T_PPM)
    assert said[:CHANGED] == [[]] * CHANGED
    (found,) = said[CHANGED]
    assert (found.cause, found.range, found.reel) == (Cause.REEL, "100uA", "K-900")
    (last,) = said[-1]
    # A reel may be held against others of the range, which differ by 15 ppm.
    assert last.size_ppm == pytest.approx(3 * T_PPM, abs=0.6 * T_PPM)


@pytest.mark.parametrize("seed", range(4))
def test_what_temperature_does_is_learnt_from_the_units(seed: int) -> None:
    """From 100 units 15 ppm wide, with 1 K between them: to 15 / 10 ppm/K each."""
    watcher, _ = afternoon(seed)
    active = watcher.fold.active
    assert active is not None
    away = abs(active.line.tempco_ppm_per_k - EFFECT)
    assert away.max() < 4.0 * 1.5


def test_units_in_any_order_teach_the_same_effect() -> None:
    def learnt(order: Sequence[int]) -> np.ndarray:
        chance = np.random.default_rng(3)
        watcher = Watcher(precise(), accepted_per_units=5000)
        ambient = chance.normal(25.0, 2.0, 12)
        errors = chance.normal(0, 20.0, (12, 4)) + EFFECT * (ambient - 25.0)[:, None]
        for n, i in enumerate(order):
            one = unit(n, f"PA-{i:03d}", "B-1", errors[i].tolist())
            watcher.take(replace(one, ambient_c=float(ambient[i])), [])
        assert watcher.fold.active is not None
        return watcher.fold.active.line.tempco_ppm_per_k

    straight, shuffled = (
        learnt(range(12)),
        learnt([5, 2, 11, 0, 7, 3, 1, 9, 10, 4, 8, 6]),
    )
    # To far less than what 12 units 20 ppm wide over 2 K can tell, 3 ppm/K.
    np.testing.assert_allclose(straight, shuffled, atol=0.5)


def test_a_build_of_which_everything_moved_at_once_teaches_nothing() -> None:
    """All units read 2 % off on all ranges from the first on; the next is ordinary."""
    watcher = Watcher(precise(), accepted_per_units=5000)
    chance = np.random.default_rng(5)
    errors = 20_000.0 + chance.normal(0, 15.0, (4, 4))
    found = [
        watcher.take(unit(n, f"PA-{n}", "B-1", row.tolist()), [])
        for n, row in enumerate(errors)
    ]
    assert found[-1]
    said = watcher.take(unit(9, "PA-9", "B-2", [5.0, 0.0, -9.0, 3.0]), [])
    assert [one for one in said if one.build == "B-2"] == []
