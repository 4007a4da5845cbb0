"""From findings and verdicts to holds; from a person's decision to their end."""

from dataclasses import asdict, replace

import pytest

from daemon.holds import policy
from daemon.presentation.figures import moment
from storage.answers import HoldState, LatestResult
from storage.records import Cause, Disposal, Scope, Signal, Verdict
from tests.daemon.making import AT
from tests.daemon.test_words import gone, hold, odd, signal


def test_a_reel_finding_holds_its_build_and_the_reel() -> None:
    placed = policy.from_signal(signal(), "why")
    assert [(h.scope, h.subject) for h in placed] == [
        (Scope.BUILD, "B-3"),
        (Scope.REEL, "K-304"),
    ]
    assert {h.reason for h in placed} == {"why"}


def test_ids_follow_from_what_is_held_so_nothing_is_raised_twice() -> None:
    first = policy.from_signal(signal(revision=1), "why")
    later = policy.from_signal(signal(revision=9, size_ppm=3000.0), "why")
    assert [h.hold for h in first] == [h.hold for h in later]


def test_a_finding_that_only_warns_holds_nothing() -> None:
    assert policy.from_signal(signal(holds=False), "why") == ()


def test_a_withdrawn_finding_and_an_odd_unit_hold_nothing() -> None:
    assert policy.from_signal(gone(), "why") == ()
    assert policy.from_signal(odd(), "why") == ()


def ended(after: int | None, *, name: str = "B-3-F1:B-3") -> HoldState:
    """Return a hold of the finding that was ended after a run; None: it is open."""
    return HoldState(
        **asdict(hold(hold=name)),
        after_number=61,
        disposal=None if after is None else Disposal.RELEASE,
        person=None if after is None else "Ada",
        end_reason=None if after is None else "looked at",
        ended_at=None if after is None else AT,
        evidence=None,
        end_after_number=after,
    )


def revision(number: int, revision: int, *, standing: bool = True) -> Signal:
    return signal(number=number, revision=revision, standing=standing)


STOOD, BACK = revision(61, 1), revision(64, 2, standing=False)


@pytest.mark.parametrize(
    ("known", "history", "placed"),
    [
        ([], [STOOD], "B-3-F1:B-3"),
        ([ended(None)], [STOOD, BACK], None),  # it stands still
        ([ended(63)], [STOOD], None),  # accepted
        ([ended(63)], [STOOD, BACK], None),  # accepted before it was withdrawn
        ([ended(64)], [STOOD, BACK], "B-3-F1:B-3#2"),
        # It stood again when the hold was ended, so that is accepted.
        ([ended(66)], [STOOD, BACK, revision(65, 3)], None),
        ([ended(64), ended(None, name="B-3-F1:B-3#2")], [STOOD, BACK], None),
        (
            [ended(64), ended(68, name="B-3-F1:B-3#2")],
            [STOOD, BACK, revision(65, 3), revision(67, 4, standing=False)],
            "B-3-F1:B-3#3",
        ),
        # Another finding's hold, though its name begins alike.
        ([ended(63, name="B-3-F1:B-31")], [STOOD], "B-3-F1:B-3"),
    ],
)
def test_a_finding_holds_again_only_what_was_ended_while_it_was_withdrawn(
    known: list[HoldState], history: list[Signal], placed: str | None
) -> None:
    now = signal(revision=9, number=70)
    asked = policy.from_signal(now, "why")[0]
    found = policy.raised_again(asked, signal=now, holds=known, history=history)
    assert (None if found is None else found.hold) == placed
    if found is not None and "#" in found.hold:
        assert found.reason == "why; held again: the finding stands again"


def test_the_end_of_a_hold_is_offered_when_its_finding_was_withdrawn() -> None:
    offer = policy.end_offer(hold(), gone(revision=7, number=71))
    assert offer is not None
    assert offer.sentence == (
        "Finding B-3-F1 was withdrawn: unit PA-1007 measured again reads like the "
        "others."
    )
    assert (offer.disposal, offer.reason) == (Disposal.RELEASE, offer.sentence)
    assert offer.evidence == f"finding B-3-F1 as it stood on {moment(AT)}"


