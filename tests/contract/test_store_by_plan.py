"""A unit without every range leaves by the sample plan, while nothing is against it."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from storage.records import (
    Cause,
    Disposal,
    Evaluation,
    Fitting,
    Reel,
    Scope,
    Unit,
    Verdict,
)
from storage.records_shipping import SampleRule, ShipRule
from storage.store import Store
from tests.storage.samples import (
    CLEARED,
    DOUBT,
    DOUBT_END,
    END,
    FITTING,
    PERSONS_HOLD,
    PLACED,
    RANGES,
    RETURN,
    REWORK,
    SHIP_RULE,
    SHIPMENT,
    SIGNAL,
    START,
    decided,
    record,
    results,
    run,
    unit,
)

NEEDED = 3  # a tenth of the thirty units that build B1 is planned to have
RULE = replace(SHIP_RULE, sample=SampleRule(share=0.1, ranges=()))
ONE_RANGE = replace(SHIP_RULE, sample=SampleRule(share=0.1, ranges=("10 uA",)))
BARE = "S050"
OTHERS_HOLD = replace(PERSONS_HOLD, scope=Scope.UNIT, subject="S002")


def sampled(store: Store, units: int = NEEDED) -> None:
    """Measure some units on every range, and leave another unmeasured."""
    store.keep(Unit(serial=BARE, product="photoamp", build="B1"))
    for number in range(1, units + 1):
        record(store, run(number))
    watched(store, units)


def watched(store: Store, number: int) -> None:
    """Have the watch see everything up to a run."""
    store.record_evaluation(Evaluation(product="photoamp", number=number))


def against(store: Store, rule: ShipRule = RULE, serial: str = BARE) -> list[str]:
    """Ask what is against a unit."""
    return store.reasons_against(serial, "photoamp", rule)


def partly(store: Store, number: int, ranges: Sequence[str], verdict: Verdict) -> None:
    """Measure the unmeasured unit on some ranges."""
    of = run(number, serial=BARE)
    store.record_run(of, results(of, ranges, verdict=verdict), unit(of))
    watched(store, NEEDED + 1)


def another_reel(store: Store, *, from_serial: str) -> None:
    """Have the build's boards carry another reel from one on."""
    store.keep(
        Reel(
            reel="reel 8", nominal_ohm=1e4, tolerance_ppm=1e3, received_at=START
        )
    )  # fmt: skip
    store.keep(
        Fitting(
            fitting="F2", product="photoamp", build="B1", part="R13", reel="reel 8",
            from_serial=from_serial, fitted_at=FITTING.fitted_at,
        )
    )  # fmt: skip


def short(good: int) -> str:
    return (
        f"measured by plan, but {good} of 30 units of its build are measured on every "
        f"range and good; the plan asks for {NEEDED}"
    )


def test_it_leaves_once_the_share_is_reached_and_not_before(store: Store) -> None:
    sampled(store, NEEDED - 1)
    assert against(store) == [short(NEEDED - 1)]
    record(store, run(NEEDED))
    watched(store, NEEDED)
    assert against(store) == []
    shipment = replace(SHIPMENT, serial=BARE, override_reason=None)
    line = decided("Ada", "ship", BARE, shipment.shipped_at)
    assert store.ship(shipment, RULE, line) == []
    assert store.table("shipments", product="photoamp").num_rows == 1
    assert against(store) == ["it has left already"]  # as when it is scanned twice


def test_without_a_plan_every_range_is_asked_for(store: Store) -> None:
    sampled(store)
    assert against(store, SHIP_RULE) == ["it was never measured"]


def test_what_the_plan_asks_of_each_unit_is_asked(store: Store) -> None:
    sampled(store)
    owed = "not measured on range 10 uA, which the plan asks of each unit"
    assert against(store, ONE_RANGE) == [owed]
    partly(store, 40, ("10 uA",), Verdict.CONFORMING)
    assert against(store, ONE_RANGE) == []
    assert against(store, SHIP_RULE) == ["not measured on ranges 1 uA, 100 uA and 1 mA"]


def test_what_was_measured_and_is_not_good_stays(store: Store) -> None:
    sampled(store)
    partly(store, 40, ("1 uA",), Verdict.UNDECIDED)
    assert against(store) == ["undecided on range 1 uA"]


