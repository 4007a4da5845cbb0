"""Findings among many tests, and false alarms among many charts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.spc.discovery import (
    Adjustment,
    discoveries,
    false_alarms,
    rate_per_chart,
    width_for_rate,
)
from tests.reference_values import Entry
from tests.refusals import Refusal, assert_refused, refusals


@pytest.mark.reference("16_multiple_testing", "bh1995")
def test_fifteen_ordered_tests(entry: Entry) -> None:
    p, q = np.array(entry.inputs["p"]), entry.inputs["q"]
    names = {
        "BH": Adjustment.BENJAMINI_HOCHBERG,
        "bonferroni": Adjustment.BONFERRONI,
        "holm": Adjustment.HOLM,
        "hommel": Adjustment.HOMMEL,
        "BY": Adjustment.BENJAMINI_YEKUTIELI,
    }
    for name, adjustment in names.items():
        result = discoveries(p, level=q, adjustment=adjustment)
        entry.check(f"adjusted_{name}", result.adjusted)
    found = discoveries(p, level=q).found
    entry.check("reject_BH", int(found.sum()))
    entry.check("largest_p_rejected", float(p[found].max()))
    entry.check("threshold_at_rank4", 4 * q / len(p))
    for name in ("bonferroni", "hochberg"):
        adjustment = Adjustment[name.upper()]
        count = discoveries(p, level=q, adjustment=adjustment).found.sum()
        entry.check(f"reject_{name}", int(count))


@pytest.mark.reference("16_multiple_testing", "familywise")
def test_many_charts(entry: Entry) -> None:
    rate, charts = entry.inputs["alpha"], entry.inputs["m"]
    alarms = [false_alarms(rate=rate, charts=m) for m in charts]
    entry.check("prob", [each.any_alarm for each in alarms])
    entry.check("expected", [each.expected for each in alarms])
    single = rate_per_chart(any_alarm=rate, charts=100)
    entry.check("sidak_alpha_for_familywise_0.0027_m100", single)
    entry.check("sidak_limit_sigma", width_for_rate(single))


@given(
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=15),
    st.floats(0.001, 0.5),
    st.sampled_from(Adjustment),
)
@settings(max_examples=30)
def test_order_does_not_matter_and_stricter_levels_find_less(
    p: list[float], level: float, adjustment: Adjustment
) -> None:
    result = discoveries(p, level=level, adjustment=adjustment)
    back = discoveries(p[::-1], level=level, adjustment=adjustment)
    np.testing.assert_allclose(result.adjusted, back.adjusted[::-1])
    stricter = discoveries(p, level=level / 2, adjustment=adjustment)
    assert not np.any(stricter.found & ~result.found)
    assert np.all(result.adjusted >= np.array(p) - 1e-12)


@given(st.floats(1e-6, 0.5), st.integers(1, 1000))
def test_rate_and_any_alarm_are_inverses(rate: float, charts: int) -> None:
    any_alarm = false_alarms(rate=rate, charts=charts).any_alarm
    if any_alarm < 0.999:
        back = rate_per_chart(any_alarm=any_alarm, charts=charts)
        assert back == pytest.approx(rate, rel=1e-9)


@pytest.mark.parametrize(
    "refusal",
    refusals(
        Refusal("len(p)", lambda: discoveries([])),
        Refusal("p[1]", lambda: discoveries([0.5, 1.1])),
        Refusal("p[0]", lambda: discoveries([np.nan])),
        Refusal("level", lambda: discoveries([0.5], level=1.0)),
        Refusal("rate", lambda: false_alarms(rate=0.0, charts=3)),
        Refusal("charts", lambda: false_alarms(rate=0.1, charts=0)),
        Refusal("any_alarm", lambda: rate_per_chart(any_alarm=1.0, charts=3)),
        Refusal("rate", lambda: width_for_rate(1.5)),
    ),
)
def test_bad_arguments_are_named(refusal: Refusal) -> None:
    assert_refused(refusal)
