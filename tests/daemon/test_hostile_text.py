"""Whatever text comes in: a value comes out, or one of our errors, nothing else."""

from contextlib import suppress
from math import isfinite, isinf
from pathlib import Path

import pytest
from hypothesis import example, given, settings, strategies as st

from config import formula as config_formula, quantity
from config.errors import FormulaError, QuantityError
from config.model import Instrument
from config.quantity import Unit
from daemon.bench.clock import VirtualClock
from daemon.bench.driver import Binding, Meter
from daemon.bench.errors import BenchError
from daemon.bench.retry import NEVER
from daemon.metrology.errors import MarkError, MetrologyError
from daemon.metrology.resistors import read_mark
from daemon.metrology.transfer import Transfer
from daemon.simulator.scpi import Instrument as Conforming
from daemon.station.grids import SheetError, read_grids
from daemon.traceability.ship_gate import OrderListError, orders_of
from storage.serials import (
    SerialRangeError,
    counted_serials,
    serial_form,
    serial_order,
    within,
)
from tests.daemon.bench.fakes import PROFILES, FakeBench

MARKS = f"0123456789.,eE+-_ '%kKmMuµ{chr(0x3BC)}npGTRVAsCohmdegΩ°‰ppm"
NUMBERS = st.text(alphabet=MARKS, max_size=14) | st.text(max_size=20)
ARITHMETIC = st.text(alphabet="R123 .e()+-*/_j'[]{}:=\n\t\\x", max_size=40)
SERIALS = st.text(alphabet="PA-0123456789.٣² \n", max_size=14) | st.text(max_size=14)
SHEET = st.text(alphabet='serial,order;\t"\r\n\0 =1' + chr(0x85), max_size=60)


@given(NUMBERS, st.sampled_from(list(Unit)))
@example("1e999", Unit.VOLT)
@example("9" * 5000, Unit.OHM)
@example("k", Unit.OHM)
def test_a_text_is_a_finite_quantity_or_refused(text: str, unit: Unit) -> None:
    try:
        value = quantity.parse(text, unit)
    except QuantityError:
        return
    assert isfinite(value)
    # What was read is spelled so that it is read back the same.
    assert quantity.parse(quantity.spell(value, unit), unit) == value


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(list(Unit)))
def test_every_number_is_spelled_as_it_is_read_back(value: float, unit: Unit) -> None:
    assert quantity.parse(quantity.spell(value, unit), unit) == value


@given(ARITHMETIC | st.text(max_size=40))
@example("R1 * " + "9" * 400)
@example("R1 * " + "9" * 5000)
@example("(" * 300 + "R1" + ")" * 300)
@example("-" * 3000 + "R1")
@example("R1" + " + R1" * 3000)
@example("R1\0")
@example("'" + "\\d" + "'")
def test_a_formula_is_plain_arithmetic_or_refused(text: str) -> None:
    """Both readers of formulas say the same of what they can read."""
    try:
        names = config_formula.part_names(text)
    except FormulaError:
        with pytest.raises(MetrologyError):
            Transfer(text)
        return
    assert names
    with suppress(MetrologyError):  # too long, of no finite value, below zero
        transfer = Transfer(text)
        assert set(transfer.names) == set(names)
        assert isfinite(transfer.value(dict.fromkeys(names, 10.0)))


@given(st.text(alphabet="0123456789RKMGkBCDFGJ?. ", max_size=8) | st.text(max_size=8))
def test_a_mark_is_a_resistance_or_refused(text: str) -> None:
    try:
        read = read_mark(text)
    except MarkError:
        return
    assert isfinite(read.value_ohm)
    assert read.value_ohm >= 0


@given(SERIALS, SERIALS)
@example("PA-1", "PA-" + "9" * 5000)
@example("A" + "1" * 5000, "A" + "2" * 5000)
def test_serials_are_counted_through_or_refused(first: str, last: str) -> None:
    try:
        counted = counted_serials(f"{first}..{last}")
    except SerialRangeError:
        return
    assert 1 <= len(set(counted)) == len(counted) <= 1000
    assert sorted(counted, key=serial_order) == counted


