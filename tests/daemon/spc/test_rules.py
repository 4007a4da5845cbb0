"""Run rules: definitions and exact indices."""

import pickle
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, strategies as st

from daemon.spc.errors import NotFiniteError, OutOfRangeError
from daemon.spc.rules import (
    EIGHT_ON_ONE_SIDE,
    ISO_7870_2,
    NELSON,
    ONE_BEYOND_3,
    SEVEN_IN_A_TREND,
    SEVEN_ON_ONE_SIDE,
    TWO_OF_THREE_BEYOND_2,
    WESTERN_ELECTRIC,
    Pattern,
    Rule,
    RunRules,
)
from tests.chart_checks import Watched
from tests.reference_values import Entry, entries

KEYS = {f"N{i}": rule for i, rule in enumerate(NELSON, start=1)} | {
    "WE4_8run": EIGHT_ON_ONE_SIDE,
    "ISO7run": SEVEN_ON_ONE_SIDE,
    "ISO7trend": SEVEN_IN_A_TREND,
}
SEQUENCES = [key for key in entries("05_run_rules") if key.startswith("seq.")]

# Few levels, so that ties, values on a line and long patterns come up often.
levels = st.sampled_from([-3.5, -3.0, -2.5, -2.0, -1.5, -1.0, -0.5, -0.2, 0.0])
z_values = st.lists(
    st.one_of(levels, levels.map(lambda z: -z), st.floats(-4, 4)), max_size=60
)
any_rule = st.one_of(
    st.sampled_from(list(KEYS.values())),
    st.builds(
        Rule,
        pattern=st.sampled_from([Pattern.ONE_SIDE, Pattern.WITHIN, Pattern.OUTSIDE]),
        window=st.integers(1, 12),
        sigmas=st.sampled_from([0.0, 0.5, 1.0, 2.0]),
    ),
    st.builds(
        Rule,
        pattern=st.sampled_from([Pattern.TREND, Pattern.ALTERNATING]),
        window=st.integers(3, 12),
    ),
)
rule_sets = st.lists(any_rule, min_size=1, max_size=6, unique=True).map(tuple)


def fires_by_definition(rule: Rule, z: Sequence[float]) -> bool:
    """Say whether a complete window fires, read off the words of the rule."""
    needed = rule.window if rule.needed is None else rule.needed
    steps = np.sign(np.diff(z))
    line = rule.sigmas
    match rule.pattern:
        case Pattern.ONE_SIDE:
            above = sum(value > line for value in z)
            below = sum(value < -line for value in z)
            return max(above, below) >= needed
        case Pattern.WITHIN:
            return sum(abs(value) < line for value in z) >= needed
        case Pattern.OUTSIDE:
            return sum(abs(value) > line for value in z) >= needed
        case Pattern.TREND:
            return bool(np.all(steps > 0) or np.all(steps < 0))
        case _:
            return bool(np.all(steps[1:] * steps[:-1] < 0))


@pytest.mark.reference("05_run_rules", *SEQUENCES)
def test_each_rule_fires_exactly_where_published(entry: Entry) -> None:
    history = Watched(KEYS.values(), entry.inputs["z"])
    for key, rule in KEYS.items():
        entry.check(f"all_rules_fires.{key}", [i + 1 for i in history.at(rule)])
    under_test = KEYS[entry.expected["rule_under_test"]]
    entry.check("fires_at_1based", [i + 1 for i in history.at(under_test)])


@pytest.mark.reference(
    "05_run_rules",
    "rules.nelson1984.definitions",
    "rules.western_electric1956.definitions",
    "rules.iso7870_2.definitions",
)
def test_the_sets_are_the_published_ones(entry: Entry) -> None:
    chosen, expected = {
        "rules.nelson1984.definitions": (
            NELSON,
            [
                "one beyond three sigma",
                "nine on one side",
                "six rising or falling",
                "fourteen alternating up and down",
                "two of three beyond two sigma on one side",
                "four of five beyond one sigma on one side",
                "fifteen within one sigma",
                "eight outside one sigma, either side",
            ],
        ),
        "rules.western_electric1956.definitions": (
            WESTERN_ELECTRIC,
            [
                "one beyond three sigma",
                "two of three beyond two sigma on one side",
                "four of five beyond one sigma on one side",
                "eight on one side",
            ],
        ),
        # The fourth, any obviously non-random pattern, is left to a person.
        "rules.iso7870_2.definitions": (
            ISO_7870_2,
            [
                "one beyond three sigma",
                "seven on one side",
                "seven rising or falling",
            ],
        ),
    }[entry.id]
    published = [test["count"].split()[0] for test in entry.published("tests")]
    counts = [
        str(rule.needed if rule.needed is not None else rule.window) for rule in chosen
    ]
    assert counts == [count for count in published if count != "-"]
    assert [rule.words for rule in chosen] == expected


