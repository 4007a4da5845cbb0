"""A reel that is low: every paper, list and factor has the sign of a low reel."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from config.load import fingerprint
from daemon.presentation import documents, sentences
from daemon.presentation.documents.blocks import Document, Grid
from daemon.station.cycle import Cycle, RunHeader
from daemon.traceability.containment import (
    Concerned,
    Containment,
    contain,
    of_records,
)
from daemon.traceability.papers import recall_letters
from daemon.traceability.papers.build import build_release
from daemon.traceability.papers.letters import customer_notice, supplier_report
from daemon.traceability.papers.unit import unit_record
from daemon.traceability.recall_sheets import cards, page, table
from daemon.traceability.rework import trim_plan
from daemon.traceability.ship_gate import Gate
from daemon.traceability.tracing import Records
from storage import LatestResult, ShipmentState
from storage.evidence import Possible
from storage.local import LocalStore
from storage.records import (
    Build,
    Cause,
    Configuration,
    Product,
    Reel,
    Session,
    Signal,
    Unit,
)
from storage.store import Store
from tests.daemon.making import AT, demo_product, demo_settings, fitting, readings

MINUS = "\N{MINUS SIGN}"
SETTINGS = demo_settings()
NAME = SETTINGS.product.name
RANGE, PLACE, PART, REEL = "100uA", 2, "R13", "K-900"
LOW_PPM, SCATTER_PPM = -6000.0, 150.0
LIMIT_PPM = 5000.0
"""At nine tenths of full scale: 0.45 % of reading and 0.045 % of full scale."""
UNITS, LOW_FROM, MEASURED = 10, 4, 8
AWAY, AWAY_UNMEASURED = "PA-2005", "PA-2009"


def keep(store: Store, *rows: Any) -> None:
    """Keep rows: the one place that knows how the Store is told."""
    for row in rows:
        store.keep(row)


def lived(store: Store) -> None:
    """Live through two builds: the second takes a low reel, two of it leave."""
    configuration, body = fingerprint(SETTINGS)
    keep(
        store,
        Configuration(configuration=configuration, body=body, stored_at=AT),
        Product(product=NAME, title=SETTINGS.product.title),
        Session(session="s", bench="demo", opened_at=AT, configuration=configuration),
    )
    for reel in ("K-101", "K-102", "K-103", "K-104", REEL):
        keep(
            store,
            Reel(
                reel=reel, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT,
                supplier="Parts of the north",
            ),
        )  # fmt: skip
    chance = np.random.default_rng(4)
    cycle = Cycle(SETTINGS, store)
    for build in (1, 2):
        name = f"B-{build}"
        keep(store, Build(build=name, product=NAME, planned_units=UNITS, opened_at=AT))
        serials = [f"PA-{1000 * build + n}" for n in range(UNITS)]
        keep(store, *(Unit(serial=o, product=NAME, build=name) for o in serials))
        keep(store, *(fitting(name, f"R1{n}", f"K-10{n}") for n in (1, 2, 3, 4)))
        if build == 2:
            keep(store, fitting(name, PART, REEL, serials[LOW_FROM]))
        for place, serial in enumerate(serials[: UNITS if build == 1 else MEASURED]):
            errors = chance.normal(0.0, SCATTER_PPM, 4)
            if build == 2 and place >= LOW_FROM:
                errors[PLACE] += LOW_PPM
            header = RunHeader(
                serial=serial, build=name, session="s", origin="bench", started_at=AT,
                finished_at=AT, configuration=configuration,
            )  # fmt: skip
            cycle.record(readings(cycle.product, errors.tolist()), header, {})
    cycle.watch()
    for serial in (AWAY, AWAY_UNMEASURED):
        Gate(SETTINGS, store).ship(
            serial, to=f"order {serial}", person=SETTINGS.plan.people[0], at=AT,
            override="asked for at once",
        )  # fmt: skip


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LocalStore]:
    """Return a store in which a low reel was found."""
    folder: Path = tmp_path_factory.mktemp("low")
    with LocalStore(folder / "holdpoint.duckdb") as made:
        lived(made)
        yield made


@pytest.fixture(scope="module")
def found(store: LocalStore) -> Signal:
    """Return the finding."""
    (one,) = (
        one
        for one in store.rows(Signal, "signals", product=NAME)
        if one.standing and one.reel == REEL
    )
    return one


@pytest.fixture(scope="module")
def contained(store: LocalStore, found: Signal) -> Containment:
    """Return whom it concerns."""
    return contain(store, records(store), found.signal)


def records(store: Store) -> Records:
    """Ask for everything."""
    return Records.of(store, NAME, SETTINGS.product.ranges)


def cells(document: Document, heading: str) -> list[list[str]]:
    """Return the rows of the table that has a heading."""
    (grid,) = (
        one
        for one in document.paper().blocks
        if isinstance(one, Grid) and heading in {c.heading for c in one.columns}
    )
    return [list(row) for row in grid.rows]


def error_of(store: Store, serial: str) -> float:
    """Return a unit's error on the range, ppm."""
    rows = store.frame("latest_errors", product=NAME)
    mine = rows[(rows["serial"] == serial) & (rows["range"] == RANGE)]
    return float(mine["error_ppm"].iloc[0])


