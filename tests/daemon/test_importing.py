"""A wide spreadsheet into the same judgement."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from config.errors import ConfigError
from config.mapping import load_mapping
from config.quantity import Unit, spell
from daemon.station.cycle import Cycle
from daemon.station.import_sheet import (
    A_PIECE,
    Imported,
    Row,
    SheetError,
    Understood,
    take,
    understood,
    write_rejected,
)
from daemon.station.orders import TypedReading
from daemon.traceability.amending import correct
from storage.answers import Mark
from storage.local import LocalStore
from storage.records import (
    Configuration,
    Decision,
    Evaluation,
    Fitting,
    Hold,
    Product,
    RangeResult,
    Run,
)
from storage.records_amending import Amended
from storage.records_shipping import Rework, ReworkKind
from storage.serials import reels_of
from tests.daemon.making import AT, demo_product, demo_settings

SETTINGS = demo_settings()
PRODUCT = demo_product()
NAME = SETTINGS.product.name
UNITS = 60
BAD_FROM = 35
MAPPING = """
serial = "Unit"
build = "Batch"
measured_at = "When"
reels = { R13 = "R13 reel" }

[ranges]
1uA = { reference = "1u in", output = "1u out", output_unit = "mV" }
10uA = { reference = "10u in", output = "10u out" }
100uA = { reference = "100u in", output = "100u out", reference_unit = "uA" }
1mA = { reference = "1m in", output = "1m out" }
"""


def sheet() -> pd.DataFrame:
    """Return 60 units of one build; from unit 36 on, R13 is 0.3 % high."""
    chance = np.random.default_rng(11)
    rows = []
    for i in range(UNITS):
        shared = chance.normal(0.0, 100.0)
        error = chance.normal(0.0, 150.0, 4) + shared
        if i >= BAD_FROM:
            error[2] += 3000.0 + chance.normal(0.0, 450.0)
        gain = 1 + error * 1e-6
        rows.append(
            {
                "Unit": f"PA-{i + 1:03d}",
                "Batch": "B-7",
                "When": f"2026-03-02 09:{i:02d}",
                "R13 reel": "K-900" if i >= BAD_FROM else "K-103",
                "1u in": "900 nA",
                "1u out": f"{900.0 * gain[0]:.5f}",
                "10u in": "9.000u",
                "10u out": f"{0.9 * gain[1]:.7f} V",
                "100u in": "90.00",
                "100u out": f"{900.0 * gain[2]:.5f} mV",
                "1m in": "900u",
                "1m out": f"{0.9 * gain[3]:.7f}",
            }
        )
    rows[4]["1u in"] = rows[4]["1u out"] = ""
    rows[9]["10u in"] = rows[9]["10u out"] = ""
    return pd.DataFrame(rows)


@pytest.fixture
def cycle(tmp_path: Path) -> Cycle:
    store = LocalStore(tmp_path / "holdpoint.duckdb")
    store.keep(Product(product=NAME, title="x"))
    return Cycle(SETTINGS, store)


@pytest.fixture
def mapping_file(tmp_path: Path) -> Path:
    path = tmp_path / "columns.toml"
    path.write_text(MAPPING)
    return path


def configuration() -> Configuration:
    return Configuration(configuration="c", body="{}", stored_at=AT)


def load_all(cycle: Cycle, path: Path, mapping_file: Path) -> tuple[int, int, int]:
    one, done = import_all(cycle, path, mapping_file)
    return done.new, done.known, len(one.rejected) + len(done.rejected)


def import_all(
    cycle: Cycle, path: Path, mapping_file: Path
) -> tuple[Understood, Imported]:
    one = understood(path, cycle.product, mapping=load_mapping(mapping_file))
    done = take(
        one.rows,
        cycle,
        session="import-x",
        configuration=configuration(),
        at=AT,
        file=path.name,
    )
    return one, done


def written(folder: Path, frame: pd.DataFrame) -> Path:
    path = folder / "sheet.csv"
    frame.to_csv(path, index=False)
    return path


@pytest.mark.parametrize("kind", ["csv", "xlsx", "parquet"])
def test_sixty_units_end_in_the_same_finding(
    cycle: Cycle, tmp_path: Path, mapping_file: Path, kind: str
) -> None:
    path = tmp_path / f"sheet.{kind}"
    frame = sheet()
    if kind == "csv":
        frame.to_csv(path, index=False, sep=";")
    elif kind == "xlsx":
        frame.to_excel(path, index=False)
    else:
        frame.to_parquet(path)
    assert load_all(cycle, path, mapping_file) == (UNITS, 0, 0)
    cycle.resume()
    with cycle.store as store:
        (finding,) = store.frame("signals", product=NAME).to_dict("records")
        assert (finding["part"], finding["reel"]) == ("R13", "K-900")
        assert finding["first_serial"] == f"PA-{BAD_FROM + 1:03d}"
        assert finding["low_ppm"] < 3000.0 < finding["high_ppm"]
        rows = store.frame("range_rows", product=NAME, after=0, kind="unit")
        assert len(rows) == 4 * UNITS - 2
        held = store.frame("holds", product=NAME)
        assert set(held["subject"]) == {"B-7", "K-900"}


def test_importing_twice_changes_nothing(
    cycle: Cycle, tmp_path: Path, mapping_file: Path
) -> None:
    path = tmp_path / "sheet.csv"
    sheet().to_csv(path, index=False)
    assert load_all(cycle, path, mapping_file) == (UNITS, 0, 0)
    assert load_all(cycle, path, mapping_file) == (0, UNITS, 0)
    with cycle.store as store:
        rows = store.frame("range_rows", product=NAME, after=0, kind=None)
        assert rows["run"].nunique() == UNITS


def test_an_import_that_is_stopped_keeps_whole_pieces_and_goes_on(
    cycle: Cycle, tmp_path: Path, mapping_file: Path
) -> None:
    path = tmp_path / "sheet.csv"
    sheet().to_csv(path, index=False)
    rows = understood(path, cycle.product, mapping=load_mapping(mapping_file)).rows
    reached = []

    def step(count: int) -> None:
        reached.append(count)
        if count > 0:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        take(
            rows,
            cycle,
            session="import-x",
            configuration=configuration(),
            at=AT,
            step=step,
        )
    assert reached == [0, A_PIECE]
    assert load_all(cycle, path, mapping_file) == (UNITS - A_PIECE, A_PIECE, 0)
    with cycle.store as store:
        found = store.frame("range_rows", product=NAME, after=0, kind=None)
        assert found["run"].nunique() == UNITS
        assert found["session"].unique().tolist() == ["import-x"]


def test_of_many_runs_that_say_nothing_one_watermark_is_kept(
    cycle: Cycle,
    tmp_path: Path,
    mapping_file: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "sheet.csv"
    good = BAD_FROM
    sheet()[:good].to_csv(path, index=False)
    assert load_all(cycle, path, mapping_file) == (good, 0, 0)
    kept: list[Evaluation] = []
    keep = LocalStore.record_evaluation

    def noting(store: LocalStore, evaluation: Evaluation) -> None:
        kept.append(evaluation)
        keep(store, evaluation)

    monkeypatch.setattr(LocalStore, "record_evaluation", noting)
    cycle.resume()
    assert kept[-1].number == good
    silent = [o for o in kept if not (o.signals or o.holds or o.alerts or o.lines)]
    assert silent in ([], kept[-1:])
    with cycle.store as store:
        assert store.rows(Mark, product=NAME)[0].number == good


def test_a_row_that_stands_twice_is_one_run(
    cycle: Cycle, tmp_path: Path, mapping_file: Path
) -> None:
    path = tmp_path / "sheet.csv"
    frame = sheet()
    pd.concat([frame, frame.tail(1)]).to_csv(path, index=False)
    assert load_all(cycle, path, mapping_file) == (UNITS, 1, 0)


def test_a_corrected_row_is_another_run_of_the_same_unit(
    cycle: Cycle, tmp_path: Path, mapping_file: Path
) -> None:
    path = tmp_path / "sheet.csv"
    frame = sheet()
    frame.to_csv(path, index=False)
    load_all(cycle, path, mapping_file)
    frame.loc[0, "1m out"] = "0.9001"
    frame.to_csv(path, index=False)
    assert load_all(cycle, path, mapping_file) == (1, UNITS - 1, 0)
    with cycle.store as store:
        first, second = store.rows(Run, serial="PA-001")
        assert second.rerun_of == first.run
        assert second.note == (
            "Corrected in sheet.csv, row 2: 1 mA out is 900.1 mV, was "
            f"{spell(float(sheet()['1m out'][0]), Unit.VOLT)}."
        )


@pytest.mark.parametrize("heading", ["Temperature", "Raumtemperatur [\u00b0C]", "temp"])
def test_the_temperature_of_a_sheet_is_recorded_of_its_units(
    cycle: Cycle, tmp_path: Path, mapping_file: Path, heading: str
) -> None:
    frame = sheet()[:5].copy()
    frame[heading] = ["22.8", "23,1", "23.4 \u00b0C", "", "24"]
    path = written(tmp_path, frame)
    assert load_all(cycle, path, mapping_file) == (5, 0, 0)
    assert load_all(cycle, path, mapping_file) == (0, 5, 0)
    frame.loc[4, heading] = "23"
    written(tmp_path, frame)
    assert load_all(cycle, path, mapping_file) == (1, 4, 0)
    with cycle.store as store:
        read = [one.ambient_c for one in store.rows(Run, product=NAME)]
        assert read == [22.8, 23.1, 23.4, None, 24.0, 23.0]
        (again,) = store.rows(Run, serial="PA-005")[1:]
    assert again.note == (
        "Corrected in sheet.csv, row 6: temperature is 23 \u00b0C, was 24 \u00b0C."
    )


@pytest.mark.parametrize(
    ("column", "text", "says"),
    [
        ("Temperature", "warm", "Temperature: 'warm' is no temperature in \u00b0C"),
        ("Temperature", "296.3", "Temperature: '296.3' is no temperature in"),
        ("Unit", "", "Unit: blank; a unit needs its serial"),
        ("1m out", "", "1m out: is empty, though the other reading"),
        ("1m out", "nought", "1m out: 'nought'"),
        ("1m out", "0.9 A", "1m out: '0.9 A'"),
        ("When", "yesterday", "When: 'yesterday' is no date"),
        (
            "1m out",
            "9.0",
            "reads like range 100 µA: check the switch, units and prefixes",
        ),
    ],
)
def test_a_row_that_cannot_be_judged_is_rejected_with_its_reason(
    cycle: Cycle,
    tmp_path: Path,
    mapping_file: Path,
    column: str,
    text: str,
    says: str,
) -> None:
    frame = sheet().head(3)
    frame.loc[1, column] = text
    said, done = import_all(cycle, written(tmp_path, frame), mapping_file)
    cycle.store.close()
    (one,) = [*said.rejected, *done.rejected]
    assert one.line == 3
    assert says in one.reason
    assert done.new == 2


def test_rejected_rows_go_beside_the_file_and_no_cell_is_a_formula(
    cycle: Cycle, tmp_path: Path, mapping_file: Path
) -> None:
    frame = sheet().head(2)
    frame.loc[0, "Unit"] = "=1+1"
    frame["@remark"] = "none"
    frame.loc[0, "1m out"] = "x"
    path = written(tmp_path, frame)
    one = understood(path, cycle.product, mapping=load_mapping(mapping_file))
    cycle.store.close()
    out = write_rejected(path, one, one.rejected)
    kept = pd.read_csv(out, dtype=str)
    assert out.name == "sheet.csv.rejected.csv"
    assert kept["row"].tolist() == ["cell L2"]
    assert kept["Unit"].tolist() == ["'=1+1"]
    assert kept["reason"][0].startswith("1m out")


def test_a_serial_of_another_build_is_rejected_not_moved(
    cycle: Cycle, tmp_path: Path, mapping_file: Path
) -> None:
    import_all(cycle, written(tmp_path, sheet().head(1)), mapping_file)
    other = written(tmp_path, sheet().head(1).assign(Batch="B-8"))
    _, done = import_all(cycle, other, mapping_file)
    with cycle.store as store:
        assert store.frame("builds", product=NAME)["build"].tolist() == ["B-7"]
    assert done.new == 0
    (no,) = done.rejected
    assert "PA-001 is recorded in build B-7, and here in build B-8" in no.reason


def test_a_file_with_serial_and_build_changed_over_opens_no_build(
    cycle: Cycle, tmp_path: Path, mapping_file: Path
) -> None:
    right, wrong = tmp_path / "right.csv", tmp_path / "wrong.csv"
    sheet().to_csv(right, index=False)
    assert load_all(cycle, right, mapping_file) == (UNITS, 0, 0)
    names = {"Unit": "Batch", "Batch": "Unit"}
    # Of what is known, of new serials in a known build, of known ones in a new build.
    new = sheet().assign(Unit=[f"PA-9{n:02d}" for n in range(UNITS)])
    other = sheet().assign(Batch="B-8")
    said = "serial B-7 is the name of a build", "build PA-001 is the serial of a unit"
    for frame, begins in ((sheet(), said[0]), (new, said[0]), (other, said[1])):
        frame.rename(columns=names).to_csv(wrong, index=False)
        _, done = import_all(cycle, wrong, mapping_file)
        assert (done.new, len(done.rejected)) == (0, UNITS)
        assert done.rejected[0].reason.startswith(begins)
    with cycle.store as store:
        assert store.frame("builds", product=NAME)["build"].tolist() == ["B-7"]


def test_a_missing_column_names_those_that_are_there(
    tmp_path: Path, mapping_file: Path
) -> None:
    path = written(tmp_path, sheet().drop(columns="1m in"))
    with pytest.raises(SheetError, match="no column '1m in'; there are Unit, Batch"):
        understood(path, PRODUCT, mapping=load_mapping(mapping_file))


def test_a_faulty_mapping_names_file_line_and_key(tmp_path: Path) -> None:
    path = tmp_path / "columns.toml"
    path.write_text(MAPPING.replace('serial = "Unit"', 'seriel = "Unit"'))
    with pytest.raises(ConfigError, match=r"columns\.toml:2: seriel.*'serial'"):
        load_mapping(path)


def test_a_file_of_another_kind_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sheet.pdf"
    path.write_text("x")
    with pytest.raises(SheetError, match=r"must end in \.csv, .*\.xlsx"):
        understood(path, PRODUCT)


def test_a_run_is_named_by_what_its_row_says() -> None:
    def row(**changes: object) -> Row:
        values = {
            "line": 2,
            "serial": "PA-1",
            "build": "B-1",
            "measured_at": None,
            "readings": (),
            "reels": (),
        }
        return Row(**{**values, **changes})  # type: ignore[arg-type]

    assert row().run == row(line=9).run
    assert row().run != row(serial="PA-2").run


def zero_row(zero: float | None) -> Row:
    read = TypedReading(range="1mA", reference=900e-6, output=0.9, output_zero=zero)
    return replace(unit(1), readings=(read,))


def id_of_old(row: Row) -> str:
    """Return the id that a row had when a zero read as 0 was like a blank."""
    at = None if row.measured_at is None else row.measured_at.isoformat()
    (one,) = row.readings
    zero = one.output_zero or 0.0
    read = [one.range, one.reference, one.output, one.reference_zero, zero]
    said = [row.serial, row.build, at, [read]]
    return "import-" + hashlib.sha256(json.dumps(said).encode()).hexdigest()[:32]


def test_a_blank_zero_that_becomes_0_is_judged_anew(cycle: Cycle) -> None:
    blank, read = zero_row(None), zero_row(0.0)
    assert blank.run == id_of_old(blank)
    with cycle.store as store:
        assert taken(cycle, blank).new == 1
        done = taken(cycle, read)
        assert (done.changed, done.known) == (1, 0)
        said = "row 2: 1 mA out at zero is 0 V, was blank."
        assert done.taken[0].reason.endswith(said)
        assert taken(cycle, read).known == 1
        back = taken(cycle, blank)
        assert back.taken[0].reason.endswith("1 mA out at zero is blank, was 0 V.")
        judged = [
            [one.of_full_scale for one in result.judged_points]
            for run in store.rows(Run)
            for result in store.rows(RangeResult, run=run.run)
        ]
        assert [0.0 in one for one in judged] == [False, True, False]


def test_a_zero_that_was_recorded_under_an_id_of_before_is_the_same(
    cycle: Cycle, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = zero_row(0.0)
    with cycle.store:
        with monkeypatch.context() as patch:
            patch.setattr(Row, "run", property(id_of_old))
            taken(cycle, read)
        assert read.run != id_of_old(read)
        assert taken(cycle, read).known == 1


def unit(
    number: int, *, out: float = 0.9, reel: str = "", at: datetime | None = None
) -> Row:
    """Return a row of one unit that is read on 1 mA alone."""
    return Row(
        line=number + 1,
        serial=f"PA-{number:02d}",
        build="B-7",
        measured_at=at,
        readings=(TypedReading(range="1mA", reference=900e-6, output=out),),
        reels=(("R14", reel),) if reel else (),
    )


def taken(cycle: Cycle, *rows: Row, at: datetime = AT) -> Imported:
    return take(rows, cycle, session="import-x", configuration=configuration(), at=at)


def carried(cycle: Cycle, numbers: Sequence[int]) -> Mapping[int, str | None]:
    fittings = cycle.store.rows(Fitting, build="B-7")
    return {n: reels_of(f"PA-{n:02d}", fittings).get("R14") for n in numbers}


def test_reels_follow_the_serials_whatever_the_order_of_the_sheet(
    cycle: Cycle,
) -> None:
    newest_first = [
        unit(n, reel="K-900" if n >= 5 else "K-1") for n in range(10, 0, -1) if n != 7
    ]
    with cycle.store:
        assert taken(cycle, *newest_first).rejected == ()
        true = {n: "K-900" if n >= 5 else "K-1" for n in range(1, 11)}
        assert carried(cycle, range(1, 11)) == true
        # One that comes later, of another reel, leaves the recorded ones as they are.
        assert taken(cycle, unit(7, reel="K-2")).rejected == ()
        assert carried(cycle, range(1, 11)) == {**true, 7: "K-2"}


def test_a_reel_that_is_recorded_otherwise_is_never_the_same(cycle: Cycle) -> None:
    with cycle.store:
        taken(cycle, unit(1, reel="K-1"), unit(2, reel="K-1"))
        done = taken(cycle, unit(1, reel="K-1"), unit(2, reel="K-2"))
        assert (done.new, done.known) == (0, 1)
        (no,) = done.rejected
        assert no.reason == (
            "the reel of part R14 of unit PA-02 is recorded as K-1, and the row says "
            "K-2; correct the sheet, or take the record back with `holdpoint fitting "
            'undo FITTING --person NAME --reason "WHY"` (`holdpoint fitting list` '
            "names it)"
        )
        assert [one.reel for one in cycle.store.rows(Fitting)] == ["K-1"]


def test_a_correction_without_a_time_is_no_new_measurement(cycle: Cycle) -> None:
    later = AT + timedelta(days=2)
    with cycle.store as store:
        taken(cycle, unit(1, reel="K-1"))
        done = taken(cycle, unit(1, out=0.9001), at=later)
        assert done.taken[0].reason.startswith("Corrected in the sheet, row 2: 1 mA")
        assert [one.started_at for one in store.rows(Run)] == [AT, AT]
        store.keep(
            Rework(
                rework="1",
                serial="PA-01",
                product=NAME,
                kind=ReworkKind.REPLACE,
                person="Ada Moreno",
                reason="x",
                reworked_at=AT + timedelta(days=1),
                range="1mA",
                part="R14",
                reel="K-1",
            ),
            decision=Decision(
                person="Ada Moreno",
                action="rework",
                subject="PA-01",
                reason="x",
                decided_at=AT + timedelta(days=1),
            ),
        )
        # Read before the rework, or after it: the row does not say.
        (no,) = taken(cycle, unit(1, out=0.9002), at=later).rejected
        assert no.reason == (
            "unit PA-01 was reworked since it was measured, and the row does not say "
            "whether it was read before or after; say when in a column 'measured at'"
        )
        assert taken(cycle, unit(1, out=0.9002, at=later), at=later).changed == 1


def test_the_latest_reading_is_the_last_verdict_in_any_order(cycle: Cycle) -> None:
    first, later = unit(1, out=0.9, at=AT), unit(1, out=0.8999, at=AT.replace(hour=23))
    with cycle.store as store:
        done = taken(cycle, replace(later, line=2), replace(first, line=3))
        assert [one.state for one in done.taken] == ["changed", "new"]
        assert done.taken[0].reason.startswith("Read again in the sheet, row 2")
        assert store.rows(Run)[-1].started_at == later.measured_at
        (no,) = taken(cycle, unit(1, out=0.9001, at=AT)).rejected
        assert "only the latest measurement of a unit can be corrected" in no.reason
        assert taken(cycle, first, later).known == 2


def test_a_correction_that_is_undone_is_recorded(cycle: Cycle) -> None:
    right, wrong = unit(1, out=0.9, at=AT), unit(1, out=0.8999, at=AT)
    with cycle.store as store:
        for row, state in (
            (right, "new"),
            (wrong, "changed"),
            (right, "changed"),
            (wrong, "changed"),
        ):
            (one,) = taken(cycle, row).taken
            assert one.state == state
            assert one.reason.startswith("Corrected in") == (state == "changed")
            assert row.readings[0].output in store.rows(RangeResult)[-1].output_readings
            assert taken(cycle, row).known == 1


def test_an_old_sheet_taken_again_takes_no_correction_back(
    cycle: Cycle, tmp_path: Path, mapping_file: Path
) -> None:
    """What another sheet corrected stays; the sheet that did may undo it."""
    old, new = tmp_path / "week 48.csv", tmp_path / "day 2: last.csv"
    frame = sheet()
    frame.to_csv(old, index=False)
    load_all(cycle, old, mapping_file)
    corrected = sheet()
    corrected.loc[0, "1m out"] = "0.9001"
    corrected.to_csv(new, index=False)
    assert load_all(cycle, new, mapping_file) == (1, UNITS - 1, 0)
    said, done = import_all(cycle, old, mapping_file)
    assert (done.new, done.known, len(said.rejected)) == (0, UNITS - 1, 0)
    (no,) = done.rejected
    assert no.reason == (
        "unit PA-001 read so before it was corrected in day 2: last.csv; what was "
        "corrected stays. If this is right after all, correct it in day 2: last.csv"
    )
    frame.to_csv(new, index=False)
    assert load_all(cycle, new, mapping_file) == (1, UNITS - 1, 0)
    cycle.store.close()


def test_a_serial_that_was_typed_wrong_gets_its_own_readings_back(cycle: Cycle) -> None:
    later = AT + timedelta(days=1)
    first, second = unit(1, out=0.9, at=AT), unit(2, out=0.8999, at=later)
    slip = replace(second, serial=first.serial)
    with cycle.store as store:
        assert [one.state for one in taken(cycle, first, slip).taken] == [
            "new",
            "changed",
        ]
        done = taken(cycle, first, replace(second, line=3))
        assert [one.state for one in done.taken] == ["changed", "new"]
        assert done.taken[0].reason == (
            "Corrected in the sheet, row 2: 1 mA out is 900 mV, was 899.9 mV. What "
            "stood there is of unit PA-02, row 3."
        )
        last = [one for one in store.rows(Run) if one.serial == first.serial][-1]
        assert (
            first.readings[0].output
            in store.rows(RangeResult, run=last.run)[0].output_readings
        )
        assert last.started_at == first.measured_at
        assert taken(cycle, first, second).known == 2


def test_a_unit_with_readings_of_its_own_is_not_to_be_renamed(cycle: Cycle) -> None:
    """One serial stood twice; only the corrected row comes again."""
    later = AT + timedelta(days=1)
    own, other = unit(9, out=0.9, at=AT), unit(1, out=0.8999, at=later)
    with cycle.store:
        taken(cycle, own, replace(other, serial=own.serial, line=3))
        (no,) = taken(cycle, other).rejected
        assert "unit edit" not in no.reason
        assert "put the row of unit PA-09 into the sheet too" in no.reason
        done = taken(cycle, own, replace(other, line=3))
        assert [one.state for one in done.taken] == ["changed", "new"]


def test_readings_of_a_unit_that_the_file_names_no_more_make_no_second_unit(
    cycle: Cycle,
) -> None:
    later = AT + timedelta(days=1)
    wrong, right = unit(9, out=0.9, at=AT), unit(1, out=0.9, at=AT)
    with cycle.store as store:
        taken(cycle, wrong)
        (no,) = taken(cycle, right).rejected
        assert no.reason == (
            "what it says is recorded as unit PA-09, which is not in the file; where "
            "that serial was typed wrong, say `holdpoint unit edit PA-09 --serial "
            'PA-01 --person NAME --reason "WHY"`'
        )
        correct(
            store,
            NAME,
            "PA-09",
            {Amended.UNIT: {"serial": "PA-01"}},
            person="Ada Moreno",
            reason="typed wrong",
            people=["Ada Moreno"],
            at=later,
        )
        assert taken(cycle, right).known == 1


def test_what_is_held_for_a_sheet_is_held_from_the_day_it_is_read(
    tmp_path: Path,
) -> None:
    """The sheet's own date stays that of the measurement."""
    today = AT + timedelta(days=14)
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        store.keep(Product(product=NAME, title="x"))
        cycle = Cycle(SETTINGS, store, utc=lambda: today)
        cycle.resume()
        taken(cycle, unit(1, out=0.8, at=AT))
        cycle.watch()
        placed = {one.placed_at for one in store.rows(Hold, product=NAME)}
        assert placed == {today}
        (run,) = store.rows(Run, product=NAME, serial="PA-01")
        assert run.started_at == AT
        ledger = store.table("decision").to_pylist()
        assert {one["decided_at"] for one in ledger} == {today}


def test_a_row_that_stands_twice_is_said_and_which_one_counts(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(
        "serial,build,measured at,1mA in,1mA out\n"
        "PA-1,B-1,2026-03-02 10:20,900 uA,0.9 V\n"
        "PA-1,B-1,2026-03-02 10:10,900 uA,0.901 V\n"
        "PA-2,B-1,2026-03-02 10:30,900 uA,0.9 V\n"
        "PA-2,B-1,2026-03-02 10:30,900 uA,0.9 V\n"
    )
    remarks = understood(path, PRODUCT).remarks
    told = [one for one in remarks if "ore than on" in one]
    of_times, alike = (one.partition(".")[0] for one in told)
    assert of_times.endswith("unit PA-1 (rows 2 and 3; row 2 counts)")
    assert alike == "The same row more than once: unit PA-2 (rows 4 and 5)"
