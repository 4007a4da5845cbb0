"""What the settings say acts on a bench is simulated, and inside intervals."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from math import sqrt
from statistics import fmean
from typing import Any

import pytest
from numpy.random import default_rng

from config import Bench, Influences, Settings
from daemon.bench import RangeReadings
from daemon.judging import Judge, ProductModel
from daemon.simulator.scenario import story
from daemon.simulator.strays import Strays, TwoFold
from daemon.trials.selftest.benches import bench_of, line, true_error_ppm
from tests.daemon.simulator.test_circuit import board, circuit, driven

COVERAGE = 0.95
WRITTEN = {
    "thermal_v": 3e-4, "leakage_a": 2e-10, "burden_v": 0.1, "insulation_ohm": 5e8,
    "output_ohm": 200.0, "meter_ohm": 2e5, "bias_a": 1e-6,
}  # fmt: skip
"""Of a bench where each of them is some hundred ppm on some range."""
DRIFT = {"drift_ppm_per_year": 400.0}
STANDARD = {
    "kind": "standard_resistor", "standard_ohm": 1_000.0,
    "standard_uncertainty_ppm": 20.0,
}  # fmt: skip
OF_ROOM = {"standard_tempco_ppm_per_k": 200.0, "standard_c": 20.0}
MILLIVOLTS = [
    {"full_scale": one, "of_reading_ppm": 25.0, "of_range_ppm": 7.0}
    for one in (1e-3, 1e-2, 0.1, 1.0)
]


BENCHES, MANY = 24, 300


def by_chance(benches: int) -> float:
    """Return what a share of 95 % stays above; ranges of one bench share its draw."""
    return COVERAGE - 3 * sqrt(COVERAGE * (1 - COVERAGE) / benches)


def with_bench(settings: Settings, changes: dict[str, Any]) -> Settings:
    """Return settings, their bench changed; a role's keys are put beside its own."""
    found = bench_of(settings).model_dump(exclude_none=True)
    for key, value in changes.items():
        own = found.get(key)
        found[key] = {**own, **value} if isinstance(own, dict) else value
    return settings.model_copy(update={"bench": Bench.model_validate(found)})


def read(settings: Settings, seed: int) -> Iterator[tuple[RangeReadings, float]]:
    """Measure one unit of a bench that is drawn; with each range what is true, ppm."""
    told = story(settings, seed)
    serial = told.builds[0].serials[0]
    with line(settings, told.boards, seed=seed) as one:
        one.rig.mount(serial)
        for readings in one.measure():
            yield (
                readings,
                true_error_ppm(one.product, one.rig.board(serial), readings.range),
            )


def held(played: Settings, judged_by: Sequence[Settings], benches: int) -> list[float]:
    """Return how often intervals hold what is true, by each of several settings."""
    judges = [
        Judge(ProductModel.of(one.product), bench_of(one), one.plan.judging)
        for one in judged_by
    ]
    inside = []
    for seed in range(1, benches + 1):
        for readings, true_ppm in read(played, seed):
            errors = [one.error(readings).error for one in judges]
            inside.append(
                [
                    abs(one.error_ppm - true_ppm) <= one.expanded_ppm(COVERAGE)
                    for one in errors
                ]
            )
    return [fmean(one) for one in zip(*inside, strict=True)]


def of_reference(demo: Settings, reference: str) -> tuple[Settings, Settings]:
    """Return settings that say what acts on a bench, and those that say nothing."""
    plain: dict[str, Any] = {}
    changes: dict[str, Any] = {"influences": WRITTEN, "reference": DRIFT}
    if reference == "standard resistor":
        of_volts = {"profile": "scpi_voltmeter", "ranges": MILLIVOLTS}
        plain = {"reference": of_volts, "reference_is": STANDARD}
        changes = {
            "influences": WRITTEN | {"thermal_v": 3e-7},  # of 0.9 mV
            "reference": of_volts | DRIFT,
            "reference_is": STANDARD | OF_ROOM,
        }
    stated = with_bench(demo, changes | {"output": DRIFT})
    return stated, with_bench(demo, plain)


def test_nothing_is_written_and_nothing_acts(demo: Settings) -> None:
    assert demo.bench is not None
    assert Strays.of(demo.bench, default_rng(1)) == Strays()


