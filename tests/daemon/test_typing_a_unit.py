"""A unit is typed point by point: help, and the way back, at every one of them."""

from collections.abc import Iterator
from typing import Any

import pytest

from daemon.commands import measure, typed_unit
from daemon.judging import ProductModel
from daemon.station import TypedReading
from daemon.station.typed_readings import readings_of
from tests.daemon.making import demo_settings

SETTINGS = demo_settings()
RANGE = ("10uA",)
SOURCE_AT = "10 µA, source at "


def typed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *answers: str
) -> tuple[dict[str, float], str, list[str]]:
    """Type one range; return its readings, what was said, and what was asked."""
    given: Iterator[str] = iter(answers)
    questions: list[str] = []

    def put(question: str, **_: object) -> str:
        questions.append(question)
        return next(given)

    monkeypatch.setattr("daemon.commands.typed_unit.click.prompt", put)
    ((reading,), checks) = typed_unit.ask_unit(SETTINGS, RANGE, "PA-0001")
    assert checks == []
    assert next(given, None) is None
    return reading, capsys.readouterr().err, questions


@pytest.mark.parametrize(
    ("zero", "kept", "read"), [("0", 0.0, True), ("", None, False)]
)
def test_a_zero_that_was_read_as_nothing_was_read(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    zero: str,
    kept: float | None,
    read: bool,
) -> None:
    """Enter leaves it out, and then nothing is judged at zero; 0 does not."""
    reading, *_ = typed(monkeypatch, capsys, "0", zero, "9.001u", "0.9001", "")
    assert reading["output_zero"] == kept
    (readings,) = readings_of(
        [TypedReading(**dict[str, Any](reading))],
        ProductModel.of(SETTINGS.product),
        SETTINGS.meters,
        at_s=0.0,
    )
    assert readings.zero_read is read


def test_at_the_serial_help_is_no_serial(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    given = iter(["?", "back", " PA-0001 "])
    monkeypatch.setattr(
        "daemon.commands.measure.click.prompt", lambda *_, **__: next(given)
    )
    assert measure._asked_serial(by_bench=False) == "PA-0001"
    assert capsys.readouterr().err.count("as it is on the unit's label") == 2


def test_every_point_says_what_it_wants(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    points = ("0", "0.1 mV", "9.001u", "0.9001")
    answers = [one for point in points for one in ("?", point)]
    reading, said, _ = typed(monkeypatch, capsys, *answers, "?", "")
    assert reading["reference"] == 9.001e-6
    assert reading["output_zero"] == 1e-4
    assert "such as 9 µA. The level need not" in said
    assert "such as 900 mV. The level need not" in said
    assert "Enter means that it was not read" in said
    assert "Name a range to read it again" in said


def test_back_asks_the_point_before_and_keeps_the_others(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    reading, said, asked = typed(
        monkeypatch, capsys,
        "back", "", "", "9.1u", "back", "9.0u", "0.9", "back", "0.9001", "",
    )  # fmt: skip
    assert "This is the first question." in said
    assert (reading["reference"], reading["output"]) == (9.0e-6, 0.9001)
    # What each range comes to is told once more where something changed, not else.
    assert said.count("verdict") == 2
    assert asked[4].startswith(f"{SOURCE_AT}about 9 µA. The output")
    assert asked[5].startswith(f"{SOURCE_AT}about 9 µA. The reference")
    assert asked[7].startswith("Range to correct")
    assert asked[8].startswith(f"{SOURCE_AT}about 9 µA. The output")


def test_back_after_a_range_was_refused_goes_into_the_readings_that_count(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    reading, said, _ = typed(
        monkeypatch, capsys,
        "", "", "9u", "900", "", "", "9u", "back", "9.01u", "0.9", "",
    )  # fmt: skip
    assert said.count("is a unit such as mV missing?") == 1
    assert (reading["reference"], reading["output"]) == (9.01e-6, 0.9)


def test_a_range_that_is_not_there_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse(text: str) -> None:
        raise ValueError(text)

    monkeypatch.setattr("daemon.commands.typed_unit.misuse", refuse)
    typed_unit.require_ranges(SETTINGS.product, RANGE)
    with pytest.raises(ValueError, match="there is no range '2mA'; there are 1uA"):
        typed_unit.require_ranges(SETTINGS.product, ["2mA"])