def test_the_finding_is_of_the_reel_and_low(found: Signal) -> None:
    assert (found.cause, found.range, found.part) == (Cause.REEL, RANGE, PART)
    assert found.first_serial == f"PA-{2000 + LOW_FROM}"
    assert found.low_ppm < LOW_PPM < found.high_ppm < 0
    assert found.low_ppm < found.size_ppm < found.high_ppm
    # Range 100 µA is R13 of 5 kohm and a switch of 50 mohm.
    assert found.implied_ohm == pytest.approx(
        5000.05 * (1 + found.size_ppm * 1e-6) - 0.05, abs=0.5
    )


def test_its_words_say_that_it_reads_low(found: Signal) -> None:
    saying = sentences.finding(found)
    assert f"reads {MINUS}0.59 %" in saying.headline
    text = " ".join((saying.headline, *saying.lines))
    assert "+0.5" not in text
    assert "high" not in text.lower()


def test_units_of_it_are_outside_their_limit(store: LocalStore) -> None:
    rows = store.frame("latest_errors", product=NAME)
    of_range = rows[rows["range"] == RANGE].set_index("serial")
    outside = of_range.index[of_range["verdict"] == "nonconforming"]
    assert sorted(outside) == [f"PA-{2000 + n}" for n in range(LOW_FROM, MEASURED)]
    assert (of_range.loc[outside, "error_ppm"] < -LIMIT_PPM).all()


def by_serial(units: Sequence[Concerned]) -> dict[str, Concerned]:
    return {one.serial: one for one in units}


def test_its_containment_names_its_units_and_how_far_below_they_are(
    store: LocalStore, contained: Containment
) -> None:
    units = by_serial(contained.concerned)
    assert sorted(units) == [f"PA-{2000 + n}" for n in range(LOW_FROM, UNITS)]
    for serial, one in units.items():
        assert one.low_ppm < one.error_ppm < one.high_ppm < 0
        assert one.nonconforming > 0.9
        if one.measured:
            assert one.error_ppm == error_of(store, serial)
            assert one.verdict == "nonconforming"
    assert not units[AWAY_UNMEASURED].measured
    assert units[AWAY_UNMEASURED].error_ppm == pytest.approx(LOW_PPM, abs=300.0)
    assert units[AWAY].todo == (
        "tell the customer; offer replacement or the correction card"
    )
    assert f"keep; replace {PART}, measure again" in {o.todo for o in units.values()}
    assert [one.serial for one in contained.noticed] == [AWAY, AWAY_UNMEASURED]


def test_the_same_reel_without_a_finding_is_as_low(
    store: LocalStore, contained: Containment
) -> None:
    by_reel = contain(store, records(store), REEL)
    assert by_reel.range == RANGE
    ours = by_serial(contained.concerned)
    for one in by_reel.concerned:
        assert one.error_ppm == pytest.approx(ours[one.serial].error_ppm, abs=1.0)


def test_its_sheets_have_the_signs(contained: Containment) -> None:
    rows = list(csv.DictReader(io.StringIO(table(contained))))
    low = {one["serial"]: one for one in rows if one["list"] != "not concerned"}
    for serial, one in by_serial(contained.concerned).items():
        assert low[serial]["error, ppm"] == str(round(one.error_ppm))
        assert low[serial]["from, ppm (95 %)"] == str(round(one.low_ppm))
        assert low[serial]["to, ppm (95 %)"] == str(round(one.high_ppm))
        tenths = int(abs(one.error_ppm) / 1e3)
        assert f"<td>{MINUS}0.{tenths}" in page(contained)


def test_cards_raise_what_reads_low(contained: Containment) -> None:
    rows = {o["serial"]: o for o in csv.DictReader(io.StringIO(cards(contained)))}
    assert sorted(rows) == [AWAY, AWAY_UNMEASURED]
    for serial, one in rows.items():
        unit = by_serial(contained.concerned)[serial]
        factor = float(one["multiply readings by"])
        assert factor > 1.0
        assert factor * (1 + unit.error_ppm * 1e-6) == pytest.approx(1.0, abs=1e-6)
        half = (unit.high_ppm - unit.low_ppm) / 2
        assert float(one["expanded uncertainty of the factor (k = 2)"]) == (
            pytest.approx(half * 1e-6 * factor**2, abs=1e-6)
        )


