"""From findings and verdicts to holds; from a person's decision to their end."""

import pytest

from daemon import holds
from storage.records import Cause, Disposal, Scope, Verdict
from tests.daemon.making import AT
from tests.daemon.test_words import signal


def test_a_reel_finding_holds_its_build_and_the_reel() -> None:
    placed = holds.from_signal(signal(), "why")
    assert [(h.scope, h.subject) for h in placed] == [
        (Scope.BUILD, "B-3"),
        (Scope.REEL, "K-304"),
    ]
    assert {h.reason for h in placed} == {"why"}


def test_ids_follow_from_what_is_held_so_nothing_is_raised_twice() -> None:
    first = holds.from_signal(signal(revision=1), "why")
    later = holds.from_signal(signal(revision=9, size_ppm=3000.0), "why")
    assert [h.hold for h in first] == [h.hold for h in later]


def test_a_finding_that_only_warns_holds_nothing() -> None:
    assert holds.from_signal(signal(holds=False), "why") == ()


def test_a_shared_stage_finding_holds_the_build_alone() -> None:
    shared = signal(cause=Cause.SHARED, range=None, part=None, reel=None)
    (only,) = holds.from_signal(shared, "why")
    assert only.scope is Scope.BUILD


def test_a_nonconforming_run_holds_its_unit_and_names_the_ranges() -> None:
    (only,) = holds.from_verdicts(
        run="r",
        serial="PA-7",
        product="amplifier",
        verdicts=[("1 uA", Verdict.CONFORMING), ("1 mA", Verdict.NONCONFORMING)],
        at=AT,
    )
    assert (only.scope, only.subject) == (Scope.UNIT, "PA-7")
    assert only.reason == "Outside its error limit: 1 mA"


@pytest.mark.parametrize(
    "verdict", [one for one in Verdict if one is not Verdict.NONCONFORMING]
)
def test_no_other_verdict_holds_a_unit(verdict: Verdict) -> None:
    placed = holds.from_verdicts(
        run="r", serial="PA-7", product="a", verdicts=[("1 uA", verdict)], at=AT
    )
    assert placed == ()


def test_a_listed_person_ends_a_hold_with_a_reason() -> None:
    end, decision = holds.ending(
        "B-3-F1:B-3",
        disposal=Disposal.CONCESSION,
        person="Ada Moreno",
        reason="  labelled with the measured gain ",
        people=["Ada Moreno"],
        at=AT,
        evidence=" report R-12 ",
    )
    assert (end.person, end.reason) == ("Ada Moreno", "labelled with the measured gain")
    assert end.evidence == "report R-12"
    # The ledger chains it too.
    assert decision.reason == f"{end.reason} (evidence: report R-12)"
    assert (decision.action, decision.subject) == ("concession", "B-3-F1:B-3")


@pytest.mark.parametrize(
    ("person", "reason", "says"),
    [
        ("Somebody", "fine", "'Somebody' may not end a hold; listed are Ada Moreno"),
        ("Ada Moreno", "   ", "a hold ends with a reason; none was given"),
    ],
)
def test_nobody_else_and_nobody_without_a_reason(
    person: str, reason: str, says: str
) -> None:
    with pytest.raises(holds.NotAllowedError, match=says):
        holds.ending(
            "h",
            disposal=Disposal.RELEASE,
            person=person,
            reason=reason,
            people=["Ada Moreno"],
            at=AT,
        )
