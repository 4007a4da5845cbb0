"""Published uncertainty examples: JCGM 100, JCGM 101, EA-4/02."""

from collections.abc import Callable
from functools import partial
from math import inf
from typing import Any

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize_scalar
from uncertainties import umath

from daemon.metrology.coverage_interval import coverage_half_width
from daemon.metrology.monte_carlo import framework_holds, monte_carlo
from daemon.metrology.propagation import (
    Input,
    propagate,
    propagate_jointly,
    second_order_variances,
)
from daemon.metrology.uncertainty import (
    Component,
    Distribution,
    combined,
    correlation,
    coverage_factor,
    effective_degrees_of_freedom,
    half_width_component,
    of_expanded,
    of_half_width,
    of_trapezoid,
    type_a,
)
from tests.reference_values import Entry

FILE = "09_uncertainty_conformity"


def lines(
    uncertainties: list[float], degrees: list[float] | None = None
) -> list[Component]:
    known = degrees or [inf] * len(uncertainties)
    return [
        Component(
            name=f"line {place}",
            standard=standard,
            distribution=Distribution.NORMAL,
            degrees_of_freedom=one,
        )
        for place, (standard, one) in enumerate(zip(uncertainties, known, strict=True))
    ]


@pytest.mark.reference(FILE, "gum.H1")
def test_end_gauge_from_its_components(entry: Entry) -> None:
    comparison = lines(
        entry.inputs["d_components_nm"], entry.inputs["d_components_dof"]
    )
    entry.check("u_d_nm", combined(comparison))
    entry.check("dof_d", effective_degrees_of_freedom(comparison))
    budget = lines(entry.inputs["u_nm"], entry.inputs["dof"])
    entry.check("uc2_nm2", combined(budget) ** 2)
    entry.check("uc_nm", combined(budget))
    degrees = effective_degrees_of_freedom(budget)
    entry.check("veff", degrees)
    entry.check("veff_truncated", int(degrees))
    entry.check("t99_16", coverage_factor(0.99, int(degrees)))
    entry.check("t95_16", coverage_factor(0.95, int(degrees)))
    entry.check("U99_nm", coverage_factor(0.99, int(degrees)) * combined(budget))


def end_gauge(entry: Entry) -> list[Input]:
    """Return the inputs of the whole model; bounds of H.1.3 from memory."""
    return [
        Input(
            name="standard",
            estimate=entry.inputs["l_s_mm"] * 1e6,
            standard=entry.inputs["u_nm"][0],
            degrees_of_freedom=entry.inputs["dof"][0],
        ),
        Input(
            name="difference",
            estimate=entry.inputs["d_nm"],
            standard=entry.inputs["u_nm"][1],
            degrees_of_freedom=entry.inputs["dof"][1],
        ),
        Input.of_bounds("expansion", 11.5e-6, 2e-6),
        Input(
            name="temperature",
            estimate=-0.1,
            standard=float(np.hypot(0.2, 0.5 / 2**0.5)),
        ),
        Input(
            name="expansion_difference",
            estimate=0.0,
            standard=1e-6 / 3**0.5,
            degrees_of_freedom=entry.inputs["dof"][2],
        ),
        Input(
            name="temperature_difference",
            estimate=0.0,
            standard=0.05 / 3**0.5,
            degrees_of_freedom=entry.inputs["dof"][3],
        ),
    ]


def end_gauge_nm(
    standard: float,
    difference: float,
    expansion: float,
    temperature: float,
    expansion_difference: float,
    temperature_difference: float,
) -> float:
    return (
        standard
        + difference
        - standard
        * (expansion_difference * temperature + expansion * temperature_difference)
    )


@pytest.mark.reference(FILE, "gum.H1")
def test_end_gauge_from_its_model(entry: Entry) -> None:
    inputs = end_gauge(entry)
    budget = propagate(end_gauge_nm, inputs)
    entry.check("l_mm", budget.estimate * 1e-6)
    entry.check("uc2_nm2", budget.standard**2)
    entry.check("veff", budget.degrees_of_freedom)
    terms = second_order_variances(end_gauge_nm, inputs)
    entry.check(
        "second_order_terms_nm",
        [
            terms["temperature", "expansion_difference"] ** 0.5,
            terms["expansion", "temperature_difference"] ** 0.5,
        ],
    )
    second = propagate(end_gauge_nm, inputs, second_order=True)
    entry.check("uc_with_second_order_nm", second.standard)