def test_a_withdrawn_finding_is_nothing_against_it(store: Store) -> None:
    sampled(store)
    warned = replace(SIGNAL, holds=False)
    gone = replace(warned, revision=2, standing=False, withdrawn="measured again")
    stands = "measured by plan, but finding signal 1 stands on its build"
    for one, said in ((warned, [stands]), (gone, [])):
        store.record_evaluation(
            Evaluation(product="photoamp", number=NEEDED, signals=(one,))
        )
        assert against(store) == said


def test_an_odd_unit_is_nothing_against_others_and_no_example_for_them(
    store: Store,
) -> None:
    sampled(store)
    odd = replace(SIGNAL, cause=Cause.UNIT, holds=False, part=None, reel=None)
    store.record_evaluation(
        Evaluation(product="photoamp", number=NEEDED, signals=(odd,))
    )
    assert against(store) == [short(NEEDED - 1)]
    record(store, run(NEEDED + 1))
    watched(store, NEEDED + 1)
    assert against(store) == []


def test_a_build_larger_than_planned_is_counted_as_it_is(store: Store) -> None:
    sampled(store)
    more = [Unit(serial=f"T{n}", product="photoamp", build="B1") for n in range(27)]
    store.keep(*more)  # 27 + 3 + 1 are 31
    (said,) = against(store)
    assert "3 of 31 units" in said
    assert said.endswith("the plan asks for 4")


def test_a_reel_none_of_whose_units_is_measured_and_good_keeps_its_own(
    store: Store,
) -> None:
    """Many good units of another reel say nothing of what came with this one."""
    sampled(store)
    another_reel(store, from_serial="S004")
    unproven = (
        "measured by plan, but none of its build that is measured on every range and "
        "good has reel reel 8 (R13), as it does"
    )
    assert against(store) == [unproven]
    store.keep(Unit(serial="S000", product="photoamp", build="B1"))
    assert against(store, serial="S000") == []  # of the reel before it
    record(store, run(4), Verdict.UNDECIDED)
    watched(store, 4)
    assert against(store) == [unproven]
    record(store, run(5))
    watched(store, 5)
    assert against(store) == []


def test_a_part_replaced_from_a_reel_proves_that_reel(store: Store) -> None:
    sampled(store)
    another_reel(store, from_serial="S004")
    line = decided("Ada", "rework", "S001", REWORK.reworked_at)
    store.keep(replace(REWORK, part="R13", reel="reel 8"), decision=line)
    again = run(600, serial="S001")
    store.record_run(again, results(again), unit(again))
    watched(store, 4)
    assert against(store) == []


@pytest.mark.parametrize("verdict", [Verdict.UNDECIDED, Verdict.NONCONFORMING])
def test_only_good_units_count(store: Store, verdict: Verdict) -> None:
    sampled(store, NEEDED - 1)
    record(store, run(NEEDED), verdict)
    watched(store, NEEDED)
    assert against(store) == [short(NEEDED - 1)]


def test_units_judged_by_other_settings_or_in_doubt_do_not_count(store: Store) -> None:
    sampled(store)
    other = replace(RULE, configurations=("another",))
    assert against(store, other) == [short(0)]
    store.keep(DOUBT)
    assert against(store) == [short(NEEDED - 1)]
    store.keep(DOUBT_END, decision=CLEARED)
    assert against(store) == []


def test_a_unit_that_was_reworked_since_does_not_count(store: Store) -> None:
    sampled(store)
    line = decided("Ada", "rework", "S001", REWORK.reworked_at)
    store.keep(REWORK, decision=line)
    assert against(store) == [short(NEEDED - 1)]


def test_a_run_that_nobody_evaluated_is_waited_for(store: Store) -> None:
    sampled(store)
    record(store, run(NEEDED + 1))
    waits = "measured by plan, but a run of its build is not evaluated yet"
    assert against(store) == [waits]
    watched(store, NEEDED + 1)
    assert against(store) == []