def test_notices_of_a_recall_say_by_how_much_it_reads_low(
    store: LocalStore, contained: Containment
) -> None:
    made = recall_letters.notices(
        records(store), contained, demo_product(), issued_at=AT, issuer="us"
    )
    assert [one.serial for one in made] == [AWAY, AWAY_UNMEASURED]
    listed = {o["serial"]: o for o in csv.DictReader(io.StringIO(cards(contained)))}
    for one in made:
        ((range_, error, factor, sure_to, basis),) = cells(one, "Multiply by")
        assert range_ == "100 µA"
        # As the list of all cards has it, to the digits of the paper.
        card = listed[one.serial]
        assert float(factor) == pytest.approx(
            float(card["multiply readings by"]), abs=1e-4
        )
        assert float(sure_to) == pytest.approx(
            float(card["expanded uncertainty of the factor (k = 2)"]), rel=0.05
        )
        assert error.startswith((f"{MINUS}0.5", f"{MINUS}0.6"))
        assert float(factor) > 1.005
        assert basis.startswith("measured" if one.serial == AWAY else "predicted")
        sure = "it reads wrong, by" if one.serial == AWAY else "probably reads wrong"
        assert sure in documents.html(one)


def test_a_unit_has_one_notice_whoever_asks_for_it(
    store: LocalStore, contained: Containment
) -> None:
    """Of the unit or of the finding: the same words, the same numbers."""
    of_finding = recall_letters.notices(
        records(store), contained, demo_product(), issued_at=AT, issuer="us"
    )
    for one in of_finding:
        alone = customer_notice(
            store, demo_product(), one.serial, issued_at=AT, issuer="us"
        )
        assert replace(alone, number=one.number) == one


def test_what_was_not_measured_is_never_said_to_read_so(store: LocalStore) -> None:
    made = customer_notice(
        store, demo_product(), AWAY_UNMEASURED, issued_at=AT, issuer="us"
    )
    assert made.right == ()
    assert made.not_measured == ("1 µA", "10 µA", "1 mA")
    (correction,) = made.corrections
    assert not correction.measured
    text = documents.html(made)
    assert "probably reads wrong" in text
    assert "predicted, not measured" in text
    assert "it reads wrong" not in text


@pytest.mark.parametrize(
    ("serial", "chance", "told"),
    [(AWAY_UNMEASURED, 0.4, 0.4), (AWAY_UNMEASURED, 1.0, None), (AWAY, 0.99, None)],
)
def test_how_probable_it_is_is_said_where_a_unit_was_not_measured(
    store: LocalStore,
    contained: Containment,
    serial: str,
    chance: float,
    told: float | None,
) -> None:
    (found,) = (one for one in contained.noticed if one.serial == serial)
    made = recall_letters.notice(
        records(store), demo_product(), serial,
        [(contained, replace(found, probability=chance))],
        number="1", issued_at=AT, issuer="us",
    )  # fmt: skip
    assert made.probability == told
    assert ("Probability that this unit has a part" in documents.html(made)) == (
        told is not None
    )
    assert made.sure == (told is None)


def test_a_customers_notice_says_by_how_much_it_reads_low(store: LocalStore) -> None:
    made = customer_notice(store, demo_product(), AWAY, issued_at=AT, issuer="us")
    (correction,) = made.corrections
    assert correction.error_ppm == error_of(store, AWAY) < -LIMIT_PPM
    assert made.right == ("1 µA", "10 µA", "1 mA")
    assert made.destination == f"order {AWAY}"


def test_a_notice_of_a_unit_that_never_left_says_that_it_is_not_to_be_sent(
    store: LocalStore,
) -> None:
    """Nobody has it; one that has left, and came back or not, had a holder."""
    away = {one.serial for one in store.rows(ShipmentState, product=NAME)}
    here = next(
        one.serial
        for one in store.rows(LatestResult, product=NAME)
        if one.serial not in away
    )
    said = f"Do not send this notice: by our records unit {here} has not left"
    made = customer_notice(store, demo_product(), here, issued_at=AT, issuer="us")
    assert not made.has_left
    assert said in documents.html(made)
    gone = customer_notice(store, demo_product(), AWAY, issued_at=AT, issuer="us")
    assert gone.has_left
    assert "Do not send" not in documents.html(gone)


