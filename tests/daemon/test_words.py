"""What a person is told follows from the numbers alone."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest

from daemon import words
from storage.records import Cause, LimitIs, Signal

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def signal(**changes: Any) -> Signal:
    """Return a finding on a reel, changed here and there."""
    evidence = {
        "range_title": "100 uA",
        "tolerance_ppm": 1000.0,
        "spread_factor": 1.1,
        "runners_up": [],
        "check": "Not the bench: check standard CS-1 read right on every range before.",
    }
    evidence.update(changes.pop("evidence", {}))
    values: dict[str, Any] = {
        "signal": "B-3-F1",
        "revision": 4,
        "number": 71,
        "product": "amplifier",
        "build": "B-3",
        "cause": Cause.REEL,
        "statistic": "bank",
        "range": "100uA",
        "part": "R13",
        "reel": "K-304",
        "first_serial": "PA-3010",
        "raised_serial": "PA-3011",
        "units": 13,
        "size_ppm": 2900.0,
        "low_ppm": 2700.0,
        "high_ppm": 3100.0,
        "implied_ohm": 5014.5,
        "probability": 0.96,
        "holds": True,
        "evidence": json.dumps(evidence),
        "made_at": AT,
    }
    return Signal(**{**values, **changes})


def test_headline_says_what_to_do_which_range_how_much_and_since_when() -> None:
    said = words.finding(signal())
    assert said.headline == (
        "Hold build B-3: range 100 uA reads +0.29 % since unit PA-3010."
    )


def test_lines_name_part_reel_value_and_claim() -> None:
    first, *_ = words.finding(signal()).lines
    assert first == (
        "Most likely part R13 from reel K-304 (96 %): its parts are now about "
        "5.0145 kΩ, outside their 0.1 % claim."
    )


def test_size_and_part_value_are_said_with_their_intervals() -> None:
    """5 kΩ times 1.0028 and 1.0030 by hand; an end is never below the other."""
    evidence = {"implied_low_ohm": 5015.0, "implied_high_ohm": 5014.0}
    found = signal(size_ppm=2900.0, low_ppm=2800.0, high_ppm=3000.0, evidence=evidence)
    lines = words.finding(found).lines
    assert "(5.01400 kΩ to 5.01500 kΩ with 95 %)" in lines[0]
    counted = next(one for one in lines if "concerned so far" in one)
    assert counted.endswith("the size is +0.29 % (+0.28 % to +0.30 % with 95 %).")


def test_a_wide_reel_is_said_to_be_wide() -> None:
    first, *_ = words.finding(signal(evidence={"spread_factor": 4.0})).lines
    assert first.endswith("and spread wider than their 0.1 % claim allows.")


def test_a_shift_inside_the_claim_does_not_contradict_the_label() -> None:
    small = signal(size_ppm=600.0, low_ppm=400.0, high_ppm=800.0)
    first, *_ = words.finding(small).lines
    assert first.endswith("; their claim is 0.1 %.")


def test_a_negative_reel_outside_its_claim_is_said_too() -> None:
    low = signal(size_ppm=-2900.0, low_ppm=-3100.0, high_ppm=-2700.0)
    said = words.finding(low)
    assert "\N{MINUS SIGN}0.29 %" in said.headline
    assert said.lines[0].endswith("outside their 0.1 % claim.")


def test_a_warning_does_not_say_hold() -> None:
    assert words.finding(signal(holds=False)).headline.startswith("Look at build B-3")


def test_the_shared_stage_concerns_every_range() -> None:
    shared = signal(
        cause=Cause.SHARED, range=None, part=None, reel=None, implied_ohm=None
    )
    said = words.finding(shared)
    assert "every range reads" in said.headline
    assert said.lines[0] == "Most likely the stage that all ranges share (96 %)."


@pytest.mark.parametrize(
    ("limit_is", "sentence"),
    [
        (LimitIs.SHIPPED, "Judged by the shipped limit."),
        (
            LimitIs.LAST_CALIBRATED,
            "Judged by the product's limit for a shorter history.",
        ),
    ],
)
def test_another_limit_than_the_products_own_is_said_below_the_headline(
    limit_is: LimitIs, sentence: str
) -> None:
    said = words.finding(signal(evidence={"limit_is": limit_is}))
    assert sentence in said.lines
    assert said.headline == words.finding(signal()).headline


@pytest.mark.parametrize("evidence", [{}, {"limit_is": LimitIs.CALIBRATED}])
def test_the_products_own_limit_goes_without_saying(evidence: dict[str, Any]) -> None:
    said = words.finding(signal(evidence=evidence))
    assert not [line for line in said.lines if "limit" in line]


def test_runners_up_are_named_with_their_probability() -> None:
    runners_up = [["shared stage", 0.03], ["bench", 0.002]]
    said = words.finding(signal(evidence={"runners_up": runners_up}))
    assert "Less likely: shared stage 3 %." in said.lines


def test_certainty_is_never_claimed() -> None:
    assert words.share(1.0) == "> 99 %"


@pytest.mark.parametrize(
    ("value_ohm", "half_ohm", "text"),
    [
        (10_030.4, 12.0, "10.030 kΩ"),
        (501.4821, 0.12, "501.48 Ω"),
        (0.0501, 0.0002, "50.10 mΩ"),
        (1_000_000.0, None, "1 MΩ"),
    ],
)
def test_digits_of_a_resistance_follow_its_uncertainty(
    value_ohm: float, half_ohm: float | None, text: str
) -> None:
    assert words.ohm(value_ohm, half_ohm) == text


def test_nothing_measured_says_how_to_begin() -> None:
    said = words.standing(signals=[], held_builds=[], units=0)
    assert said.headline == "No unit has been measured yet."


def test_a_released_finding_no_longer_stands_on_top() -> None:
    said = words.standing(signals=[signal()], held_builds=[], units=90)
    assert said.headline == "Nothing is held."


def test_a_held_build_without_a_finding_is_said_too() -> None:
    said = words.standing(signals=[], held_builds=["B-2"], units=31)
    assert said.headline == "Hold build B-2: see its holds below."


def test_a_check_standard_out_of_limits_points_at_the_bench() -> None:
    said = words.check_standard(serial="CS-1", outside=["1 mA"])
    assert said.startswith("Perhaps the bench")
    assert "1 mA" in said


def test_a_finding_says_which_class_its_reel_may_be_of() -> None:
    claimed = signal(
        evidence={
            "claim": {
                "tolerance_ppm": 1000.0,
                "incompatible": 0.9999,
                "classes": [(5000.0, 0.2), (10000.0, 0.7), (20000.0, 0.1)],
            },
            "other_values_ohm": [10200.0],
            "alike": ["bench"],
            "check": None,
        }
    )
    lines = words.finding(claimed).lines
    assert (
        "Incompatible with its 0.1 % claim (> 99 %); of the tolerance classes most "
        "likely 1 % (70 %) or 0.5 % (20 %)."
    ) in lines
    assert "A part of another preferred value would explain it: 10.2 kΩ." in lines
    assert any("cannot be told apart" in line for line in lines)


def test_a_check_that_was_made_is_not_asked_for_as_if_none_had_been() -> None:
    said = words.finding(
        signal(evidence={"alike": ["bench"], "check": "Not the bench."})
    )
    assert "Not the bench." in said.lines
    assert not any("cannot be told apart" in line for line in said.lines)