@given(SERIALS, SERIALS, SERIALS)
@example("A" + "1" * 5000, "A", "B")
def test_serials_are_in_one_order_and_within_what_is_between(
    one: str, first: str, last: str
) -> None:
    assert sorted([one, first, last], key=serial_order)
    if within(one, first, last):
        assert serial_form(one) == serial_form(first)
        assert within(first, first, last)
        assert within(one, one, last)
        assert within(one, first, one)


@settings(max_examples=60)
@given(NUMBERS | st.sampled_from(["1E9999999", "-1e9999999", "1E-9999999", "9.9E37"]))
def test_an_answer_is_a_reading_in_its_window_or_a_fault_of_the_bench(
    answer: str,
) -> None:
    fake = FakeBench()
    fake.answers["output", "READ?"] = answer
    meter = Meter(
        Binding(
            role="output",
            instrument=Instrument(address="fake output", profile="fake"),
            profile=PROFILES["voltmeter"],
            connect=fake.connect,
            clock=VirtualClock(),
            retry=NEVER,
        )
    )
    with suppress(BenchError):
        assert not isinf(meter.read())


class Simulated(Conforming):
    """An instrument that does what every one does."""


@given(
    st.text(alphabet="*:;?,IDNRSTCLESMEAVOLTsystem 01.(@)'\"\n\0", max_size=40)
    | st.text(max_size=40)
)
@example("*ESE 9e999")
@example("*ESE nan")
@example("*SRE 1e999;*SRE?")
def test_a_simulated_instrument_answers_or_notes_an_error(line: str) -> None:
    simulated = Simulated(identity="Workshop,meter,1,0", now_s=lambda: 0.0)
    said = simulated.handle(line)
    assert said is None or isinstance(said, str)
    assert simulated.handle("*IDN?") == "Workshop,meter,1,0"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return where files are written, one after another."""
    return tmp_path_factory.mktemp("hostile")


@settings(max_examples=60)
@given(SHEET | st.text(max_size=60))
@example("serial\nPA-1\n")
@example("serial")
@example('serial,order\n"' + "x" * 140_000)
def test_a_list_of_orders_is_read_or_refused(folder: Path, text: str) -> None:
    path = folder / "orders.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    refusal: str | None = None
    rows = []
    try:
        rows = orders_of(path, serial="serial", order="order")
    except OrderListError as refused:
        refusal = str(refused)
    if refusal is None:
        assert all(one.serial for one in rows)
    else:
        assert "orders.csv" in refusal


@settings(max_examples=60)
@given(SHEET | st.text(max_size=60))
@example("serial\nPA-1\n")
@example("serial")
@example("a,b\n1,2,3,4\n")
@example("a,a\n1,2\n")
def test_a_sheet_is_cells_of_text_or_refused(folder: Path, text: str) -> None:
    path = folder / "sheet.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    refusal: str | None = None
    grids = []
    try:
        grids = read_grids(path)
    except SheetError as refused:
        refusal = str(refused)
    if refusal is None:
        assert all(
            isinstance(cell, str) for one in grids for row in one.rows for cell in row
        )
    else:
        assert "sheet.csv" in refusal


@pytest.mark.parametrize("kind", ["xlsx", "parquet", "csv", "ods"])
@pytest.mark.parametrize(
    "data", [b"", b"PK\x03\x04", b"PK\x05\x06" + bytes(18), b"PAR1" * 9, b"\xff\xfe\0"]
)
def test_a_broken_file_is_refused(folder: Path, kind: str, data: bytes) -> None:
    path = folder / f"broken.{kind}"
    path.write_bytes(data)
    with suppress(SheetError):
        read_grids(path)