def test_the_end_of_a_hold_is_offered_when_its_finding_names_something_else() -> None:
    of_reel = hold(scope="reel", subject="K-304")
    assert policy.end_offer(of_reel, signal()) is None
    of_bench = signal(cause=Cause.BENCH, range=None, part=None, reel=None)
    offer = policy.end_offer(of_reel, of_bench)
    assert offer is not None
    assert offer.sentence == (
        "Finding B-3-F1 asks for this hold no more: it is now most likely the bench "
        "(96 % sure)."
    )
    assert policy.end_offer(hold(), of_bench) is None  # the build is held as before


def test_no_end_is_offered_of_a_hold_that_no_finding_placed() -> None:
    assert policy.end_offer(hold(signal=None), None) is None
    assert policy.end_offer(hold(signal=None), gone()) is None
    assert policy.end_offer(hold(), signal()) is None


def test_a_shared_stage_finding_holds_the_build_alone() -> None:
    shared = signal(cause=Cause.SHARED, range=None, part=None, reel=None)
    (only,) = policy.from_signal(shared, "why")
    assert only.scope is Scope.BUILD


def test_a_nonconforming_run_holds_its_unit_and_names_the_ranges() -> None:
    (only,) = policy.from_verdicts(
        run="r",
        serial="PA-7",
        product="amplifier",
        verdicts=[("1 µA", Verdict.CONFORMING), ("1 mA", Verdict.NONCONFORMING)],
        at=AT,
    )
    assert (only.scope, only.subject) == (Scope.UNIT, "PA-7")
    assert only.reason == "Outside its error limit: 1 mA"


@pytest.mark.parametrize(
    "verdict", [one for one in Verdict if one is not Verdict.NONCONFORMING]
)
def test_no_other_verdict_holds_a_unit(verdict: Verdict) -> None:
    placed = policy.from_verdicts(
        run="r", serial="PA-7", product="a", verdicts=[("1 µA", verdict)], at=AT
    )
    assert placed == ()


def test_a_listed_person_ends_a_hold_with_a_reason() -> None:
    end, decision = policy.ending(
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
    with pytest.raises(policy.NotAllowedError, match=says):
        policy.ending(
            "h",
            disposal=Disposal.RELEASE,
            person=person,
            reason=reason,
            people=["Ada Moreno"],
            at=AT,
        )


def latest(run: str, verdict: Verdict, number: int = 9) -> LatestResult:
    return LatestResult(
        number=number,
        run=run,
        serial="PA-1007",
        build="B-1",
        position=7,
        started_at=AT,
        session="s",
        range="1uA",
        error_ppm=10.0,
        uncertainty_ppm=50.0,
        limit_ppm=5_000.0,
        verdict=verdict,
        reruns=1,
        points=None,
    )


def test_the_end_of_a_units_hold_is_offered_once_it_conforms_by_a_rerun() -> None:
    (of_unit,) = policy.from_verdicts(
        run="first",
        serial="PA-1007",
        product="photodiode-amplifier",
        verdicts=[("1 µA", Verdict.NONCONFORMING)],
        at=AT,
    )
    good, bad = Verdict.CONFORMING, Verdict.NONCONFORMING
    offer = policy.measured_right(of_unit, [latest("second", good)], ())
    assert offer is not None
    assert offer.reason == (
        f"Unit PA-1007 conforms on every range by its latest readings, {AT:%Y-%m-%d}."
    )
    assert offer.evidence == f"unit PA-1007, measured on {moment(AT)}"
    assert policy.measured_right(of_unit, [latest("second", bad)], ()) is None
    undecided = latest("second", Verdict.UNDECIDED)
    assert policy.measured_right(of_unit, [undecided], ()) is None
    # What placed it is still the latest of a range; or nothing was measured.
    first = [latest("first", good), latest("second", good)]
    assert policy.measured_right(of_unit, first, ()) is None
    assert policy.measured_right(of_unit, [], ()) is None
    by_hand = replace(of_unit, placed_by="Ada Moreno")
    assert policy.measured_right(by_hand, [latest("second", good)], ()) is None
