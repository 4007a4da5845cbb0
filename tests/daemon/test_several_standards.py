"""Several check standards at one bench: run beside one another, told apart."""

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from config.model import KnownStandard
from daemon.presentation.standards import beside_rows, latest, standards_said
from daemon.station import OutOfControlError
from daemon.traceability.instruments import instruments
from storage import StandardCheck
from storage.local import LocalStore
from tests.daemon.bench.fakes import RANGES
from tests.daemon.test_station import STANDARD, Line, Person

SECOND = KnownStandard(
    serial="CS-2",
    error_ppm={"R14": 100.0, "R12": 0.0},
    uncertainty_ppm=20.0,
    certificate="2026-0117",
)


class TwoStandards(Line):
    """A line whose standards read off by what `off` says, ppm."""

    def __init__(self, store: LocalStore, **bench: Any) -> None:
        super().__init__(store, further_standards=(SECOND,), **bench)
        self.off: dict[str, float] = {}
        ask = self.desk.ask

        def asked(text: str, *, subject: str, **also: Any) -> str:
            self.fake.gain_error_ppm = self.off.get(subject, 0.0)
            return ask(text, subject=subject, **also)

        self.desk.ask = asked  # type: ignore[method-assign]

    def connected(self) -> list[str]:
        """Return what was asked for since the last time."""
        said = [text.removeprefix("Connect ").split(",")[0] for text in self.desk.asked]
        self.desk.asked.clear()
        return said

    def rows(self) -> list[StandardCheck]:
        """Return the latest comparison."""
        return latest(self.store.rows(StandardCheck, product="pa4"))


@pytest.fixture
def line(tmp_path: Path) -> Iterator[TwoStandards]:
    """Return a bench with two standards, none of them read."""
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        yield TwoStandards(store)


def test_a_session_opens_with_both_and_goes_on_with_the_first(
    line: TwoStandards,
) -> None:
    line.off["CS-2"] = 100.0
    for _ in range(3):
        line.unit()
    assert line.connected() == [
        "check standard CS-1", "check standard CS-2", "unit PA-1",
        "check standard CS-1", "unit PA-3",
    ]  # fmt: skip
    rows = line.rows()
    assert {(one.serial, one.range) for one in rows} == {
        (serial, key) for serial in ("CS-1", "CS-2") for key in SECOND.error_ppm
    }
    (far,) = [one for one in rows if one.serial == "CS-2" and one.range == "R14"]
    assert far.error_ppm == pytest.approx(100.0, abs=2.0)
    assert far.known_ppm == 100.0
    assert line.desk.snapshot()["check_due"] is None
    line.station.check()
    assert line.connected() == ["check standard CS-1", "check standard CS-2"]
    line.station.finish()
    assert line.connected() == ["check standard CS-1", "check standard CS-2"]
    # What was known then stays with what was read.
    bench = line.settings.bench
    assert bench is not None
    other = SECOND.model_copy(update={"error_ppm": {"R14": 900.0, "R12": 0.0}})
    line.settings.__dict__["bench"] = bench.model_copy(
        update={"further_standards": (other,)}
    )
    line.start()
    line.station.check()
    kept = line.store.rows(StandardCheck, product="pa4")
    assert {one.known_ppm for one in kept if one.range == "R14"} == {0.0, 100.0, 900.0}
    assert [one for one in kept if one in rows] == rows
    listed = instruments(line.store, line.settings.bench)
    assert [(one.serial_number, one.certificate) for one in listed[-2:]] == [
        ("CS-1", None),
        ("CS-2", "2026-0117"),
    ]
    assert [one.sessions for one in listed[-2:]] == [2, 2]


def test_it_is_told_whether_a_standard_has_moved_or_the_bench(
    line: TwoStandards,
) -> None:
    line.off = {"CS-2": 5_000.0}
    line.unit()
    assert line.in_doubt() == []  # the one that every check runs reads right

    def remarked(text: str) -> bool:
        return any(text in one for one in line.desk.snapshot()["remarks"])

    assert remarked("Check standard CS-2 has moved on")
    titles = {key: key for key in RANGES}
    (said,) = standards_said(line.rows(), titles)
    assert "not the bench: CS-1 reads right" in said
    assert line.station.take_said() == tuple(
        standards_said(line.rows(), line.station._cycle.product.titles)
    )
    shown = beside_rows(line.rows(), titles)
    assert [one["standard"] for one in shown] == ["CS-1", "CS-2"] * 2
    assert {one["difference"][0] for one in shown[1::2]} == {"+"}

    line.off = {"CS-1": 3_000.0, "CS-2": 100.0}
    with pytest.raises(
        OutOfControlError,
        match=r"no unit is judged.*Check standard CS-1 has moved on .*, not the bench: "
        r"CS-2 reads right\. Have CS-1 calibrated",
    ):
        line.station.check()
    assert line.in_doubt() == ["PA-1"]
    assert remarked("Check standard CS-1 has moved on")
    assert not remarked("CS-2 has moved")

    line.off = {"CS-1": 3_000.0, "CS-2": 3_050.0}
    with pytest.raises(OutOfControlError, match=r"bench has moved on .*CS-1 and CS"):
        line.station.check()


def test_a_standard_past_its_calibration_is_not_run_and_that_is_said(
    tmp_path: Path,
) -> None:
    past = SECOND.model_copy(update={"calibration_due": date(2020, 1, 1)})
    first = STANDARD.model_copy(update={"calibration_due": date(2020, 1, 2)})
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        line = Line(store, check_standard=first, further_standards=(past,))
        assert isinstance(line.desk, Person)
        line.station.check()
        asked = [text.split(",")[0] for text in line.desk.asked]
        assert asked == ["Connect check standard CS-1"]
        remarks = line.desk.snapshot()["remarks"]
        ended = "out of calibration, which was due on"
        assert [one for one in remarks if "Check standard" in one] == [
            f"Check standard CS-1: {ended} 2020-01-02.",
            f"Check standard CS-2: {ended} 2020-01-01; it is not run.",
        ]
        assert store.rows(StandardCheck) == []
