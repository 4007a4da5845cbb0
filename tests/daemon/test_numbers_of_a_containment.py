"""A containment's numbers: how probable a unit is outside, whichever way it is off."""

import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, strategies as st
from scipy.stats import norm

from daemon.traceability import recall_steps
from daemon.traceability.containment import Containment, contain, of_records
from daemon.traceability.recall_sheets import cards
from daemon.traceability.tracing import Records, last_from
from daemon.watch.events import in_force, reels_of
from storage.local import LocalStore
from storage.records import (
    Build,
    Cause,
    Configuration,
    Fitting,
    Product,
    Reel,
    Run,
    RunKind,
    Session,
    Signal,
    Unit,
)
from storage.records_shipping import ContainmentStep, Shipment, ShipRule, Step
from storage.store import Store
from tests.daemon.making import AT, demo_settings, fitting
from tests.storage.samples import decided, results, unit

PRODUCT = "photodiode-amplifier"
RANGE = "100uA"
LIMIT_PPM = 5000.0
UNCERTAINTY_PPM = 20.0
"""Of every result of the samples, standard."""


@pytest.fixture
def store(tmp_path: Path) -> LocalStore:
    """Return a store with a build of four boards on one reel, none measured."""
    made = LocalStore(tmp_path / "holdpoint.duckdb")
    made.keep(
        Configuration(
            configuration="now", body=demo_settings().model_dump_json(), stored_at=AT
        )
    )
    made.keep(Product(product=PRODUCT, title="Demo"))
    made.keep(Build(build="B", product=PRODUCT, planned_units=4, opened_at=AT))
    for reel in ("K-1", "K-2", "K-3"):
        made.keep(Reel(reel=reel, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT))
    made.keep(fitting("B", "R13", "K-1"))
    made.keep(*[Unit(serial=f"U{n}", product=PRODUCT, build="B") for n in (1, 2, 3, 4)])
    made.keep(Session(session="s", bench="b", opened_at=AT, configuration="now"))
    return made


def measured(store: Store, serial: str, error_ppm: float) -> None:
    """Keep a run of a unit."""
    of = Run(
        run=f"run of {serial}", kind=RunKind.UNIT, product=PRODUCT, serial=serial,
        build="B", session="s", origin="bench", started_at=AT, finished_at=AT,
        configuration="now", ambient_c=None,
    )  # fmt: skip
    keys = tuple(demo_settings().product.ranges)
    store.record_run(of, results(of, keys, error_ppm=error_ppm), unit(of))


def shipped(store: Store, serial: str) -> None:
    """Keep that a unit left, whatever is against it."""
    shipment = Shipment(
        shipment=f"shipment of {serial}", serial=serial, product=PRODUCT,
        destination="order 1", reseller=False, person="Ada Moreno",
        shipped_at=AT + timedelta(hours=1), override_reason="asked for as it is",
    )  # fmt: skip
    rule = ShipRule(ranges=tuple(demo_settings().product.ranges), configurations=())
    line = decided("Ada Moreno", "ship", serial, shipment.shipped_at)
    store.ship(shipment, rule, line)


def records(store: Store) -> Records:
    """Ask for everything."""
    return Records.of(store, PRODUCT, demo_settings().product.ranges)


def finding(size_ppm: float, **changes: Any) -> Signal:
    """Return a finding on reel K-1."""
    values: dict[str, Any] = {
        "signal": "B-F1", "revision": 1, "number": 1, "product": PRODUCT, "build": "B",
        "cause": Cause.REEL, "statistic": "s", "range": RANGE, "part": "R13",
        "reel": "K-1", "first_serial": "U1", "raised_serial": "U1", "units": 1,
        "size_ppm": size_ppm, "low_ppm": size_ppm - 392.0, "high_ppm": size_ppm + 392.0,
        "implied_ohm": None, "probability": 0.99, "holds": True,
        "evidence": '{"log_odds": 5.0}', "made_at": AT,
    }  # fmt: skip
    return Signal(**{**values, **changes})


def contained(store: Store, size_ppm: float) -> Containment:
    """Return whom the finding concerns."""
    return of_records(records(store), "B-F1", finding(size_ppm))


@pytest.mark.source("normal probability of a measured value outside two limits")
@pytest.mark.parametrize("error_ppm", [-5050.0, -4990.0, 0.0, 4990.0, 5050.0])
def test_a_measured_unit_is_outside_as_its_uncertainty_says(
    store: LocalStore, error_ppm: float
) -> None:
    # the samples add 2 ppm to the third range's error
    measured(store, "U1", error_ppm - 2.0)
    (one,) = (o for o in contained(store, -6000.0).units if o.serial == "U1")
    inside = norm(error_ppm, UNCERTAINTY_PPM)
    expected = 1.0 - (inside.cdf(LIMIT_PPM) - inside.cdf(-LIMIT_PPM))
    assert one.nonconforming == pytest.approx(expected, abs=1e-12)
    assert (one.low_ppm, one.high_ppm) == (error_ppm - 40.0, error_ppm + 40.0)
    bad = expected >= 0.5
    assert ("measure again" in one.todo) == bad


