"""Who may ship, by which settings, from which list; and what is done to a unit."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, strategies as st

from daemon.holds import policy
from daemon.metrology.correction import correction
from daemon.metrology.errors import ArgumentError
from daemon.presentation.spreadsheet import as_csv, neutral
from daemon.traceability.containment import contain, of_records
from daemon.traceability.recall_sheets import page, table
from daemon.traceability.rework import trim_plan
from daemon.traceability.ship_gate import Gate, OrderListError, orders_of
from daemon.traceability.tracing import Records, trace
from storage.errors import NotFoundError
from storage.evidence import Evidence
from storage.local import LocalStore
from storage.records import (
    Build,
    Cause,
    Configuration,
    Decision,
    Evaluation,
    Hold,
    Product,
    Reel,
    Run,
    RunKind,
    Scope,
    Session,
    Signal,
    Unit,
)
from storage.records_shipping import ReelReceipt, Rework, ReworkKind
from tests.daemon.making import AT, demo_product, demo_settings, fitting
from tests.storage.samples import results, unit

NAME = "photodiode-amplifier"
HOSTILE = "=cmd|'/c calc'!A1"


@pytest.fixture
def store(tmp_path: Path) -> LocalStore:
    """Return a store with a build of three boards whose reel changes at the second."""
    settings = demo_settings()
    made = LocalStore(tmp_path / "holdpoint.duckdb")
    made.keep(
        Configuration(
            configuration="now", body=settings.model_dump_json(), stored_at=AT
        )
    )
    made.keep(Configuration(configuration="old", body="{}", stored_at=AT))
    made.keep(Product(product=NAME, title="Demo"))
    made.keep(Build(build="B", product=NAME, planned_units=3, opened_at=AT))
    for reel in ("K-1", "K-2"):
        made.keep(Reel(reel=reel, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT))
    made.keep(fitting("B", "R13", "K-1"))
    made.keep(fitting("B", "R13", "K-2", "U2"))
    made.keep(*[Unit(serial=f"U{n}", product=NAME, build="B") for n in (1, 2, 3)])
    return made


def measured(store: LocalStore, serial: str, configuration: str = "now") -> None:
    """Keep a good run of a unit."""
    store.keep(
        Session(
            session=f"s {configuration}", bench="b", opened_at=AT,
            configuration=configuration,
        )
    )  # fmt: skip
    run = Run(
        run=f"run of {serial}", kind=RunKind.UNIT, product=NAME, serial=serial,
        build="B", session=f"s {configuration}", origin="bench", started_at=AT,
        finished_at=AT, configuration=configuration, ambient_c=None,
    )  # fmt: skip
    keys = tuple(demo_settings().product.ranges)
    number = store.record_run(run, results(run, keys), unit(run))
    store.record_evaluation(Evaluation(product=NAME, number=number))


def records(store: LocalStore) -> Records:
    """Ask for everything."""
    return Records.of(store, NAME, demo_settings().product.ranges)


def ship(store: LocalStore, serial: str, **how: Any) -> list[str]:
    """Try to ship."""
    gate = Gate(demo_settings(), store)
    return gate.ship(
        serial, **{"to": "order 1", "person": "Ada Moreno", "at": AT, **how}
    )


def test_what_was_judged_by_other_settings_stays(store: LocalStore) -> None:
    measured(store, "U1")
    measured(store, "U2", "old")
    assert ship(store, "U1") == []
    assert ship(store, "U2") == [
        "it was judged by settings that are no longer in force"
    ]


def test_only_listed_people_ship_and_override_with_a_reason(store: LocalStore) -> None:
    with pytest.raises(policy.NotAllowedError, match="'Nobody' may not decide"):
        ship(store, "U1", person="Nobody")
    with pytest.raises(policy.NotAllowedError, match="an override needs a reason"):
        ship(store, "U1", override=" ")


def test_a_shops_list_is_read_by_its_columns(tmp_path: Path) -> None:
    path = tmp_path / "orders.csv"
    path.write_text("Bestellung;Name;Seriennr\n17;Somebody;U1\n18;;\n", "utf-8-sig")
    (one,) = orders_of(path, serial="Seriennr", order="Bestellung")
    assert (one.line, one.serial, one.order) == (2, "U1", "17")
    with pytest.raises(OrderListError, match="has no column 'serial'; it has Best"):
        orders_of(path, serial="serial", order="Bestellung")


def test_a_reel_is_traced_to_its_units_and_back_over_a_change_and_a_rework(
    store: LocalStore,
) -> None:
    measured(store, "U1")
    ship(store, "U1")
    store.keep(ReelReceipt(reel="K-2", quantity=1))
    told = trace(records(store), "K-2")
    assert told.headline == "Reel K-2: in 2 units."
    assert "Build B, R13: U2, U3 (2)" in told.lines
    assert "1 more parts used than received: check the records." in told.lines
    rework = Rework(
        rework="r", serial="U3", product=NAME, kind=ReworkKind.REPLACE,
        person="Ada Moreno", reason="bad reel", reworked_at=AT, part="R13", reel="K-1",
    )  # fmt: skip
    store.keep(
        rework,
        decision=Decision(
            person="Ada Moreno", action="replace", subject="U3", reason="r",
            decided_at=AT,
        ),
    )  # fmt: skip
    assert trace(records(store), "K-2").headline == "Reel K-2: in 1 units."
    assert "R13: reel K-1, replaced on 2026-03-02" in trace(records(store), "U3").lines
    first = trace(records(store), "U1")
    assert first.headline == "Unit U1 of build B: shipped."
    assert "R13: reel K-1" in first.lines
    assert f"{AT:%Y-%m-%d} left for order 1" in first.lines
    assert "R13: reel K-2: U2" in trace(records(store), "B").lines
    with pytest.raises(NotFoundError, match="unknown serial, reel or build 'X'"):
        trace(records(store), "X")


def test_a_reel_without_finding_is_contained_too(store: LocalStore) -> None:
    measured(store, "U2")
    found = contain(store, records(store), "K-2")
    assert [one.serial for one in found.concerned] == ["U2", "U3"]
    assert [one.basis for one in found.concerned] == ["measured", "unknown"]
    assert found.listed()["not concerned"][0].serial == "U1"
    with pytest.raises(NotFoundError, match="unknown finding or reel 'F9'"):
        contain(store, records(store), "F9")


def signal(**changes: Any) -> Signal:
    """Return a finding on reel K-2."""
    values: dict[str, Any] = {
        "signal": "B-F1", "revision": 1, "number": 1, "product": NAME, "build": "B",
        "cause": Cause.REEL, "statistic": "s", "range": "100uA", "part": "R13",
        "reel": "K-2", "first_serial": "U2", "raised_serial": "U2", "units": 1,
        "size_ppm": 3000.0, "low_ppm": 2600.0, "high_ppm": 3400.0, "implied_ohm": None,
        "probability": 0.99, "holds": True, "evidence": '{"log_odds": 5.0}',
        "made_at": AT,
    }  # fmt: skip
    return Signal(**{**values, **changes})


def test_where_boards_were_mixed_each_has_its_probability(store: LocalStore) -> None:
    said = signal(evidence=Evidence(carrying=(("U3", 0.25),)).text())
    found = of_records(records(store), "B-F1", said)
    assert {one.serial: one.probability for one in found.units} == {
        "U1": 0.0,
        "U2": 1.0,
        "U3": 0.25,
    }
    by_place = of_records(records(store), "B-F1", signal(reel=None, part=None))
    assert [one.serial for one in by_place.concerned] == ["U2", "U3"]


def test_hostile_names_run_nowhere(store: LocalStore) -> None:
    store.keep(Unit(serial=HOSTILE, product=NAME, build="B"))
    store.keep(Unit(serial="<script>x</script>", product=NAME, build="B"))
    found = of_records(records(store), "B-F1", signal())
    assert f'"{HOSTILE}' not in table(found)
    assert f"'{HOSTILE}" in table(found)
    assert "<script>" not in page(found)


@given(st.text())
def test_no_text_starts_a_formula(text: str) -> None:
    assert not neutral(text).lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r"))


def test_negative_numbers_stay_numbers() -> None:
    assert as_csv([{"a": -3, "b": None}], {"a": "+x", "b": "y"}) == "'+x,y\r\n-3,\r\n"


def test_a_hold_by_hand_needs_a_listed_person_and_a_reason() -> None:
    def place(person: str, reason: str) -> Hold:
        return policy.by_hand(
            scope=Scope.SERIALS, subject="U1", to_serial="U3", product=NAME,
            person=person, reason=reason, people=["Ada"], at=AT,
        )[0]  # fmt: skip

    assert place("Ada", " scratched ").reason == "scratched"
    with pytest.raises(policy.NotAllowedError, match="'Jon' may not place"):
        place("Jon", "scratched")
    with pytest.raises(policy.NotAllowedError, match="none was given"):
        place("Ada", " ")


@pytest.mark.source("common practice, no source: parallel and series resistance")
@pytest.mark.parametrize("error_ppm", [3000.0, -3000.0])
def test_a_trim_brings_the_range_back(error_ppm: float) -> None:
    product = demo_product()
    plan = trim_plan(
        product, "100uA", error_ppm=error_ppm, uncertainty_ppm=50.0, limit_ppm=5000.0
    )
    fitted = product.implied_ohm("100uA", error_ppm)
    assert fitted is not None
    made = plan.trim.part_ohm
    whole = fitted * made / (fitted + made) if error_ppm > 0 else fitted + made
    # Range 100 µA: (R13 + 50 mohm) twice, 5 kohm nominal.
    assert plan.error_ppm == pytest.approx(((whole + 0.05) / 5000.0 - 1) * 1e6, abs=0.1)
    assert abs(plan.error_ppm) < 500.0
    assert plan.series == "E24"
    assert plan.tolerance_ppm > 50.0
    assert plan.tempco_ppm_per_k > 25.0


@pytest.mark.source("JCGM 100:2008, 5.1.2: law of propagation, first order")
@given(st.floats(-1e5, 1e5), st.floats(0, 1e3))
def test_a_correction_undoes_the_error(error_ppm: float, u_ppm: float) -> None:
    made = correction(error_ppm, u_ppm)
    assert made.factor * (1 + error_ppm * 1e-6) == pytest.approx(1.0, rel=1e-12)
    step = 1e-3
    slope = (
        correction(error_ppm + step, 0).factor - correction(error_ppm - step, 0).factor
    ) / (2 * step)
    assert made.uncertainty == pytest.approx(abs(slope) * u_ppm, rel=1e-4, abs=1e-12)


def test_an_error_of_minus_the_whole_has_no_correction() -> None:
    with pytest.raises(ArgumentError, match="error_ppm"):
        correction(-1e6, 1.0)
