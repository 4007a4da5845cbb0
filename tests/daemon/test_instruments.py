"""A meter swapped or out of calibration is noticed, and said."""

from dataclasses import asdict
from datetime import date

from config.model import Bench, Instrument
from daemon.judging.instruments import met, remarks
from storage.records import BenchInstrument
from tests.daemon.bench.fakes import settings

TODAY = date(2026, 6, 1)
SAID = {"output": "Workshop,meter,4711,1.0", "reference": "Workshop,meter,4000,1.0"}


def bench(**changes: object) -> Bench:
    """Return the fake bench with changes at its output meter."""
    found = settings()
    return found.model_copy(update={"output": found.output.model_copy(update=changes)})


def output(
    one: Bench, said: dict[str, str], before: list[BenchInstrument] | None = None
) -> BenchInstrument:
    found = met("s", one, said, [asdict(row) for row in before or ()], TODAY)
    assert [row.role for row in found] == list(one.instruments)
    return next(row for row in found if row.role == "output")


def test_an_instrument_is_who_it_says_it_is() -> None:
    one = output(bench(calibrated_at=date(2026, 1, 5)), SAID)
    assert one.identity == SAID["output"]
    assert one.serial_number == "4711"
    assert (one.calibrated_at, one.due_at, one.remark) == ("2026-01-05", None, None)


def test_an_old_instrument_is_who_the_bench_file_says_it_is() -> None:
    one = output(bench(identity="hand meter", serial_number="12"), {})
    assert (one.identity, one.serial_number, one.remark) == ("hand meter", "12", None)


def test_a_calibration_past_its_day_is_said_and_not_on_the_day_itself() -> None:
    past = output(bench(calibration_due=date(2026, 5, 31)), SAID)
    assert past.remark == "out of calibration, which was due on 2026-05-31"
    assert output(bench(calibration_due=TODAY), SAID).remark is None
    assert remarks([past], TODAY) == (
        "The output meter: out of calibration, which was due on 2026-05-31.",
    )


def test_a_calibration_that_ends_while_a_session_lasts_is_said_from_then_on() -> None:
    due = output(bench(calibration_due=TODAY, serial_number="1"), SAID)
    assert due.remark is not None
    assert "out of calibration" not in due.remark
    assert remarks([due], TODAY) == (f"The output meter: {due.remark}.",)
    (later,) = remarks([due], date(2026, 6, 2))
    assert later == (
        "The output meter: out of calibration, which was due on 2026-06-01; "
        f"{due.remark}."
    )


def test_a_calibration_that_was_over_at_the_opening_is_said_once() -> None:
    past = output(bench(calibration_due=date(2026, 5, 31), serial_number="1"), SAID)
    (said,) = remarks([past], date(2026, 6, 9))
    assert said.count("out of calibration") == 1


def test_another_serial_number_than_is_written_is_said_every_session() -> None:
    other = bench(serial_number="4712")
    first = output(other, SAID)
    again = output(other, SAID, [first])
    assert first.remark is not None
    assert "4711, but bench.toml says 4712" in first.remark
    assert again.remark == first.remark


def test_another_instrument_than_in_the_session_before_is_said_once() -> None:
    first = output(bench(), SAID)
    swapped = {**SAID, "output": "Workshop,meter,4713,1.0"}
    second = output(bench(), swapped, [first])
    assert second.remark is not None
    assert "4713, in the session before 4711" in second.remark
    assert output(bench(), swapped, [second]).remark is None


def test_another_typed_identity_is_said_once() -> None:
    first = output(bench(identity="old hand meter"), {})
    second = output(bench(identity="new hand meter"), {}, [first])
    assert second.remark is not None
    assert "new hand meter, in the session before old hand meter" in second.remark


def test_everything_wrong_with_an_instrument_is_said_together() -> None:
    one = output(bench(serial_number="1", calibration_due=date(2026, 1, 1)), SAID)
    assert one.remark is not None
    assert one.remark.count("; ") == 1


def test_an_instrument_read_by_hand_needs_no_address() -> None:
    typed = Instrument(profile="typed", identity="hand meter")
    one = output(settings().model_copy(update={"output": typed}), {})
    assert (one.address, one.identity) == ("by hand", "hand meter")
