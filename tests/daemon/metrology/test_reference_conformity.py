"""Published conformity examples: JCGM 106, ILAC-G8."""

from math import inf

import numpy as np
import pytest
from scipy.stats import norm

from daemon.metrology.conformity import conformance_probability
from daemon.metrology.risk import DECISION_RULES, global_risk, guard_factor_for_risk
from tests.reference_values import Entry

FILE = "09_uncertainty_conformity"


@pytest.mark.reference(FILE, "jcgm106.zener")
def test_one_sided_tolerance(entry: Entry) -> None:
    y, u, limit = (entry.inputs[key] for key in ("y", "u", "TU"))
    ours = conformance_probability(y, u, -inf, limit)
    entry.check("p_conform", ours)
    entry.check("p_exact", ours)
    entry.check("z", norm.ppf(ours))


@pytest.mark.reference(FILE, "jcgm106.oil")
def test_two_sided_tolerance(entry: Entry) -> None:
    y, u, low, high = (entry.inputs[key] for key in ("y", "u", "TL", "TU"))
    ours = conformance_probability(y, u, low, high)
    entry.check("p_conform", ours)
    entry.check("p_exact", ours)


@pytest.mark.reference(FILE, "jcgm106.resistors")
def test_global_risks_of_a_production(entry: Entry) -> None:
    given = entry.inputs
    rows = []
    for guard_factor, *_ in entry.published("rows"):
        risk = global_risk(
            mean=given["y0"],
            deviation=given["u0"],
            uncertainty=given["u_m"],
            low=given["TL"],
            high=given["TU"],
            guard_factor=guard_factor,
        )
        rows.append([guard_factor, risk.consumer, risk.producer])
        entry.check("fraction_nonconforming", risk.nonconforming)
    entry.check("rows", rows)


@pytest.mark.reference(FILE, "risk.tur")
def test_risks_by_the_ratio_of_tolerance_to_uncertainty(entry: Entry) -> None:
    in_tolerance = entry.inputs["in_tolerance"]
    deviation = 1 / norm.ppf((1 + in_tolerance) / 2)
    rows = []
    for ratio, *_ in entry.published("rows"):
        risk = global_risk(
            mean=0.0, deviation=deviation, uncertainty=0.5 / ratio, low=-1.0, high=1.0
        )
        rows.append([ratio, risk.consumer, risk.producer])
    entry.check("rows", rows)


@pytest.mark.reference(FILE, "ilacg8.rules")
def test_specific_risk_of_each_rule(entry: Entry) -> None:
    rows = [row for row in entry.published("rows") if "exact" in row]
    for row in rows:
        rule = DECISION_RULES[row["rule"]]
        assert rule.guard_factor == float(row["w"].removesuffix("U").strip() or 1)
        assert rule.specific_risk == pytest.approx(row["exact"], rel=5e-4)
    assert set(DECISION_RULES) == {row["rule"] for row in rows}


@pytest.mark.reference(FILE, "guard.specific_risk")
def test_guard_band_and_specific_risk(entry: Entry) -> None:
    factors = np.array(entry.inputs["r"])
    # An item measured at the acceptance limit, one guard band inside a limit of 0.
    risks = [1 - conformance_probability(-2 * r, 1.0, -inf, 0.0) for r in factors]
    entry.check("pfa", risks)
    entry.check("r_for_5_percent", guard_factor_for_risk(0.05))
    entry.check("r_for_1_percent", guard_factor_for_risk(0.01))