def test_what_acts_lies_within_what_is_written_and_differs_by_bench(
    demo: Settings,
) -> None:
    bench = bench_of(
        with_bench(demo, {"influences": WRITTEN, "reference": DRIFT, "output": DRIFT})
    )
    draw = default_rng(2)
    drawn = [Strays.of(bench, draw) for _ in range(500)]
    for name, most in (
        ("leakage_a", 2e-10), ("past_a", 0.1 / 5e8), ("loading", 200.0 / 200_200.0),
        ("reference_v", 3e-4), ("output_v", 3e-4), ("bias_v", 2e-4),
        ("reference_ppm", 400.0), ("output_ppm", 400.0),
    ):  # fmt: skip
        said = [getattr(one, name) for one in drawn]
        sizes = [
            abs(one.standing) + abs(one.with_level)
            if isinstance(one, TwoFold)
            else abs(one)
            for one in said
        ]
        assert 0.9 * most < max(sizes) <= most, name
        assert len(set(said)) == len(said), name


@pytest.mark.source("Ohm's law, by hand: 90 uA into 10 kohm is 0.9 V")
@pytest.mark.parametrize(
    ("acts", "wanted_v"),
    [
        ({"leakage_a": TwoFold(standing=1e-6)}, 0.89),
        # 1 uA at full scale of 100 uA is 0.9 uA at 90 uA
        ({"leakage_a": TwoFold(with_level=1e-6)}, 0.891),
        ({"past_a": 1e-6}, 0.891),
        ({"loading": 0.01}, 0.891),
        ({"bias_v": 0.001}, 0.901),
        ({"output_v": TwoFold(standing=0.001, with_level=0.01)}, 0.91),
        # drops of volts alone, and is seen by the reference alone
        ({"in_leads": 0.5}, 0.9),
        ({"reference_v": TwoFold(standing=1.0)}, 0.9),
    ],
)
def test_each_moves_the_output_as_reckoned(
    acts: dict[str, Any], wanted_v: float
) -> None:
    made = circuit(board())
    made.strays = replace(made.strays, **acts)
    assert driven(made, 90e-6) == pytest.approx(wanted_v, rel=1e-12)


def test_volts_that_go_in_drop_in_their_leads() -> None:
    whole, less = circuit(board(), unit="V"), circuit(board(), unit="V")
    less.strays = Strays(in_leads=0.01, leakage_a=TwoFold(standing=1.0))
    assert driven(less, 5e-5) == pytest.approx(0.99 * driven(whole, 5e-5))


def test_thermal_voltage_of_the_reference_goes_with_the_level() -> None:
    made = circuit(board())
    made.strays = Strays(reference_v=TwoFold(standing=1e-6, with_level=1e-5))
    assert made.reference_emf_v() == 1e-6
    driven(made, 90e-6)
    assert made.reference_emf_v() == pytest.approx(1e-5)


def test_a_standard_resistor_moves_with_the_room() -> None:
    warm = Strays(standard_ppm_per_k=10.0, standard_c=20.0)
    assert warm.standard_share(23.0) == pytest.approx(1 + 30e-6, abs=1e-12)


def test_every_key_that_can_be_written_acts(demo: Settings) -> None:
    """One that is added to the settings and not to the simulated bench is found."""
    pairs = {
        "thermal_v": {"thermal_v": 1e-3}, "leakage_a": {"leakage_a": 1e-9},
        "burden_v": {"burden_v": 1.0, "insulation_ohm": 1e9},
        "lead_ohm": {"lead_ohm": 1.0, "input_ohm": 1e3},
        "output_ohm": {"output_ohm": 1.0, "meter_ohm": 1e3},
        "bias_a": {"output_ohm": 1.0, "meter_ohm": 1e12, "bias_a": 1e-6},
    }  # fmt: skip
    known = {name for said in pairs.values() for name in said}
    assert known == {*Influences.model_fields}
    for said in pairs.values():
        # what goes with volts alone is refused of this product, not by its class
        one = bench_of(with_bench(demo, {"influences": said}))
        acts = Strays.of(one, default_rng(3))
        assert acts != Strays(), said


@pytest.mark.parametrize("reference", ["meter", "standard resistor"])
@pytest.mark.parametrize(
    "benches", [BENCHES, pytest.param(MANY, marks=pytest.mark.bench)]
)
def test_intervals_hold_what_is_true_with_them_stated_and_not_without(
    benches: int,
    reference: str,
    demo: Settings,
    record_property: Callable[[str, object], None],
) -> None:
    stated, silent = of_reference(demo, reference)
    with_them, without = held(stated, [stated, silent], benches)
    record_property(f"{reference}: share held, stated", round(with_them, 3))
    record_property(f"{reference}: share held, not stated", round(without, 3))
    assert with_them > by_chance(benches)
    assert without < 0.6