def impedance_inputs(entry: Entry) -> dict[str, list[float]]:
    return {
        "v": entry.inputs["V_volt"],
        "i": [x * 1e-3 for x in entry.inputs["I_mA"]],
        "phi": entry.inputs["phi_rad"],
    }


@pytest.mark.reference(FILE, "gum.H2")
def test_resistance_and_reactance_of_five_sets(entry: Entry) -> None:
    series = impedance_inputs(entry)
    inputs = [Input.of_readings(name, values) for name, values in series.items()]
    for one, printed, scale in zip(
        inputs, ("V", "I_mA", "phi"), (1.0, 1e3, 1.0), strict=True
    ):
        entry.check(f"means.{printed}", one.estimate * scale)
        entry.check(f"u_mean.{printed}", one.standard * scale)
    correlations = {
        (a, b): correlation(series[a], series[b])
        for a, b in (("v", "i"), ("v", "phi"), ("i", "phi"))
    }
    for name, coefficient in zip(
        ("VI", "Vphi", "Iphi"), correlations.values(), strict=True
    ):
        entry.check(f"r_inputs.{name}", coefficient)

    result = propagate_jointly(
        lambda v, i, phi: (v / i * umath.cos(phi), v / i * umath.sin(phi), v / i),
        inputs,
        correlations,
    )
    for name, estimate, standard in zip(
        "RXZ", result.estimates, result.standard, strict=True
    ):
        entry.check(name, estimate)
        entry.check(f"u_{name}", standard)
        entry.check(f"unrounded.u_{name}", standard)
    for name, place in {"RX": (0, 1), "RZ": (0, 2), "XZ": (1, 2)}.items():
        entry.check(f"r_outputs.{name}", result.correlation[place])
        entry.check(f"unrounded.r_{name}", result.correlation[place])


@pytest.mark.reference(FILE, "gum.H2")
def test_the_two_approaches_agree(entry: Entry) -> None:
    """Approach 2: the mean of each set's own results, JCGM 100, H.2.4."""
    v = np.array(entry.inputs["V_volt"])
    i = np.array(entry.inputs["I_mA"]) * 1e-3
    phi = np.array(entry.inputs["phi_rad"])
    for name, values in {
        "R": v / i * np.cos(phi),
        "X": v / i * np.sin(phi),
        "Z": v / i,
    }.items():
        series = type_a(values.tolist())
        entry.check(f"approach2_mean_of_individual.{name}", series.mean)
        entry.check(f"u_{name}", series.standard)


@pytest.mark.reference(FILE, "gum.H2")
def test_leaving_out_correlation_nearly_triples_the_uncertainty(entry: Entry) -> None:
    inputs = [
        Input.of_readings(name, values)
        for name, values in impedance_inputs(entry).items()
    ]
    budget = propagate(lambda v, i, phi: v / i * umath.cos(phi), inputs)
    entry.check("u_R_if_correlation_ignored", budget.standard)


@pytest.mark.reference(FILE, "gum.G4")
def test_effective_degrees_of_freedom_of_a_product(entry: Entry) -> None:
    budget = lines(entry.inputs["rel_u_percent"], entry.inputs["dof"])
    entry.check("rel_uc_percent", combined(budget))
    degrees = effective_degrees_of_freedom(budget)
    entry.check("veff", degrees)
    entry.check("t95", coverage_factor(0.95, degrees))
    entry.check("U95_percent", coverage_factor(0.95, degrees) * combined(budget))


@pytest.mark.reference(FILE, "gum.G2.t_table")
def test_coverage_factors_of_the_table(entry: Entry) -> None:
    ours = {
        degrees: [coverage_factor(p, degrees) for p in entry.inputs["p"]]
        for degrees in entry.inputs["dof"]
    }
    entry.check("t", list(ours.values()))
    entry.check("printed_row_1", ours[1])
    entry.check("printed_row_10", ours[10])


@pytest.mark.reference(FILE, "gum.typeB.distributions")
def test_standard_uncertainty_of_each_shape(entry: Entry) -> None:
    a = entry.inputs["a"]
    for name in ("rectangular", "triangular", "arcsine"):
        entry.check(name, of_half_width(a, Distribution(name)))
    # The dot belongs to the name.
    entry.check("trapezoid_0.5", of_trapezoid(a, entry.inputs["beta"]))
    entry.check("normal95", of_expanded(a, 0.95))


