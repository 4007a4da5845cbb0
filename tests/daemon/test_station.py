"""Sessions, checks, room and warm-up, and a second meter, on a bench in memory."""

from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from threading import Event
from types import SimpleNamespace
from typing import Any, cast

import pytest

from config.load import fingerprint
from config.model import Alerts, Bench, CheckStandard, Plan, Settings
from config.quantity import Unit
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import StoppedError
from daemon.commands.opened import Opened
from daemon.commands.status import _not_closed
from daemon.judging.product import ProductModel
from daemon.presentation.documents.unit import UnitRecord
from daemon.station import (
    AmbientError,
    MovedAlikeError,
    NoStandardError,
    OutOfControlError,
    Station,
)
from daemon.station.cycle import Cycle
from daemon.station.desk import Desk
from daemon.station.orders import SecondMeter
from daemon.station.second_meter import Beside, cross_check
from daemon.traceability.papers.unit import unit_record
from storage.kept import Record
from storage.local import LocalStore
from storage.records import Build, Configuration, Decision, Doubt, Product
from tests.daemon.bench.fakes import (
    PROFILES,
    RANGES,
    FakeBench,
    open_bench,
    product,
    settings,
)
from tests.daemon.making import AT

STANDARD = CheckStandard(
    serial="CS-1",
    error_ppm=dict.fromkeys(RANGES, 0.0),
    uncertainty_ppm=20.0,
    every_units=2,
    every_hours=4.0,
)