@pytest.mark.parametrize(
    "hold",
    [
        {"scope": Scope.UNIT, "subject": "S002"},
        {"scope": Scope.SERIALS, "subject": "S002", "to_serial": "S004"},
        {"scope": Scope.REEL, "subject": "reel 7"},
    ],
    ids=lambda hold: str(hold["scope"]),
)
def test_a_hold_on_anything_of_the_build_keeps_it(
    store: Store, hold: dict[str, Any]
) -> None:
    sampled(store)
    # From S003 on another reel: the held one is in other units of the build.
    another_reel(store, from_serial="S003")
    store.keep(replace(PERSONS_HOLD, **hold), decision=PLACED)
    on = f"{hold['scope']} {hold['subject']}"
    assert against(store) == [
        f"measured by plan, but a hold stands on its build ({on})"
    ]
    released = replace(END, hold=PERSONS_HOLD.hold)
    store.keep(released, decision=decided("Ada", "release", "hold 2", END.ended_at))
    assert against(store) == []


def test_its_own_hold_is_said_once(store: Store) -> None:
    sampled(store)
    store.keep(PERSONS_HOLD, decision=PLACED)
    assert against(store) == [f"held (build B1): {PERSONS_HOLD.reason}"]


def test_a_hold_on_another_build_does_not_matter(store: Store) -> None:
    sampled(store)
    store.keep(Unit(serial="X1", product="photoamp", build="B2"))
    store.keep(replace(OTHERS_HOLD, subject="X1"), decision=PLACED)
    store.record_evaluation(
        Evaluation(
            product="photoamp",
            number=NEEDED,
            signals=(replace(SIGNAL, build="B2", reel=None, holds=False),),
        )
    )
    assert against(store) == []


def test_a_charts_warning_keeps_no_unit(store: Store) -> None:
    sampled(store)
    warning = replace(SIGNAL, cause=Cause.CHART, reel=None, holds=False)
    store.record_evaluation(
        Evaluation(product="photoamp", number=NEEDED, signals=(warning,))
    )
    assert against(store) == []
    assert store.frame("signals", product="photoamp").empty
    assert list(store.frame("signal", cause="chart", product="photoamp")["signal"]) == [
        "signal 1"
    ]


def test_a_finding_stands_until_its_hold_was_ended(store: Store) -> None:
    sampled(store)
    record(store, run(NEEDED + 1))
    finding = replace(SIGNAL, holds=False)
    store.record_evaluation(
        Evaluation(product="photoamp", number=NEEDED + 1, signals=(finding,))
    )
    stands = "measured by plan, but finding signal 1 stands on its build"
    assert against(store) == [stands]
    store.keep(replace(OTHERS_HOLD, signal="signal 1"), decision=PLACED)
    assert stands in against(store)
    released = replace(END, hold=OTHERS_HOLD.hold, disposal=Disposal.RELEASE)
    store.keep(released, decision=decided("Ada", "release", "hold 2", END.ended_at))
    assert against(store) == []


def test_a_unit_with_a_history_is_measured_on_every_range(store: Store) -> None:
    sampled(store)
    again = decided("Ada", "rework", BARE, REWORK.reworked_at)
    store.keep(replace(REWORK, serial=BARE), decision=again)
    assert against(store) == ["it was never measured"]


def test_what_came_back_is_measured_on_every_range(store: Store) -> None:
    sampled(store)
    shipment = replace(SHIPMENT, serial=BARE, override_reason=None)
    store.ship(shipment, RULE, decided("Ada", "ship", BARE, shipment.shipped_at))
    back = replace(RETURN, serial=BARE)
    store.keep(back, decision=decided("Ada", "take back", BARE, back.returned_at))
    partly(store, 600, RANGES[:1], Verdict.CONFORMING)
    assert against(store) == ["not measured on ranges 10 uA, 100 uA and 1 mA"]


def test_a_unit_measured_in_part_is_none_of_the_good_ones(store: Store) -> None:
    """Two whole units and one of which a range is owed are two, not three."""
    sampled(store, NEEDED - 1)
    of = run(NEEDED)
    store.record_run(of, results(of, RANGES[:-1]), unit(of))
    watched(store, NEEDED)
    assert against(store) == [short(NEEDED - 1)]
    rest = run(NEEDED + 1, serial=of.serial)
    store.record_run(rest, results(rest, RANGES[-1:]), unit(rest))
    watched(store, NEEDED + 1)
    assert against(store) == []