@pytest.mark.reference(FILE, "jcgm101.9.2")
def test_sums_of_four(entry: Entry) -> None:
    def sums(distribution: Distribution, standards: list[float]) -> list[Component]:
        return [
            Component(name=f"X{n}", standard=u, distribution=distribution)
            for n, u in enumerate(standards)
        ]

    normal = sums(Distribution.NORMAL, entry.inputs["sd"])
    entry.check("a.u", combined(normal))
    entry.check("a.half_width95", coverage_half_width(normal, 0.95))
    equal = sums(Distribution.RECTANGULAR, entry.inputs["sd"])
    entry.check("b.u", combined(equal))
    entry.check("b.half_width95", coverage_half_width(equal, 0.95))
    entry.check("b.half_width95_exact", coverage_half_width(equal, 0.95))
    entry.check("b.gum_framework_half_width", coverage_factor(0.95) * combined(equal))
    one_large = sums(Distribution.RECTANGULAR, entry.inputs["sd_c"])
    entry.check("c.u", combined(one_large))
    entry.check("c.u_exact", combined(one_large))
    exact = coverage_half_width(one_large, 0.95)
    entry.check("c.half_width95_monte_carlo", exact)
    entry.check("c.half_width95_exact", exact)
    entry.check(
        "c.gum_framework_half_width", coverage_factor(0.95) * combined(one_large)
    )


@pytest.mark.reference(FILE, "jcgm101.9.2")
def test_drawn_sums_of_four(entry: Entry) -> None:
    def drawn_half_width(distribution: Distribution, standards: list[float]) -> float:
        inputs = [
            Input(name=f"x{n}", estimate=0.0, standard=u, distribution=distribution)
            for n, u in enumerate(standards)
        ]
        drawn = monte_carlo(
            lambda **x: sum(x.values()), inputs, seed=20, significant_digits=3
        )
        assert drawn.stable
        low, high = drawn.symmetric
        # The half-width of a symmetric interval about a mean of 0.
        return (high - low) / 2

    entry.check(
        "a.half_width95", drawn_half_width(Distribution.NORMAL, entry.inputs["sd"])
    )
    entry.check(
        "b.half_width95",
        drawn_half_width(Distribution.RECTANGULAR, entry.inputs["sd"]),
    )
    entry.check(
        "c.half_width95_monte_carlo",
        drawn_half_width(Distribution.RECTANGULAR, entry.inputs["sd_c"]),
    )


def shortest_interval(
    at: Callable[[float], float], coverage: float
) -> tuple[float, float]:
    """Return the shortest interval of a distribution (JCGM 101, 5.3.4)."""
    found = minimize_scalar(
        lambda below: at(below + coverage) - at(below),
        bounds=(0.0, 1 - coverage),
        method="bounded",
        options={"xatol": 1e-12},
    )
    return at(float(found.x)), at(float(found.x) + coverage)


def quantile(distribution: Any, probability: float) -> float:
    return float(distribution.ppf(probability))


@pytest.mark.reference(FILE, "jcgm101.9.4")
def test_comparison_loss_needs_more_than_first_order(entry: Entry) -> None:
    u = entry.inputs["u"]
    first_order, means, deviations, shortest = [], [], [], []
    for x1 in entry.inputs["x1"]:
        inputs = [
            Input(name="x1", estimate=x1, standard=u),
            Input(name="x2", estimate=entry.inputs["x2"], standard=u),
        ]
        budget = propagate(lambda x1, x2: x1**2 + x2**2, inputs)
        first_order.append((budget.estimate * 1e6, budget.standard * 1e6))
        drawn = monte_carlo(
            lambda x1, x2: x1**2 + x2**2, inputs, seed=94, significant_digits=3
        )
        means.append(drawn.estimate * 1e6)
        deviations.append(drawn.standard * 1e6)
        # The exact distribution, for the ends of a shortest drawn interval are
        # the least certain of all figures.
        exact = stats.ncx2(2, (x1 / u) ** 2)
        shortest.append(
            [
                end * u**2 * 1e6
                for end in shortest_interval(partial(quantile, exact), 0.95)
            ]
        )
        assert drawn.shortest[0] * 1e6 == pytest.approx(shortest[-1][0], abs=25)
        assert drawn.shortest[1] * 1e6 == pytest.approx(shortest[-1][1], abs=25)
        low, high = budget.estimate - 1.96 * u, budget.estimate + 1.96 * u
        assert not framework_holds((low, high), drawn, shortest=True)
    entry.check("gum_first_order_y_e6", [y for y, _ in first_order])
    entry.check("gum_first_order_u_e6", [y for _, y in first_order])
    entry.check("mean_e6", means)
    entry.check("sd_e6", deviations)
    entry.check("shortest95_e6", shortest)


