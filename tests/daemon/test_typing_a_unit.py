"""A unit is typed point by point: help, and the way back, at every one of them."""

import re
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from html import unescape
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from config.model import Settings
from daemon.commands import measure, typed_unit
from daemon.judging import ProductModel
from daemon.presentation.documents.mail import as_html
from daemon.station import TypedReading
from daemon.station.cycle import Cycle, Recorded, RunHeader
from daemon.station.typed_readings import readings_of
from daemon.traceability.kitting import keep_settings
from daemon.traceability.papers import build as papers
from daemon.traceability.papers.unit import unit_record
from storage.local import LocalStore
from storage.records import Build, Scope, Session
from tests.daemon.making import AT, demo_settings

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


def test_a_held_unit_that_was_measured_again_is_said_to_be_held_still(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def hold(number: int, disposal: str | None) -> SimpleNamespace:
        return SimpleNamespace(
            hold=f"unit-{number}", scope=Scope.UNIT, subject=f"PA-{number}",
            disposal=disposal,
        )  # fmt: skip

    at = SimpleNamespace(rows=lambda _: [hold(1, None), hold(2, "rework")])
    monkeypatch.setattr(measure, "opened", lambda: nullcontext(at))
    (said,) = measure._still_held("PA-1", again=True)
    assert said.startswith("Unit PA-1 is still held. To end the hold: `holdpoint hold ")
    assert "end unit-1 --by HOW" in said
    assert not [*measure._still_held("PA-1", again=False)]
    assert not [*measure._still_held("PA-2", again=True)]


def test_at_the_serial_help_is_no_serial(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    given = iter(["?", "back", " PA-0001 "])
    monkeypatch.setattr(
        "daemon.commands.measure.click.prompt", lambda *_, **__: next(given)
    )
    assert measure._asked_serial(None) == "PA-0001"
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


def judged_by(meters: str) -> Settings:
    """Return the demo's settings without a bench: two meters that a person reads."""
    one = demo_settings()  # of which nothing was asked: its meters are kept then
    plan = one.plan.model_copy(update={"meters": meters})
    return one.model_copy(update={"bench": None, "plan": plan})


@contextmanager
def opened(folder: Path, settings: Settings) -> Iterator[tuple[Cycle, RunHeader]]:
    """Give what records units of build B-1, and the head of PA-0001's first run."""
    with LocalStore(folder / "holdpoint.duckdb") as store:
        configuration = keep_settings(store, settings, at=AT)
        name, bench = settings.product.name, settings.meters.name
        store.keep(
            Build(build="B-1", product=name, planned_units=1, opened_at=AT),
            Session(
                session="s", bench=bench, opened_at=AT, configuration=configuration
            ),
        )
        yield Cycle(settings, store), RunHeader(
            serial="PA-0001", build="B-1", session="s", origin="typed", started_at=AT,
            finished_at=AT, configuration=configuration,
        )  # fmt: skip


def recorded(cycle: Cycle, header: RunHeader, output: float, **zero: float) -> Recorded:
    """Record what was typed of range 100 µA."""
    reading = TypedReading(range="100uA", reference=9e-5, output=output, **zero)
    read = readings_of([reading], cycle.product, cycle.settings.meters, at_s=0.0)
    return cycle.record(read, header, {})


@pytest.mark.parametrize("zero", [{}, {"output_zero": 0.0}])
def test_a_record_says_whether_a_zero_was_read(
    zero: dict[str, float], tmp_path: Path
) -> None:
    """And that its meters are two that a person read, as good as was said."""
    with opened(tmp_path, judged_by("0.05 % + 2 digits")) as (cycle, header):
        recorded(cycle, header, 0.9013, **zero)
        made = unit_record(
            cycle.store, cycle.product, "PA-0001", issued_at=AT, issuer="Lab"
        )
    said = unescape(re.sub(r"<[^>]+>", " ", as_html(made.paper())))
    assert ("No zero was read. Nothing was taken off" in said) is not bool(zero)
    assert ("what the output read at zero is taken off" in said) is bool(zero)
    assert "read by hand; its accuracy was given as 0.05 % + 2 digits" in said
    assert "901.3" in said
    assert "901.30" not in said  # an uncertainty of some 2 mV has no more digits
    assert "Ambient" in said


def test_whoever_types_a_unit_is_told_why_it_is_not_judged(tmp_path: Path) -> None:
    with opened(tmp_path, judged_by("2 % + 2 digits")) as (cycle, header):
        (why,) = recorded(cycle, header, 0.9013).remarks
    assert why.startswith(
        "Not judged on 100 µA: the meters are too poor for the error limit. At 90 %"
    )


def test_a_release_record_tells_what_units_read_at_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the capability does: what was measured again may have been reworked."""
    monkeypatch.setattr(papers, "charts_of", lambda *_: ())
    with opened(tmp_path, judged_by("0.05 % + 2 digits, 50000 counts")) as (
        cycle,
        header,
    ):
        first = recorded(cycle, header, 0.9090)
        again = recorded(cycle, replace(header, rerun_of=first.run), 0.9001)
        made = papers.build_release(
            cycle.store, cycle.product, "B-1", issued_at=AT, issuer="Lab"
        )
    (one,) = made.ranges
    assert one.mean_ppm == pytest.approx(first.results[0].error_ppm)
    assert one.mean_ppm > 9000 > abs(again.results[0].error_ppm)
    assert [failed.now for failed in made.failures] == ["passed"]
    assert made.incomplete == ("PA-0001",)
