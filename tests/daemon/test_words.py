"""What a person is told follows from the numbers alone."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from daemon.presentation import figures, sentences, today
from storage.answers import BuildState
from storage.evidence import Claim, Evidence, LimitIs, Predicted
from storage.records import Cause, Disposal, Hold, Scope, Signal

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def signal(**changes: Any) -> Signal:
    """Return a finding on a reel, changed here and there."""
    evidence = Evidence(
        range_title="100 µA",
        tolerance_ppm=1000.0,
        spread_factor=1.1,
        check="Not the bench: check standard CS-1 read right on every range before.",
    )
    evidence = replace(evidence, **changes.pop("evidence", {}))
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
        "evidence": evidence.text(),
        "made_at": AT,
    }
    return Signal(**{**values, **changes})


def odd() -> Signal:
    """Return a finding of one unit that is far off alone."""
    return signal(
        signal="B-3-F9", cause=Cause.UNIT, holds=False, range="1mA", part=None,
        reel=None, first_serial="PA-1007", raised_serial="PA-1007", units=1,
        size_ppm=4200.0, low_ppm=4000.0, high_ppm=4400.0, implied_ohm=None,
        evidence={"range_title": "1 mA"},
    )  # fmt: skip


def gone(**changes: Any) -> Signal:
    """Return a finding that was withdrawn."""
    why = "Unit PA-1007 measured again reads like the others."
    return signal(**{"standing": False, "withdrawn": why} | changes)


def build(**changes: Any) -> BuildState:
    """Return an open build of thirty units."""
    values: dict[str, Any] = {
        "build": "B-3", "planned_units": None, "opened_at": AT, "units": 30,
        "first_pass_yield": None, "state": "open", "open_holds": 0, "last_run_at": AT,
    }  # fmt: skip
    return BuildState(**values | changes)


def hold(**changes: Any) -> Hold:
    """Return an open hold on build B-3."""
    values: dict[str, Any] = {
        "hold": "B-3-F1:B-3", "scope": Scope.BUILD, "subject": "B-3",
        "product": "PA", "signal": "B-3-F1", "reason": "range 100 µA reads +0.3 %",
        "placed_by": "holdpoint", "placed_at": AT,
    }  # fmt: skip
    return Hold(**values | changes)


def test_headline_says_what_to_do_which_range_how_much_and_since_when() -> None:
    said = sentences.finding(signal())
    assert said.headline == (
        "Hold build B-3: range 100 µA, reel K-304, reads +0.29 % since unit PA-3010."
    )


def test_of_many_held_units_the_first_page_says_how_many() -> None:
    """Builds and reels come first: they say most."""
    units = [hold(scope=Scope.UNIT, subject=f"PA-{n}", signal=None) for n in range(5)]
    wide = [hold(), hold(scope=Scope.REEL, subject="K-1")]
    assert today.ship([*units, *wide], doubted=0).startswith(
        "Not build B-3, reel K-1 nor 5 held units. "
    )
    assert today.ship(units[:2], doubted=0).startswith("Not unit PA-0 nor unit PA-1. ")
    assert today.ship([*wide, *wide], doubted=0) == today.ship(wide, doubted=0)


def test_units_that_are_held_alike_are_one_line_in_the_order_of_serials() -> None:
    units = [
        hold(scope=Scope.UNIT, subject=f"PA-{n}", signal=None) for n in (11, 9, 10)
    ]
    assert sentences.held_together([units[0], hold(), *units[1:]]) == [
        "build B-3",
        "units PA-9 to PA-11 (3)",
    ]
    assert sentences.held_together(units[:1]) == ["unit PA-11"]


def test_what_was_decided_is_not_to_be_held_again() -> None:
    said = sentences.finding(signal(evidence={"next": "Next: decide."}), decided=True)
    assert said.headline == (
        "Decided: in build B-3 range 100 µA, reel K-304, reads +0.29 % since unit "
        "PA-3010."
    )
    assert "Next: decide." not in said.lines


def test_lines_name_part_reel_value_and_claim() -> None:
    first, *_ = sentences.finding(signal()).lines
    assert first == (
        "Most likely part R13 from reel K-304 (96 % sure): its parts are now about "
        "5.0145 kΩ, outside their 0.1 % claim."
    )


def test_size_and_part_value_are_said_with_their_intervals() -> None:
    """5 kΩ times 1.0028 and 1.0030 by hand; an end is never below the other."""
    evidence = {"implied_low_ohm": 5015.0, "implied_high_ohm": 5014.0}
    found = signal(size_ppm=2900.0, low_ppm=2800.0, high_ppm=3000.0, evidence=evidence)
    lines = sentences.finding(found).lines
    assert "(5.01400 kΩ to 5.01500 kΩ with 95 %)" in lines[0]
    counted = next(one for one in lines if " show it so far. The move" in one)
    assert counted.endswith("move is +0.29 % (+0.28 % to +0.30 % with 95 %).")


def test_a_wide_reel_is_said_to_be_wide() -> None:
    first, *_ = sentences.finding(signal(evidence={"spread_factor": 4.0})).lines
    assert first.endswith("scatter 4 times as much as expected; their claim is 0.1 %.")
    alone = signal(size_ppm=0.0, low_ppm=-90.0, evidence={"spread_factor": 4.0})
    assert sentences.finding(alone).headline == (
        "Hold build B-3: range 100 µA, reel K-304, scatters 4 times as much as "
        "expected since unit PA-3010."
    )


def test_a_shift_inside_the_claim_does_not_contradict_the_label() -> None:
    small = signal(size_ppm=600.0, low_ppm=400.0, high_ppm=800.0)
    first, *_ = sentences.finding(small).lines
    assert first.endswith("; their claim is 0.1 %.")


def test_a_negative_reel_outside_its_claim_is_said_too() -> None:
    low = signal(size_ppm=-2900.0, low_ppm=-3100.0, high_ppm=-2700.0)
    said = sentences.finding(low)
    assert "\N{MINUS SIGN}0.29 %" in said.headline
    assert said.lines[0].endswith("outside their 0.1 % claim.")


def test_a_warning_does_not_say_hold() -> None:
    assert sentences.finding(signal(holds=False)).headline.startswith(
        "Look at build B-3"
    )


def test_the_shared_stage_concerns_every_range() -> None:
    shared = signal(
        cause=Cause.SHARED, range=None, part=None, reel=None, implied_ohm=None
    )
    said = sentences.finding(shared)
    assert "every range reads" in said.headline
    assert said.lines[0] == "Most likely the stage that all ranges share (96 % sure)."


def test_the_shipped_limit_is_said_below_the_headline() -> None:
    said = sentences.finding(signal(evidence={"limit_is": LimitIs.SHIPPED}))
    assert sentences.BY_SHIPPED_LIMIT in said.lines
    assert said.headline == sentences.finding(signal()).headline


@pytest.mark.parametrize("evidence", [{}, {"limit_is": LimitIs.CALIBRATED}])
def test_the_products_own_limit_goes_without_saying(evidence: dict[str, Any]) -> None:
    said = sentences.finding(signal(evidence=evidence))
    assert not [line for line in said.lines if "limit" in line]


def test_what_a_build_is_compared_with_has_one_number_on_a_screen() -> None:
    then, now = (
        f"Build B-3 is compared with 1 earlier build of {units} units."
        for units in (28, 30)
    )
    found = signal(evidence={"history": then})
    assert any(then in line for line in sentences.finding(found).lines)
    lines = sentences.finding(found, history=now).lines
    assert any(now in line for line in lines)
    assert not any(then in line for line in lines)
    other = "Build B-4 is compared with 2 earlier builds of 60 units."
    assert any(then in line for line in sentences.finding(found, history=other).lines)


def test_runners_up_are_named_with_their_probability() -> None:
    runners_up = (("shared stage", 0.03), ("bench", 0.002))
    said = sentences.finding(signal(evidence={"runners_up": runners_up}))
    assert "Less likely it is: shared stage 3 %." in said.lines


def test_certainty_is_never_claimed() -> None:
    assert figures.share(1.0) == "> 99 %"


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
    assert figures.ohm(value_ohm, half_ohm) == text


def test_nothing_measured_says_how_to_begin() -> None:
    said = sentences.standing(signals=[], builds=[], holds=[], units=0)
    assert said.headline == "No unit has been measured yet."
    assert said.lines[0].startswith("Open a build")
    (line,) = sentences.standing(signals=[], builds=[build()], holds=[], units=0).lines
    assert line.startswith(f"Build {build().build} is open: measure its first unit")


def test_a_released_finding_no_longer_stands_on_top() -> None:
    said = sentences.standing(signals=[signal()], builds=[build()], holds=[], units=90)
    assert said.headline == "Nothing is held."


def test_a_finding_whose_units_are_all_good_again_is_said_of_the_past() -> None:
    def said(*holds: Hold, held: str = "open") -> sentences.Saying:
        return sentences.standing(
            signals=[signal()], builds=[build(state=held)], holds=holds, units=90,
            reworked={"B-3-F1": 12},
        )  # fmt: skip

    assert said().lines[1:] == (
        (
            "Range 100 µA, reel K-304, read +0.29 % since unit PA-3010; 12 units "
            "reworked and good again."
        ),
    )
    on_it = hold()
    assert said(on_it, held="held").headline == (
        "Decide on build B-3: 12 units reworked and good again."
    )


def test_a_held_build_without_a_finding_is_said_too() -> None:
    by_hand = hold(subject="B-2", signal=None)
    said = sentences.standing(
        signals=[],
        builds=[build(build="B-2", state="held"), build()],
        holds=[by_hand],
        units=31,
    )
    assert said.headline == "Build B-2 is held: decide on it."


def test_a_build_that_was_let_go_is_not_called_held_for_its_reel() -> None:
    reel = hold(scope=Scope.REEL, subject="K-304")
    held = build(state="held")
    whole = hold(subject=held.build)
    for holds, says, state in (
        ([whole, reel], f"Hold build {held.build}: ", "held"),
        ([reel], "Hold reel K-304: range 100 µA reads", "held in part"),
    ):
        said = sentences.standing(
            signals=[signal()], builds=[held], holds=holds, units=90
        )
        assert said.headline.startswith(says)
        assert sentences.build_state(held, holds) == state


def test_every_finding_on_a_held_build_is_said_with_its_cause() -> None:
    second = signal(
        signal="B-3-F2", range="1mA", part="R14", reel="K-305", first_serial="PA-3012",
        size_ppm=-2200.0, low_ppm=-2400.0, high_ppm=-2000.0, implied_ohm=None,
        evidence={"range_title": "1 mA"},
    )  # fmt: skip
    of_bench = signal(
        signal="B-3-F3", cause=Cause.BENCH, range=None, part=None, reel=None,
        size_ppm=500.0, low_ppm=400.0, high_ppm=600.0, probability=0.8,
    )  # fmt: skip
    elsewhere = signal(signal="B-2-F1", build="B-2")
    said = sentences.standing(
        signals=[elsewhere, of_bench, signal(), second],
        builds=[build(build="B-2", state="held"), build(state="held")],
        holds=[hold(signal=one) for one in ("B-2-F1", "B-3-F1", "B-3-F2", "B-3-F3")],
        units=90,
    )
    # The newest first; those of another build stay in the list below.
    assert said.headline == (
        "Hold build B-3: range 1 mA, reel K-305, reads \N{MINUS SIGN}0.22 % since unit "
        "PA-3012. Also: range 100 µA, reel K-304, reads +0.29 % since unit PA-3010. "
        "Also: every range reads +0.05 % since unit PA-3010."
    )
    assert said.lines[0] == "Most likely part R14 from reel K-305 (96 % sure)."
    first, bench = said.lines[-2:]
    assert said.apart == ()
    assert first.startswith(
        "Range 100 µA, reel K-304, reads +0.29 % since unit PA-3010. Most likely part "
        "R13 from reel K-304 (96 % sure)"
    )
    assert bench == (
        "Every range reads +0.05 % since unit PA-3010. Most likely the bench, not the "
        "units (80 % sure)."
    )


def test_a_finding_whose_holds_were_ended_is_no_more_said_of_a_build_still_held() -> (
    None
):
    said = sentences.standing(
        signals=[signal(), signal(signal="B-3-F2", reel="K-305")],
        builds=[build(state="held")],
        holds=[hold()],
        units=90,
    )
    assert said.headline == sentences.finding(signal()).headline


@pytest.mark.parametrize("cause", [Cause.BENCH, Cause.SHARED])
def test_nothing_is_said_of_a_reel_s_parts_where_they_are_not_the_cause(
    cause: Cause,
) -> None:
    """Loose parts that read as they should may leave the bench as the likeliest."""
    evidence = {
        "claim": Claim(incompatible=0.99, tolerance_ppm=1e3, classes=((1e4, 0.9),)),
        "other_values_ohm": (5110.0,),
        "predicted_ppm": Predicted(3000.0, 2500.0, 3500.0),
    }
    of_reel, other = (
        "\n".join(sentences.finding(signal(cause=one, evidence=evidence)).lines)
        for one in (Cause.REEL, cause)
    )
    for said in (
        "do not keep to the",
        "another preferred value",
        "probably reads about",
    ):
        assert said in of_reel
        assert said not in other


def test_what_was_decided_is_said_of_its_build_and_not_of_the_next() -> None:
    def said(*builds: BuildState) -> sentences.Saying:
        return sentences.standing(signals=[signal()], builds=builds, holds=[], units=90)

    now = said(build())
    assert now.headline == "Nothing is held."
    (line,) = now.lines
    begin, _, this = line.partition(" but for this: ")
    assert begin == "90 units measured. In build B-3 every range reads as expected"
    assert this == f"{sentences.reads(signal())}."
    later = said(build(), build(build="B-4"))
    assert later.lines == (
        "90 units measured. In build B-4 every range reads as expected.",
    )


ODD_SENTENCE = (
    "Unit PA-1007 alone is far off on range 1 mA (+0.42 %): seat it and its leads "
    "again and measure it once more."
)


def test_an_odd_unit_is_something_to_do_and_never_a_hold() -> None:
    said = sentences.finding(odd())
    assert said.headline == ODD_SENTENCE
    assert "Nothing is held for it" in said.lines[0]
    assert not any("Hold" in line for line in (said.headline, *said.lines))
    first_page = sentences.standing(
        signals=[odd()], builds=[build()], holds=[], units=90
    )
    assert first_page.headline == ODD_SENTENCE
    assert first_page.lines == ("Nothing is held.",)
    assert sentences.beside(odd()) == "unit PA-1007 alone: +0.42 %"


def test_a_unit_that_was_measured_again_is_not_to_be_measured_a_third_time() -> None:
    evidence = Evidence(range_title="1 mA", measured_again=True)
    again = replace(odd(), evidence=evidence.text(), part="R14")
    assert sentences.finding(again).headline == (
        "Unit PA-1007 alone is far off on range 1 mA (+0.42 %), also when it was "
        "measured again: look at R14; what is replaced is to be recorded, then the "
        "unit is measured once more."
    )


def test_an_odd_unit_is_said_beside_what_is_held_and_of_earlier_builds_not_at_all() -> (
    None
):
    def said(*builds: BuildState) -> sentences.Saying:
        return sentences.standing(
            signals=[odd(), signal()], builds=builds, holds=[hold()], units=90
        )

    now = said(build(state="held"))
    assert now.headline.startswith("Hold build B-3: range 100 µA")
    assert now.apart == (ODD_SENTENCE,)
    later = said(build(state="held"), build(build="B-4"))
    assert later.apart == ()
    opened = said(build(state="held"), build(build="B-4", units=0))
    assert opened.apart == (ODD_SENTENCE,)


def test_a_withdrawn_finding_says_why_and_what_it_had_said() -> None:
    said = sentences.finding(gone())
    assert said.headline == (
        "Finding B-3-F1 was withdrawn: unit PA-1007 measured again reads like the "
        "others."
    )
    assert said.lines == (
        (
            "It said of build B-3: range 100 µA, reel K-304, reads +0.29 % since unit "
            "PA-3010."
        ),
        "A hold that it placed stands until a named person ends it.",
    )
    assert sentences.finding(gone(holds=False)).lines == said.lines[:1]


@pytest.mark.parametrize(
    ("why", "end"),
    [
        ("PA-1007 reads like the others.", "withdrawn: PA-1007 reads like the others."),
        ("A check moved the same way", "withdrawn: A check moved the same way."),
        ("Later units read as before", "withdrawn: later units read as before."),
    ],
)
def test_a_reason_goes_on_behind_the_colon(why: str, end: str) -> None:
    assert sentences.withdrawn(gone(withdrawn=why)).endswith(end)


def test_a_hold_whose_finding_was_withdrawn_is_what_is_to_be_decided() -> None:
    said = sentences.standing(
        signals=[gone()],
        builds=[build(state="held")],
        holds=[hold(), hold(scope="reel", subject="K-304")],
        units=90,
    )
    assert said.headline == "2 holds to decide on: their finding was withdrawn."
    (line,) = said.lines
    assert line.startswith("Finding B-3-F1 was withdrawn: unit PA-1007")
    assert line.endswith(
        "The holds on build B-3 and reel K-304 stand until a named person decides."
    )
    ended = sentences.standing(signals=[gone()], builds=[build()], holds=[], units=90)
    assert ended.headline == "Nothing is held."
    assert "Finding" not in " ".join(ended.lines)


def test_a_withdrawn_finding_stands_beside_one_that_holds() -> None:
    said = sentences.standing(
        signals=[gone(), signal(signal="B-3-F2")],
        builds=[build(state="held")],
        holds=[hold(), hold(signal="B-3-F2")],
        units=90,
    )
    assert said.headline.startswith("Hold build B-3: range 100 µA")
    assert "Also" not in said.headline
    (apart,) = said.apart
    assert apart.startswith("Finding B-3-F1 was withdrawn")


def test_why_something_is_held_is_said_in_its_findings_present_numbers() -> None:
    """The reason was written at +0.3 %; more units made it +0.36 %."""
    sharper = signal(size_ppm=3600.0, low_ppm=3500.0, high_ppm=3700.0)
    said = "range 100 µA, reel K-304, reads +0.36 % since unit PA-3010"
    assert sentences.why_held(hold(), sharper) == said
    of_reel = hold(scope="reel", subject="K-304")
    assert sentences.why_held(of_reel, sharper) == said.replace(", reel K-304,", "")
    assert sentences.why_held(hold(signal=None), None) == "range 100 µA reads +0.3 %"
    assert sentences.why_held(hold(), gone()).endswith("(finding B-3-F1, withdrawn)")


def test_who_ends_a_hold_on_many_units_is_told_what_it_means_for_each() -> None:
    for scope in (Scope.BUILD, Scope.REEL, Scope.SERIALS):
        scrapped = sentences.leaving(Disposal.SCRAP, scope)
        assert "leaves any more, not even one that conforms." in scrapped
        # The rest of a reel can be thrown away without its units.
        assert ("only what is left of the reel" in scrapped) is (scope is Scope.REEL)
        reworked = sentences.leaving(Disposal.REWORK, scope)
        assert "is measured again before it leaves, good ones too" in reworked
        assert "end this hold by release" in reworked
        for let_go in (Disposal.RELEASE, Disposal.CONCESSION):
            assert "that conforms may leave." in sentences.leaving(let_go, scope)
    # Of a build and of units: what each end does, once for each kind of hold.
    told = sentences.ends([Scope.UNIT, Scope.BUILD, Scope.UNIT])
    assert [one for one in told if one.endswith("does:")] == [
        "What each end of the hold of a build does:",
        "What each end of the hold of a unit does:",
    ]
    assert len(told) == 2 * (1 + len(Disposal)) + 1


@pytest.mark.parametrize("disposal", list(Disposal))
def test_who_ends_a_hold_is_told_what_it_means_later(disposal: Disposal) -> None:
    said = sentences.taught(disposal, Scope.REEL)
    if disposal in (Disposal.RELEASE, Disposal.CONCESSION):
        assert said == (
            "This reel is not held again for the difference that was found, only for a "
            "new one. Units that do not conform stay."
        )
    else:
        assert said == (
            "The reel counts as bad: the difference that was found is not taken as "
            "usual, and is held again where it shows in a later build."
        )


@pytest.mark.parametrize(
    ("found", "name"),
    [
        (signal(), "Finding B-3-F1: range 100 µA, reel K-304"),
        (
            signal(cause=Cause.BENCH, range=None, part=None, reel=None),
            "Finding B-3-F1: every range, bench",
        ),
        (
            signal(cause=Cause.UNIT, reel=None),
            "Finding B-3-F1: range 100 µA, unit PA-3010 alone",
        ),
        (
            signal(standing=False, withdrawn="measured again"),
            "Finding B-3-F1 (withdrawn)",
        ),
    ],
)
def test_a_list_tells_findings_on_one_build_apart(found: Signal, name: str) -> None:
    assert sentences.name(found) == name


def test_a_range_says_what_moved_what_is_odd_and_what_was_withdrawn() -> None:
    known: dict[str, Any] = {"errors_ppm": [100.0, -200.0], "limit_ppm": 5000.0}
    earlier = signal(signal="B-3-F0", reel="K-303")
    said = sentences.one_range(
        "100 µA", findings=[gone(), earlier, signal(), odd()], **known
    )
    assert said.headline == (
        "Range 100 µA, reel K-304, reads +0.29 % since unit PA-3010."
    )
    assert said.lines[1].startswith("Range 100 µA, reel K-303, reads +0.29 %")
    assert ODD_SENTENCE in said.lines
    assert said.lines[-1] == sentences.withdrawn(gone())
    calm = sentences.one_range("100 µA", findings=[gone(), odd()], **known)
    assert calm.headline == "Range 100 µA is as it was but for unit PA-1007."
    assert calm.lines[0] == ODD_SENTENCE


def test_a_check_standard_out_of_limits_points_at_the_bench() -> None:
    said = sentences.check_standard(serial="CS-1", outside=["1 mA"])
    assert said.startswith("Perhaps the bench")
    assert "1 mA" in said


def test_a_finding_says_which_class_its_reel_may_be_of() -> None:
    claimed = signal(
        evidence={
            "claim": Claim(
                tolerance_ppm=1000.0,
                incompatible=0.9999,
                classes=((5000.0, 0.2), (10000.0, 0.7), (20000.0, 0.1)),
            ),
            "other_values_ohm": (10200.0,),
            "alike": ("bench",),
            "check": None,
        }
    )
    lines = sentences.finding(claimed).lines
    assert (
        "Its parts do not keep to the 0.1 % on its label (> 99 % sure). A part of "
        "another preferred value would explain it: 10.2 kΩ. That explains it better "
        "than a wider tolerance does: the parts lie as close together as those "
        "before. If they are of the value that they should have, their tolerance is "
        "most likely 1 % (probability 70 %) or 0.5 % (probability 20 %)."
    ) in lines
    without = "".join(sentences.finding(replace(claimed, reel=None)).lines)
    assert "keep to the 0.1 % of the parts list (> 99 % sure)" in without
    assert "of this reel" not in without
    few = sentences.other_value(replace(claimed, units=2))
    assert "A few loose parts tell it from a wider tolerance" in few
    wide = sentences.other_value(replace(claimed, low_ppm=-9e3, high_ppm=9e3))
    assert wide == "A part of another preferred value would explain it: 10.2 kΩ. "
    assert any("be sure whether it is the bench" in line for line in lines)


def test_once_parts_were_measured_nothing_is_asked_for_that_they_answer() -> None:
    evidence = {
        "check": sentences.NO_STANDARD,
        "claim": Claim(incompatible=0.99, tolerance_ppm=1e3, classes=((1e4, 0.9),)),
        "other_values_ohm": (10_200.0,),
    }
    before = " ".join(sentences.finding(signal(units=2, evidence=evidence)).lines)
    measured = evidence | {"proven": ("Measured: 2 loose parts read 10.2 kΩ.",)}
    after = " ".join(sentences.finding(signal(units=2, evidence=measured)).lines)
    assert "2 units are too few to tell which tolerance they have." in before
    assert "tolerance is most likely" not in before
    for asked in (sentences.NO_STANDARD, "A few loose parts tell", "are too few"):
        assert asked in before
        assert asked not in after
    assert "A part of another preferred value would explain it: 10.2 kΩ." in after


def test_a_check_that_was_made_is_not_asked_for_as_if_none_had_been() -> None:
    said = sentences.finding(
        signal(evidence={"alike": ("bench",), "check": "Not the bench."})
    )
    assert "Not the bench." in said.lines
    assert not any("be sure whether it is the bench" in line for line in said.lines)