@pytest.mark.reference(FILE, "ea402.S3")
def test_standard_resistor_by_substitution(entry: Entry) -> None:
    given = entry.inputs
    inputs = [
        Input(name="standard", estimate=given["R_S"], standard=given["u_R_S"]),
        Input(name="drift", estimate=given["dR_D"], standard=given["u_dR_D"]),
        Input(name="standard_c", estimate=0.0, standard=given["u_dR_TS"]),
        Input(name="unknown_c", estimate=0.0, standard=given["u_dR_TX"]),
        Input(name="parasitic", estimate=1.0, standard=given["u_r_C"]),
        Input(name="ratio", estimate=given["r"], standard=given["u_r"]),
    ]
    budget = propagate(
        lambda standard, drift, standard_c, unknown_c, parasitic, ratio: (
            (standard + drift + standard_c) * parasitic * ratio - unknown_c
        ),
        inputs,
    )
    entry.check("R_X", budget.estimate)
    entry.check("u", budget.standard)
    entry.check("U_k2", 2 * budget.standard)


@pytest.mark.source("JCGM 100:2008, clause 4.4.3: twenty temperatures; from memory")
def test_twenty_temperatures() -> None:
    """The standard prints a mean of 100.14, s 1.49 and s of the mean 0.33."""
    readings = [
        *(96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07),
        *(100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36),
        102.72,
    ]
    series = type_a(readings)
    assert series.mean == pytest.approx(100.145, abs=1e-9)
    assert series.deviation == pytest.approx(1.489, abs=5e-4)
    assert series.standard == pytest.approx(0.333, abs=5e-4)
    assert series.degrees_of_freedom == 19


@pytest.mark.source("JCGM 100:2008, clause 5.2.2: ten resistors in series; from memory")
@pytest.mark.parametrize(("coefficient", "expected"), [(1.0, 1.0), (0.0, 0.32)])
def test_ten_resistors_against_one_standard(
    coefficient: float, expected: float
) -> None:
    """Ten of 1000 ohm, each u = 100 milliohm from the same comparison standard."""
    names = [f"R{n}" for n in range(10)]
    inputs = [Input(name=name, estimate=1000.0, standard=0.1) for name in names]
    correlations = {
        (a, b): coefficient for place, a in enumerate(names) for b in names[:place]
    }
    budget = propagate(lambda **r: sum(r.values()), inputs, correlations)
    assert budget.estimate == pytest.approx(10_000.0)
    assert budget.standard == pytest.approx(expected, abs=0.005)
    drawn = monte_carlo(
        lambda **r: sum(r.values()), inputs, seed=7, correlations=correlations
    )
    assert drawn.standard == pytest.approx(expected, abs=0.01)


def bounds(*half_widths: float) -> list[Component]:
    return [
        half_width_component(f"bound {place}", half_width)
        for place, half_width in enumerate(half_widths)
    ]


@pytest.mark.source("EA-4/02 M, supplement 1, example S2: 10 kg weight; from memory")
def test_weight_of_ten_kilogram() -> None:
    """Printed u = 29.3 mg, from 22.5, 14.4, and bounds of 15, 10 and 10 mg."""
    budget = [*lines([22.5, 14.4]), *bounds(15.0, 10.0, 10.0)]
    assert combined(budget) == pytest.approx(29.3, abs=0.1)


@pytest.mark.source("EA-4/02 M, supplement 2, example S9: hand-held meter; from memory")
def test_one_rectangular_line_that_rules_the_others() -> None:
    """Printed u = 0.030 V, factor 1.65 of the ruling line, U = 0.05 V for 95 %."""
    budget = [*lines([0.001]), *bounds(0.05, 0.011)]
    assert combined(budget) == pytest.approx(0.030, abs=5e-4)
    assert coverage_half_width(budget, 0.95) == pytest.approx(0.05, abs=0.005)
    (ruling,) = bounds(0.05)
    factor = coverage_half_width([ruling], 0.95) / ruling.standard
    assert factor == pytest.approx(1.65, abs=0.005)


@pytest.mark.source("EA-4/02 M, supplement 2, example S10: caliper; from memory")
def test_two_rectangular_lines_make_a_trapezoid() -> None:
    """Printed u = 33 um, factor 1.83 and U = 60 um for 95 %."""
    budget = bounds(25.0, 50.0)
    assert combined(budget) == pytest.approx(33.0, abs=0.8)
    half_width = coverage_half_width(budget, 0.95)
    assert half_width == pytest.approx(60.0, abs=1.0)
    assert half_width / combined(budget) == pytest.approx(1.83, abs=0.005)
