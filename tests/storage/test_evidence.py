"""What a finding rests on: a text in its row, a type to whoever reads it."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, get_type_hints

import pytest
from hypothesis import given, strategies as st

from storage.errors import RefusedValueError
from storage.evidence import Claim, Evidence, Label, LimitIs, Possible, Predicted
from tests.storage.samples import SIGNAL

NUMBERS = st.floats(allow_nan=False)
MANY = st.lists(NUMBERS, max_size=3).map(tuple)
PREDICTED = st.builds(Predicted, NUMBERS, NUMBERS, NUMBERS)
OF_TYPE: Mapping[Any, st.SearchStrategy[Any]] = {
    bool: st.booleans(),
    float: NUMBERS,
    float | None: st.none() | NUMBERS,
    str: st.text(),
    str | None: st.none() | st.text(),
    LimitIs | None: st.none() | st.sampled_from(LimitIs),
    Predicted | None: st.none() | PREDICTED,
    Mapping[str, Predicted] | None: st.none() | st.dictionaries(st.text(), PREDICTED),
    tuple[float, ...]: MANY,
    tuple[str, ...]: st.lists(st.text(), max_size=3).map(tuple),
    tuple[tuple[str, float], ...]: st.lists(
        st.tuples(st.text(), NUMBERS), max_size=3
    ).map(tuple),
    tuple[Possible, ...]: st.lists(
        st.builds(
            Possible, st.text(), NUMBERS, NUMBERS, NUMBERS, st.none() | st.text()
        ),
        max_size=2,
    ).map(tuple),
    Claim | None: st.none()
    | st.builds(
        Claim,
        tolerance_ppm=NUMBERS,
        incompatible=NUMBERS,
        classes=st.lists(st.tuples(NUMBERS, NUMBERS), max_size=3).map(tuple),
    ),
    Label | None: st.none()
    | st.builds(Label, **dict.fromkeys(get_type_hints(Label), NUMBERS)),
}
SAID = st.fixed_dictionaries(
    {}, optional={name: OF_TYPE[of] for name, of in get_type_hints(Evidence).items()}
)

OF_BEFORE = """{
    "alike": ["bench"], "carrying": [["PA-003", 0.25]], "check": null,
    "claim": {"classes": [[5000.0, 0.7], [10000.0, 0.3]], "incompatible": 0.99,
              "tolerance_ppm": 1000.0},
    "drift_ppm_per_unit": null, "history": "Held against build B-1.",
    "implied_high_ohm": 5014.0, "implied_low_ohm": 5015.0, "limit_is": "shipped",
    "log_odds": 9.5, "log_odds_limit": 6.25, "mixed_share": null, "next": null,
    "nominal_ohm": 5000.0, "other_values_ohm": [],
    "predicted_ppm": [3000.0, 2500.0, 3500.0], "range_title": "100 uA",
    "runners_up": [["shared stage", 0.03]], "spread_factor": 1.2,
    "tolerance_ppm": 1000.0
}"""


@given(said=SAID)
def test_what_is_said_is_read_again_as_it_was(said: dict[str, Any]) -> None:
    evidence = Evidence(**said)
    assert Evidence.of(evidence.text()) == evidence
    assert Evidence.of(evidence.text()).text() == evidence.text()


def test_what_is_not_said_is_left_out_and_the_order_is_always_the_same() -> None:
    assert Evidence().text() == "{}"
    one, other = Predicted(1.0, 0.5, 1.5), Predicted(2.0, 1.5, 2.5)
    said = Evidence(predicted_by_range={"B": one, "A": other}, alike=("bench",))
    assert said.text() == (
        '{"alike": ["bench"], "predicted_by_range": '
        '{"A": [2.0, 1.5, 2.5], "B": [1.0, 0.5, 1.5]}}'
    )


def test_rows_of_before_are_read() -> None:
    """They say null where nothing was known, and lists for what has parts."""
    assert replace(SIGNAL, evidence=OF_BEFORE).basis == Evidence(
        log_odds=9.5,
        log_odds_limit=6.25,
        limit_is=LimitIs.SHIPPED,
        history="Held against build B-1.",
        spread_factor=1.2,
        runners_up=(("shared stage", 0.03),),
        alike=("bench",),
        carrying=(("PA-003", 0.25),),
        range_title="100 uA",
        tolerance_ppm=1000.0,
        nominal_ohm=5000.0,
        claim=Claim(
            tolerance_ppm=1000.0,
            incompatible=0.99,
            classes=((5000.0, 0.7), (10000.0, 0.3)),
        ),
        implied_low_ohm=5015.0,
        implied_high_ohm=5014.0,
        predicted_ppm=Predicted(mean_ppm=3000.0, low_ppm=2500.0, high_ppm=3500.0),
    )
    assert Evidence.of(OF_BEFORE).implied_interval_ohm == [5014.0, 5015.0]
    assert Evidence().implied_interval_ohm == []


def test_what_only_other_versions_say_is_not_read() -> None:
    text = '{"alike": ["bench"], "weather": 3, "claim": {"incompatible": 0.5, "of": 1, '
    assert Evidence.of(f'{text}"tolerance_ppm": 1e3}}}}') == Evidence(
        alike=("bench",), claim=Claim(tolerance_ppm=1e3, incompatible=0.5)
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("9.5", "signal.evidence = 9.5: "),
        ('["bench"]', "signal.evidence = ['bench']: "),
        ('{"alike": ', "signal.evidence = '{\"alike\": ': "),
        ('{"log_odds": "high"}', "signal.evidence.log_odds = 'high': "),
        ('{"claim": {"incompatible": 1}}', "signal.evidence.claim.tolerance_ppm = "),
        ('{"predicted_ppm": [1.0, 2.0]}', "signal.evidence.predicted_ppm.2 = "),
    ],
)
def test_damaged_text_is_refused_where_it_is_damaged(text: str, said: str) -> None:
    with pytest.raises(RefusedValueError) as refused:
        _ = replace(SIGNAL, evidence=text).basis
    assert str(refused.value).startswith(said)
    with pytest.raises(RefusedValueError):
        replace(SIGNAL, evidence=text).check()


def test_how_probable_each_cause_is_is_refused_likewise() -> None:
    assert replace(SIGNAL, causes='{"reel": 0.9}').shares == {"reel": 0.9}
    assert SIGNAL.shares == {}, "as in rows of before"
    with pytest.raises(RefusedValueError, match=r"signal\.causes\.reel = 'likely'"):
        replace(SIGNAL, causes='{"reel": "likely"}').check()