def test_a_suppliers_report_claims_parts_below_their_label(
    store: LocalStore, found: Signal
) -> None:
    made = supplier_report(
        store, demo_product(), found.signal, issued_at=AT, issuer="us"
    )
    assert (made.supplier, made.reel, made.part) == ("Parts of the north", REEL, PART)
    assert (made.low_ppm, made.size_ppm, made.high_ppm) == (
        found.low_ppm,
        found.size_ppm,
        found.high_ppm,
    )
    assert made.incompatible is not None
    assert made.incompatible > 0.99
    text = documents.html(made)
    assert f"moved by {MINUS}0.59 %" in text
    assert "Replace the parts" in text
    # What each unit reads stands in it, with reels; what the maker does does not.
    values = cells(made, "Reel of R13")
    for number in range(LOW_FROM, MEASURED):
        serial = f"PA-{2000 + number}"
        (row,) = [one for one in values if one[0] == serial]
        assert row[2] == f"{REEL} (this reel)"
        assert float(row[4].replace(MINUS, "-")) == pytest.approx(
            error_of(store, serial) / 1e4, abs=6e-4
        )
    assert made.charts
    for inner in ("Hold", "Next:", "Judged by", "limit that decides", "compared with"):
        assert inner not in text
    assert "5 k\N{GREEK CAPITAL LETTER OMEGA} \N{PLUS-MINUS SIGN}0.1 %" in text


def test_a_units_record_has_the_error_as_it_reads(store: LocalStore) -> None:
    made = unit_record(store, demo_product(), AWAY, issued_at=AT, issuer="us")
    row = next(row for row in cells(made, "Limit here, %") if row[0] == "100 µA")
    assert row[3].startswith(f"{MINUS}")
    assert row[7] == "nonconforming"
    assert any(REEL in one or "B-2" in one for one in made.holds)


def test_a_release_record_says_that_the_mean_is_low(store: LocalStore) -> None:
    made = build_release(store, demo_product(), "B-2", issued_at=AT, issuer="us")
    (range_,) = (one for one in made.ranges if one.title == "100 µA")
    errors = [error_of(store, f"PA-{2000 + n}") for n in range(MEASURED)]
    assert range_.mean_ppm == pytest.approx(np.mean(errors))
    assert range_.mean_ppm < -2000.0
    # (mean - lower limit) / 3 s is the smaller: the lower limit is the nearer one.
    spread = float(np.std(errors, ddof=1))
    assert range_.ppk == pytest.approx(
        (range_.mean_ppm + LIMIT_PPM) / (3 * spread), rel=0.05
    )


def test_a_low_range_is_trimmed_by_a_part_in_series(found: Signal) -> None:
    plan = trim_plan(
        demo_product(), RANGE, error_ppm=LOW_PPM, uncertainty_ppm=20.0,
        limit_ppm=LIMIT_PPM,
    )  # fmt: skip
    assert "series" in str(plan.trim).lower()
    assert abs(plan.error_ppm) < LIMIT_PPM / 10
    assert found.size_ppm < 0


@pytest.fixture(scope="module")
def either(found: Signal) -> Signal:
    """Return the finding as it would be with a second part as likely as the first."""
    both = (
        Possible(PART, 4970.0, 4968.0, 4972.0, REEL),
        Possible("R99", 92_600.0, 92_500.0, 92_700.0, None),
    )
    return replace(found, evidence=replace(found.basis, possible_parts=both).text())


def test_what_to_do_with_a_unit_blames_no_part_alone(
    store: LocalStore, either: Signal
) -> None:
    known = records(store)
    listed = of_records(known, either.signal, either)
    assert listed.headline().startswith("R13 or R99 (readings alone cannot tell which)")
    assert listed.lines()[0] == (
        "It is R13 or R99: measure each four-wire before one is replaced."
    )
    todo = {one.todo for one in listed.concerned}
    assert not any("replace R13" in one for one in todo)
    assert any("measure R13 or R99 four-wire" in one for one in todo)
    (notice, _) = recall_letters.notices(
        known, listed, demo_product(), issued_at=AT, issuer="us"
    )
    assert "A part that sets range 100 µA (R13 or R99)" in documents.html(notice)


def test_a_supplier_is_told_that_it_may_be_another_part(
    store: LocalStore, either: Signal
) -> None:
    made = recall_letters.report_of_finding(
        records(store), demo_product(), either, issued_at=AT, issuer="us"
    )
    said = documents.html(made)
    assert "Readings alone cannot tell whether they are, or another part" in said
    assert "R13 from reel K-900 about 4.97" in said
    assert "R99 about 92.6" in said
    assert "one of these parts, and not our bench" in said
    assert "has R13 alone" not in said
    assert "Replace the parts" not in said
    assert "do not keep to their label" not in said