def test_a_reel_that_is_low_is_as_outside_as_one_that_is_high(
    store: LocalStore,
) -> None:
    """No unit of it was measured: everything rests on the finding."""
    shipped(store, "U1")
    low, high = (
        {one.serial: one for one in contained(store, size).concerned}
        for size in (-6000.0, 6000.0)
    )
    assert set(low) == set(high) == {"U1", "U2", "U3", "U4"}
    for serial, one in low.items():
        other = high[serial]
        assert one.error_ppm == -other.error_ppm == -6000.0
        assert (one.low_ppm, one.high_ppm) == (-other.high_ppm, -other.low_ppm)
        assert one.todo == other.todo


def test_a_correction_cards_uncertainty_is_half_the_interval(
    store: LocalStore,
) -> None:
    """The interval is 95 %, so its half is the expanded uncertainty, k = 2."""
    measured(store, "U1", -6002.0)
    shipped(store, "U1")
    (row,) = csv.DictReader(io.StringIO(cards(contained(store, -6000.0))))
    factor = 1 / (1 - 0.006)
    assert row == {
        "serial": "U1",
        "order": "order 1",
        "range": RANGE,
        "error is": "measured",
        "multiply readings by": str(round(factor, 6)),
        "expanded uncertainty of the factor (k = 2)": str(
            round(2 * UNCERTAINTY_PPM * 1e-6 * factor**2, 6)
        ),
    }


def test_a_step_that_two_say_at_one_moment_is_kept_once(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    def said() -> bool:
        return recall_steps.note(store, PRODUCT, "K-1", "U2", Step.CLOSED, "Ada", "")

    assert said()
    assert not said()
    with monkeypatch.context() as at_once:
        # The second has looked before the first was kept.
        at_once.setattr(store, "rows", lambda *_, **__: [])
        assert not said()
    assert len(store.rows(ContainmentStep)) == 1


@pytest.mark.parametrize(
    ("text", "reason"), [("wrote to order 1", "K-1: wrote to order 1"), ("", "K-1")]
)
def test_a_step_is_kept_with_its_line_in_the_ledger(
    store: LocalStore, text: str, reason: str
) -> None:
    recall_steps.note(store, PRODUCT, "K-1", "U2", Step.NOTIFIED, "Ada Moreno", text)
    (kept,) = store.table(
        "containment_step", product=PRODUCT, subject="K-1"
    ).to_pylist()
    assert (kept["serial"], kept["step"], kept["person"], kept["note"]) == (
        "U2",
        "notified",
        "Ada Moreno",
        text,
    )
    line = store.table("decision").to_pylist()[-1]
    assert (line["action"], line["subject"], line["reason"]) == (
        "notified",
        "U2",
        reason,
    )
    found = contain(store, records(store), "K-1")
    assert {one.serial: one.step for one in found.units} == {
        "U1": None,
        "U2": "notified",
        "U3": None,
        "U4": None,
    }


def fitted(reel: str, from_serial: str | None, day: int) -> Fitting:
    """Return that R13 of the build comes from a reel, as recorded on a day."""
    return replace(
        fitting("B", "R13", reel, from_serial),
        fitting=f"{reel} {from_serial} {day}",
        fitted_at=AT + timedelta(days=day),
    )


FITTINGS = (
    fitted("K-1", None, 0),
    fitted("K-2", None, 1),
    fitted("K-3", "U3", 2),
    fitted("K-2", "U9", 0),
    fitted("K-1", "U10", 0),
)
"""K-2 took the place of K-1 for the whole build, which nobody measured yet."""


@given(st.permutations(FITTINGS))
def test_in_whatever_order_fittings_are_known_the_same_one_is_in_force(
    given_in: Sequence[Fitting],
) -> None:
    known = in_force(given_in)
    assert known == FITTINGS
    carried = {n: reels_of(f"U{n}", ("R13",), known) for n in (1, 2, 3, 8, 9, 10, 11)}
    assert carried == {
        1: ("K-2",),
        2: ("K-2",),
        3: ("K-3",),
        8: ("K-3",),
        9: ("K-2",),
        10: ("K-1",),
        11: ("K-1",),
    }


@pytest.mark.parametrize(
    ("from_serial", "reel"), [(None, "K-3"), ("U3", "K-2"), ("U4", None)]
)
def test_the_last_fitting_from_a_unit_on_is_of_the_same_part_and_unit(
    store: LocalStore, from_serial: str | None, reel: str | None
) -> None:
    """`store` has K-1 from the first unit on; K-3 was fitted there a day later."""
    store.keep(fitted("K-3", None, 1))
    store.keep(fitted("K-2", "U3", 9))
    store.keep(replace(fitted("K-1", "U3", 8), fitting="early"))
    store.keep(replace(fitted("K-1", from_serial, 20), fitting="other", part="R12"))
    last = last_from(records(store), fitted("K-9", from_serial, 30))
    assert (None if last is None else last.reel) == reel