@given(rule_sets, z_values)
def test_every_firing_is_one_by_definition(
    rules: tuple[Rule, ...], z: list[float]
) -> None:
    history = Watched(rules, z)
    for rule in rules:
        expected = [
            end - 1
            for end in range(rule.window, len(z) + 1)
            if fires_by_definition(rule, z[end - rule.window : end])
        ]
        assert history.at(rule) == expected


@given(rule_sets, z_values, z_values)
def test_a_saved_state_goes_on_as_if_nothing_was(
    rules: tuple[Rule, ...], first: list[float], second: list[float]
) -> None:
    one = RunRules(rules=rules)
    for z in first:
        one.update(z)
    again = pickle.loads(pickle.dumps(one))  # noqa: S301 - our own bytes
    assert [again.update(z) for z in second] == [one.update(z) for z in second]
    assert again == one


@given(z_values)
def test_turning_the_chart_over_swaps_the_sides(z: list[float]) -> None:
    history, turned = Watched(NELSON, z), Watched(NELSON, [-value for value in z])
    for rule in NELSON:
        side = 1 if rule.sided else 0
        assert history.at(rule, side=side) == turned.at(rule, side=-side)
    assert history.signal.tolist() == turned.signal.tolist()


def test_a_firing_says_which_units_and_which_side() -> None:
    watch = RunRules(rules=(TWO_OF_THREE_BEYOND_2,))
    points = [watch.update(z) for z in (0.0, -2.5, -2.1, 0.3)]
    assert [(f.n, f.first_n, f.side) for p in points for f in p.firings] == [
        (3, 1, -1),
        (4, 2, -1),
    ]


def test_a_value_that_is_not_finite_leaves_the_state_as_it_was() -> None:
    watch = RunRules(rules=NELSON)
    watch.update(0.4)
    before = pickle.dumps(watch)
    with pytest.raises(NotFiniteError, match="z = nan"):
        watch.update(float("nan"))
    assert pickle.dumps(watch) == before


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"window": 0}, "window = 0: must be a whole number >= 1"),
        ({"window": 65}, "window = 65: must be >= 1 and <= 64"),
        ({"window": 4, "needed": 2}, "needed = 2: must be > 2 and < 4"),
        ({"window": 4, "needed": 4}, "needed = 4: must be > 2 and < 4"),
        ({"window": 4, "sigmas": -1.0}, "sigmas = -1.0: must be >= 0"),
    ],
)
def test_a_rule_that_cannot_be_is_refused(
    settings: dict[str, float], message: str
) -> None:
    with pytest.raises(OutOfRangeError, match=message):
        Rule(pattern=Pattern.ONE_SIDE, **settings)  # type: ignore[arg-type]


def test_trends_need_every_step_and_room_for_one() -> None:
    with pytest.raises(OutOfRangeError, match="window = 1"):
        Rule(pattern=Pattern.TREND, window=1)
    with pytest.raises(OutOfRangeError, match="window = 2"):
        Rule(pattern=Pattern.ALTERNATING, window=2)
    with pytest.raises(OutOfRangeError, match="needed = 5"):
        Rule(pattern=Pattern.TREND, window=6, needed=5)


def test_no_rule_and_the_same_rule_twice_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match="at least one rule"):
        RunRules(rules=())
    with pytest.raises(OutOfRangeError, match="each once"):
        RunRules(rules=(ONE_BEYOND_3, ONE_BEYOND_3))


@pytest.mark.reference("05_run_rules", "rules.conventions")
def test_ties_and_first_windows_fall_as_agreed(entry: Entry) -> None:
    agreed = {
        # A value exactly on a line is not beyond it, nor within it.
        "beyond": ([3.0, -3.0, 2.0, 2.0], []),
        "within_1_sigma": ([1.0, *[0.5, 0.4, -0.5, -0.4] * 3, 0.5, 0.4], []),
        # Eight, one on the centre line, five: no nine on one side.
        "centre_line": ([*[0.5, 0.4] * 4, 0.0, *[0.5, 0.4] * 2, 0.5], []),
        "equal_neighbours": ([-0.9, -0.5, -0.5, -0.1, 0.2, 0.6], []),
        # A pattern that lasts fires at each further point, here the sixth on.
        "index": ([-0.9, -0.5, -0.1, 0.2, 0.5, 0.7, 0.8], [6, 7]),
        # Two of three: the second point is certain, yet its window is not complete.
        "windows": ([2.1, 2.2, 0.1], [3]),
    }
    assert agreed.keys() == entry.expected.keys()
    for z, fired in agreed.values():
        signal = Watched(NELSON, z).signal
        assert (np.flatnonzero(signal) + 1).tolist() == fired