class Person(Desk):
    """A desk whose prompts somebody answers at once."""

    def __init__(self, clock: VirtualClock) -> None:
        super().__init__(utc=clock.utc, stop=Event())
        self.asked: list[str] = []
        self.stood: list[dict[str, Any]] = []
        """What the daemon said it does when it asked."""
        self.reads = "0.9 V"

    def ask(
        self,
        text: str,
        *,
        subject: str,
        wants: str | None = None,
        by_scan: bool = False,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> str:
        """Answer."""
        del subject, by_scan
        self.asked.append(text)
        self.stood.append(self.snapshot())
        meanwhile()
        return self.reads if wants else "done"


class Line:
    """A station over instruments in memory."""

    def __init__(self, store: LocalStore, **bench: Any) -> None:
        self.fake = FakeBench()
        self.clock = self.fake.clock
        assert isinstance(self.clock, VirtualClock)
        self.desk = Person(self.clock)
        told: Bench = settings().model_copy(
            update={"check_standard": STANDARD, **bench}
        )
        # Not checked as a whole: instruments in memory have no addresses.
        self.settings = Settings.model_construct(
            product=product(),
            bench=told,
            plan=Plan(people=("Ada Moreno",)),
            profiles=PROFILES,
            alerts=Alerts(),
        )
        configuration, body = fingerprint(self.settings)
        store.keep(Configuration(configuration=configuration, body=body, stored_at=AT))
        store.keep(Product(product="pa4", title="Amplifier"))
        store.keep(Build(build="B-1", product="pa4", planned_units=None, opened_at=AT))
        self.store = store
        self.bench = open_bench(self.fake, bench=told, clock=self.clock)
        self.configuration = configuration
        self.units = 0
        self.start()

    def start(self) -> None:
        """Begin, or begin again with no more than what is recorded."""
        self.station = Station(
            Cycle(self.settings, self.store),
            self.bench,
            desk=self.desk,
            clock=self.clock,
            configuration=self.configuration,
        )

    def unit(self) -> None:
        """Measure the next unit."""
        self.units += 1
        self.station.unit(serial=f"PA-{self.units}", build="B-1", ranges=tuple(RANGES))

    def in_doubt(self) -> list[str]:
        """Return the serials that are in doubt."""
        rows = self.store.table("runs_in_doubt", product="pa4").to_pylist()
        return [str(one["serial"]) for one in rows]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    """Return a store without rows."""
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        yield store


def test_a_session_opens_with_the_standard_and_repeats_it_when_due(
    store: LocalStore,
) -> None:
    line = Line(store)
    for _ in range(3):
        line.unit()
    assert [text.split(",")[0] for text in line.desk.asked] == [
        "Connect check standard CS-1",
        "Connect unit PA-1",
        "Connect check standard CS-1",
        "Connect unit PA-3",
    ]
    assert line.desk.snapshot()["check_due"] is None


def test_where_a_unit_is_waited_for_nothing_is_shown_that_another_read(
    store: LocalStore,
) -> None:
    line = Line(store)
    shown: list[dict[str, Any]] = []
    show = line.desk.show

    def seen(**changes: object) -> None:
        show(**changes)
        shown.append(line.desk.snapshot())

    line.desk.show = seen  # type: ignore[method-assign]
    line.unit()
    standard, unit = line.desk.stood
    assert (standard["serial"], standard["checked"]) == ("CS-1", None)
    assert (unit["phase"], unit["serial"]) == ("connecting", "PA-1")
    assert (unit["live"], unit["record"], unit["range"]) == ({}, {}, None)
    assert not unit["source_on"]
    assert unit["checked"] is not None
    assert unit["checked"].startswith("Check standard CS-1 read right")
    # From before its first point until the source was seen off.
    measured = [one for one in shown if one["phase"] == "measuring"]
    read = [(one["level"], one["levels"]) for one in measured if one["live"]]
    assert read[:3] == [(1, 3), (2, 3), (3, 3)]
    on = [one["source_on"] for one in measured]
    assert on.index(True) < [bool(one["live"]) for one in measured].index(True)
    assert not on[-1]


def test_a_unit_that_is_measured_again_counts_towards_the_next_check(
    store: LocalStore,
) -> None:
    line = Line(store)
    left = []
    for rerun_of in (False, True):
        before = line.store.table("first_run", serial="PA-1").to_pylist()
        line.station.unit(
            serial="PA-1",
            build="B-1",
            ranges=tuple(RANGES),
            rerun_of=before[0]["run"] if rerun_of else None,
        )
        left.append(line.desk.snapshot()["check_after_units"])
    assert left == [1, 0]
    assert line.desk.snapshot()["check_due"] == "2 units since the last"


def test_a_bench_out_of_control_judges_nothing_until_it_reads_right(
    store: LocalStore,
) -> None:
    line = Line(store)
    line.unit()
    line.fake.gain_error_ppm = 3_000.0
    with pytest.raises(OutOfControlError, match="no unit is judged"):
        line.station.check()
    assert line.in_doubt() == ["PA-1"]
    assert "outside its limits" in line.desk.snapshot()["check_due"]
    with pytest.raises(OutOfControlError):
        line.unit()
    rows = store.frame("range_rows", product="pa4", after=0, kind="unit")
    assert set(rows["serial"]) == {"PA-1"}
    assert not line.fake.on
    line.fake.gain_error_ppm = 0.0
    line.unit()
    assert line.in_doubt() == []


def test_an_overdue_check_is_said_and_comes_before_the_next_unit(
    store: LocalStore,
) -> None:
    line = Line(store)
    line.unit()
    assert line.station.notice_overdue() is None
    line.clock.wait_s(4 * 3600.0)
    line.station.notice_overdue()
    assert line.in_doubt() == ["PA-1"]
    assert line.desk.snapshot()["check_overdue"]
    line.unit()
    assert line.desk.asked[-2].startswith("Connect check standard")
    assert line.in_doubt() == []
    assert not line.desk.snapshot()["check_overdue"]


def test_a_session_ends_with_the_standard(store: LocalStore) -> None:
    line = Line(store)
    line.station.finish()
    assert line.desk.asked == [], "nothing was measured, so nothing is closed"
    line.unit()
    line.fake.gain_error_ppm = 3_000.0
    with pytest.raises(OutOfControlError):
        line.station.finish()
    assert line.in_doubt() == ["PA-1"]
    line.fake.gain_error_ppm = 0.0
    line.station.finish()
    assert line.in_doubt() == []
    assert line.desk.snapshot()["check_due"] == "the session is not checked yet"


def test_a_session_without_its_closing_check_is_said_once_it_is_over(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.commands.status.is_shared", lambda: False)
    line = Line(store)
    at = cast(
        "Opened", SimpleNamespace(settings=line.settings, store=store, product="pa4")
    )
    assert _not_closed(at, None) is None
    for _ in range(3):  # a check after two
        line.unit()
    told = _not_closed(at, None)
    assert told is not None
    assert "bench moved while it measured its last unit. What" in told
    # While it is open its check is yet to come.
    assert _not_closed(at, line.desk.snapshot()) is None
    line.station.finish()
    assert _not_closed(at, None) is None


@pytest.mark.parametrize("moved_ppm", [120.0, -120.0])
def test_meters_that_moved_alike_put_runs_in_doubt_and_end_the_session(
    store: LocalStore, moved_ppm: float
) -> None:
    """The check standard reads as before, and says nothing of the units between."""
    line = Line(store, source_stability_ppm=100.0)
    line.unit()
    line.fake.meters_ppm = moved_ppm
    with pytest.raises(MovedAlikeError, match=f"{moved_ppm:.0f} ppm since"):
        line.station.check()
    assert line.in_doubt() == ["PA-1"]
    (doubt,) = store.table("doubts", product="pa4").to_pylist()
    assert "both meters moved together" in doubt["reason"]
    assert line.desk.snapshot()["check_due"] == "the session is not checked yet"
    line.unit()
    line.station.check()
    assert line.in_doubt() == ["PA-1"], "only a person ends the doubt"


@pytest.mark.parametrize(
    ("meters_ppm", "gain_error_ppm", "stability_ppm"),
    [(80.0, 0.0, 100.0), (120.0, 0.0, None), (0.0, 12.0, 10.0)],
)
def test_what_the_source_or_one_meter_explains_is_no_doubt(
    store: LocalStore,
    meters_ppm: float,
    gain_error_ppm: float,
    stability_ppm: float | None,
) -> None:
    line = Line(store, source_stability_ppm=stability_ppm)
    line.unit()
    line.fake.meters_ppm, line.fake.gain_error_ppm = meters_ppm, gain_error_ppm
    line.station.check()
    assert line.in_doubt() == []


def test_a_reference_that_errs_for_one_unit_alone_puts_it_in_doubt(
    store: LocalStore,
) -> None:
    """The checks before and after it read right, and say nothing of it."""
    line = Line(store, source_stability_ppm=100.0)
    line.unit()
    line.fake.reference_ppm = 500.0
    line.unit()
    line.fake.reference_ppm = 0.0
    line.station.check()
    assert line.in_doubt() == ["PA-2"]
    (doubt,) = store.table("doubts", product="pa4").to_pylist()
    assert "disagreed with the source's setting" in doubt["reason"]
    assert "+500 ppm" in doubt["reason"]
    line.unit()
    line.station.check()
    assert line.in_doubt() == ["PA-2"], "only a person ends the doubt"


def test_a_doubt_that_was_not_kept_after_its_run_is_raised_at_the_next_start(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The program is ended between the run and the doubt on it."""
    line = Line(store, source_stability_ppm=100.0)
    line.unit()
    line.fake.reference_ppm = 500.0
    keep = store.keep

    def killed(*rows: Record, decision: Decision | None = None) -> None:
        if any(isinstance(one, Doubt) for one in rows):
            raise KeyboardInterrupt
        keep(*rows, decision=decision)

    with monkeypatch.context() as ending:
        ending.setattr(store, "keep", killed)
        with pytest.raises(KeyboardInterrupt):
            line.unit()
    assert line.in_doubt() == []
    assert not store.frame("unit_runs", serial="PA-2").empty
    for _ in range(2):
        line.start()
        assert line.in_doubt() == ["PA-2"]
    (doubt,) = store.table("doubts", product="pa4").to_pylist()
    assert doubt["reason"].startswith("The reference disagreed with the source's")
    assert doubt["reason"].endswith("in bench.toml allows.")


def test_a_reference_that_errs_for_a_moment_is_read_again(store: LocalStore) -> None:
    line = Line(store, source_stability_ppm=100.0)
    line.unit()
    line.fake.reference_ppm, line.fake.reference_errs = 500.0, 20
    line.unit()
    assert line.fake.reference_errs == 0
    assert line.in_doubt() == []
    rows = store.frame("range_rows", product="pa4", after=0, kind="unit")
    assert rows["error_ppm"].abs().max() < 1.0
    note = store.frame("unit_runs", serial="PA-2")["note"].iloc[-1]
    assert note.endswith("It was read again there.")


def test_a_reference_is_not_doubted_for_what_the_source_may_do(
    store: LocalStore,
) -> None:
    line = Line(store, source_stability_ppm=100.0)
    line.unit()
    line.fake.reference_ppm = 90.0
    line.unit()
    assert line.in_doubt() == []


@pytest.mark.parametrize("stability_ppm", [100.0, None])
def test_what_the_source_s_stability_hides_of_the_reference_is_uncertainty(
    store: LocalStore, stability_ppm: float | None
) -> None:
    """It errs by 90 ppm for the second unit of three, at first and once closed."""
    line = Line(store, source_stability_ppm=stability_ppm)
    for reference_ppm in (0.0, 90.0, 0.0):
        line.fake.reference_ppm = reference_ppm
        line.unit()
    line.station.check()
    first = store.frame("range_rows", product="pa4", after=0, kind="unit")
    closed = store.frame("rejudgements", product="pa4", after=0)
    for rows in (first, closed):
        before, erred, after = (
            one["uncertainty_ppm"].mean() for _, one in rows.groupby("run", sort=False)
        )
        if stability_ppm is None:
            assert erred == pytest.approx(before, rel=0.05)
        else:
            # As if it were sure to be the reference, all of it.
            by_source_ppm = (erred**2 - before**2) ** 0.5
            assert by_source_ppm == pytest.approx(90.0, rel=0.1)
            assert after == pytest.approx(before, rel=0.05)


def test_a_room_outside_the_window_judges_nothing(store: LocalStore) -> None:
    line = Line(store)
    line.fake.answers["ambient", "MEAS:TEMP?"] = "31.2"
    with pytest.raises(AmbientError, match=r"31\.2 C, outside 18 to 28 C"):
        line.unit()
    assert not line.fake.on
    assert store.frame("range_rows", product="pa4", after=0, kind=None).empty
    line.fake.answers["ambient", "MEAS:TEMP?"] = "27.9"
    line.unit()


def test_nothing_is_judged_before_the_instruments_are_warm(store: LocalStore) -> None:
    line = Line(store, warm_up_minutes=30.0)
    opened_s = line.clock.now_s()
    line.unit()
    warm_s = 30.0 * 60.0
    first = store.frame("readings", run=_first_run(store))["at_s"].iloc[0][0]
    assert first - opened_s >= warm_s
    line.unit()
    assert line.clock.now_s() - opened_s < 2 * warm_s, "it waits once"


def test_a_calibration_that_ends_in_a_session_is_said_on_every_result_after(
    store: LocalStore,
) -> None:
    """The session opens at eight on its last day; sixteen hours on it is over."""
    output = settings().output.model_copy(update={"calibration_due": date(2026, 1, 5)})
    line = Line(store, output=output)
    line.unit()
    assert line.desk.snapshot()["remarks"] == ()
    line.clock.wait_s(16 * 3600.0)
    line.station.notice_overdue()
    said = ("The output meter: out of calibration, which was due on 2026-01-05.",)
    assert line.desk.snapshot()["remarks"] == said
    line.unit()
    assert line.desk.snapshot()["remarks"] == said
    for serial, remark in (
        ("PA-1", None),
        ("PA-2", said[0][len("The output meter: ") : -1]),
    ):
        record = issued(store, serial)
        (meter,) = (one for one in record.instruments if one.role == "output meter")
        assert meter.remark == remark


def issued(store: LocalStore, serial: str) -> UnitRecord:
    """Return a unit's test record."""
    model = ProductModel.of(product())
    return unit_record(store, model, serial, issued_at=AT, issuer="Workshop")


def test_a_record_shows_both_judgements_of_a_unit(store: LocalStore) -> None:
    line = Line(store)
    line.unit()
    before = issued(store, "PA-1")
    assert before.judged_before == ()
    line.fake.gain_error_ppm = 60.0
    line.station.check()
    after = issued(store, "PA-1")
    assert (before.number, after.number) == ("UTR-PA-1-2", "UTR-PA-1-2-3")
    for then, now, first in zip(
        before.ranges, after.ranges, after.judged_before, strict=True
    ):
        assert (first.error_ppm, first.verdict) == (then.error_ppm, then.verdict)
        assert first.closed_by == 3
        assert 0.0 < first.drift_ppm < 60.0
        assert now.error_ppm == pytest.approx(
            first.error_ppm - first.drift_ppm, abs=0.1
        )
        assert now.uncertainty_ppm > then.uncertainty_ppm


def _first_run(store: LocalStore) -> str:
    rows = store.frame("range_rows", product="pa4", after=0, kind="check")
    return str(rows["run"].iloc[0])


def test_waiting_for_warmth_ends_when_the_source_is_ordered_off(
    store: LocalStore,
) -> None:
    line = Line(store, warm_up_minutes=30.0)
    line.desk.halt.set()
    with pytest.raises(StoppedError):
        line.unit()


def test_a_check_without_a_standard_says_what_to_write(store: LocalStore) -> None:
    line = Line(store, check_standard=None)
    line.unit()
    with pytest.raises(NoStandardError, match=r"write \[check_standard\]"):
        line.station.check()


@pytest.mark.source("ISO/IEC 17043:2010, B.3.1.3: E_n, worked by hand")
def test_a_second_meter_that_agrees_is_kept_with_its_e_n(store: LocalStore) -> None:
    """0.9 V on a 1 V range at 50 ppm, against 0.9001 V known to 0.05 %.

    Both bounds are rectangular: 2 (45 uV) / sqrt(3) and 2 (450 uV) / sqrt(3), so
    E_n = -100 uV / (2 / sqrt(3) sqrt(45^2 + 450^2) uV) = -0.1915.
    """
    line = Line(store)
    line.desk.reads = "900.1 mV"
    second = SecondMeter(range="R14", meter="handheld 2", accuracy_ppm=500.0)
    done = line.station.compare("PA-9", second)
    assert done.row.value == pytest.approx(0.9)
    assert done.row.normalised_error == pytest.approx(-0.1915, abs=2e-4)
    assert done.row.agree
    assert "they agree" in done.words
    (kept,) = store.table("cross_check", product="pa4").to_pylist()
    assert (kept["range"], kept["role"], kept["unit"]) == ("R14", "output", "V")
    assert not line.fake.on


@pytest.mark.source("JCGM 100:2008, 4.2.3 and 4.3.7, worked by hand")
def test_a_meter_that_moved_beside_the_other_is_as_unsure_as_it_moved() -> None:
    """Means of 0.9 V and 0.9006 V, each of two readings 0.2 mV apart.

    The scatter of the mean of four is 141.42 uV / sqrt(4); half of what it moved and
    50 ppm of 0.9003 V are rectangular: 300 uV and 45.015 uV, each / sqrt(3).
    """
    said = cross_check(
        Beside(
            before=(0.8999, 0.9001), other=0.9003, after=(0.9005, 0.9007),
            full_scale=1.0, unit=Unit.VOLT,
        ),
        SecondMeter(range="R14", meter="handheld 2", accuracy_ppm=500.0),
        bench=settings(), product=product(), serial="PA-9", session="s", at=AT,
    )  # fmt: skip
    assert said.row.value == pytest.approx(0.9003)
    assert said.row.expanded == pytest.approx(2 * 188.88e-6, rel=1e-3)


def test_what_is_yet_to_be_connected_is_asked_for_once(store: LocalStore) -> None:
    line = Line(store)
    line.unit()
    line.desk.asked.clear()
    line.station.unit(serial="PA-9", build="B-1", ranges=tuple(RANGES), connect=True)
    assert line.desk.asked == ["Connect unit PA-9, then confirm."]
    line.desk.asked.clear()
    line.station.unit(serial="PA-8", build="B-1", ranges=tuple(RANGES), connect=True)
    assert [text.split(",")[0] for text in line.desk.asked] == [
        "Connect check standard CS-1",
        "Connect unit PA-8",
    ]
    line.desk.asked.clear()
    second = SecondMeter(range="R14", meter="handheld 2", accuracy_ppm=500.0)
    line.station.compare("PA-8", second, connect=True)
    assert line.desk.asked[0].startswith("Connect unit PA-8, and handheld 2 beside")
    assert "current in series" in line.desk.asked[0]


def test_a_second_meter_that_does_not_agree_is_said(store: LocalStore) -> None:
    line = Line(store)
    line.desk.reads = "0.903"
    second = SecondMeter(range="R14", meter="handheld 2", accuracy_ppm=500.0)
    done = line.station.compare("PA-9", second)
    assert not done.row.agree
    assert "do not agree" in done.words


def test_a_second_meter_in_series_reads_amperes(store: LocalStore) -> None:
    line = Line(store)
    line.desk.reads = "0.9 mA"
    second = SecondMeter(
        range="R14", meter="handheld 2", accuracy_ppm=500.0, role="reference"
    )
    done = line.station.compare("PA-9", second)
    assert done.row.unit == "A"
    assert done.row.value == pytest.approx(0.9e-3)
    assert done.row.agree


@pytest.mark.parametrize("stability_ppm", [100.0, None])
def test_meters_that_step_alike_one_before_a_unit_and_one_after_it_are_uncertainty(
    store: LocalStore, stability_ppm: float | None
) -> None:
    """The check that closes the units reads what the one before them did."""
    line = Line(store, source_stability_ppm=stability_ppm)
    line.unit()
    line.fake.reference_ppm = 90.0
    line.unit()
    line.fake.reference_ppm, line.fake.meters_ppm = 0.0, 90.0
    line.station.check()
    assert line.in_doubt() == []
    first = store.frame("range_rows", product="pa4", after=0, kind="unit")
    closed = store.frame("rejudgements", product="pa4", after=0)
    assert closed["run"].nunique() == 2
    steady_ppm = first["uncertainty_ppm"].iloc[0]
    hidden_ppm = 0.0 if stability_ppm is None else 90.0
    stated_ppm = (steady_ppm**2 + hidden_ppm**2) ** 0.5
    assert closed["uncertainty_ppm"].to_numpy() == pytest.approx(stated_ppm, rel=0.05)
