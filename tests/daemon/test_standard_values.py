"""A check standard's values assigned anew: who, why, since when, and what stays."""

import json
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from threading import Event
from types import SimpleNamespace
from typing import Any, cast

import pytest
from click.testing import CliRunner

from config.load import fingerprint, load
from config.model import CheckStandard
from daemon.bench.clock import ScaledClock
from daemon.commands.cli import holdpoint
from daemon.holds import NotAllowedError
from daemon.judging import ProductModel, StandardsThen, in_force
from daemon.judging.bench_drift import drifts_of
from daemon.presentation import MINUS, standards
from daemon.presentation.documents.of_bench import standards_said
from daemon.presentation.figures import moment
from daemon.service.worker import Worker
from daemon.station import Desk, OutOfControlError, Station
from daemon.traceability.papers.of_bench import settings_of, standards_of
from daemon.traceability.standard_values import (
    StandardValueError,
    as_written,
    assign,
    values_typed,
)
from daemon.watch.from_rows import FromRows, runs_after
from storage import Configuration, LedgerRow, StandardValue, plain_rows
from storage.ledger import verify
from storage.local import LocalStore
from tests.daemon.bench.fakes import RANGES
from tests.daemon.making import AT
from tests.daemon.seeded import empty_home
from tests.daemon.test_several_standards import SECOND, TwoStandards
from tests.daemon.test_station import STANDARD

ADA: Any = {"person": "Ada Moreno", "reason": "calibrated anew, certificate 118"}
TITLES = {key: key for key in RANGES}
MOVED_PPM = 3_000.0


@pytest.fixture
def line(tmp_path: Path) -> Iterator[TwoStandards]:
    """Return a bench with two standards, both read right."""
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        found = TwoStandards(store)
        found.off["CS-2"] = 100.0
        found.unit()
        yield found


def assigned(line: TwoStandards, serial: str = "CS-1", **more: float) -> StandardValue:
    """Assign a standard what it reads now on every range, as Ada."""
    values = more or dict.fromkeys(RANGES, MOVED_PPM)
    return assign(
        line.store, line.settings, serial, error_ppm=values, at=AT, **ADA,
        calibrated_at=date(2026, 5, 4), certificate="118",
    )  # fmt: skip


def go_on(line: TwoStandards) -> None:
    """Take the values in force, as the daemon does before each order."""
    now = in_force(line.settings, line.store)
    configuration, body = fingerprint(now.settings)
    line.store.keep(Configuration(configuration=configuration, body=body, stored_at=AT))
    line.station._cycle.settings = now.settings
    line.station.take_standards(
        configuration,
        tuple(
            standards.written_otherwise(one.written, one.in_force, TITLES)
            for one in now.otherwise
        ),
    )


def test_checks_go_by_the_new_value_and_what_was_judged_keeps_its_own(
    line: TwoStandards,
) -> None:
    line.off["CS-1"] = MOVED_PPM
    with pytest.raises(OutOfControlError, match="CS-1 has moved"):
        line.station.check()
    before = line.store.table("range_rows", product="pa4", after=0, kind="check")
    row = assigned(line)
    go_on(line)
    assert line.desk.snapshot()["session"] is None
    line.connected()
    line.unit()  # a session of its own, opened by a check with the new value
    assert line.connected()[:2] == ["check standard CS-1", "check standard CS-2"]
    assert line.desk.snapshot()["check_due"] is None

    after = line.store.table("range_rows", product="pa4", after=0, kind="check")
    assert after.slice(0, before.num_rows).equals(before)
    verdicts = dict(
        zip(after["number"].to_pylist(), after["verdict"].to_pylist(), strict=True)
    )
    assert [*verdicts.values()] == ["conforming", "nonconforming", "conforming"]
    # The watch goes by the value of each time, whatever the file says today.
    rows = FromRows(
        product=ProductModel.of(line.settings.product),
        bench=line.settings.bench,
        then=StandardsThen(line.store),
    )
    off = [
        rows.check(run).errors_minus_known_ppm
        for run in runs_after(line.store, "pa4", 0)
        if not run.is_unit
    ]
    assert [round(float(one.max()), -2) for one in off] == [0.0, MOVED_PPM, 0.0]
    assert len(drifts_of(in_force(line.settings, line.store).settings, line.store)) == 0

    # Papers name the value that was in force then; both standards are on them.
    body = settings_of(line.store, line.configuration)
    sessions = after["session"].to_pylist()
    said = [
        *standards_said(
            standards_of(line.store, ProductModel.of(line.settings.product),
                         body, sessions)
        )
    ]  # fmt: skip
    first = line.station._cycle.product.titles["R14"]
    assert f"{first}: 0 ±40 ppm" in said[0]
    assert "1 time it read wrong" in said[0]
    assert f"{first}: +0.3000 ±0.0040 %" in said[1]
    assert "it read right on every range" in said[1]
    assert said[1].endswith("Certificate 118.")
    assert "CS-2, was measured beside CS-1 3 times" in said[2]
    assert said[2].endswith("Certificate 2026-0117.")

    # It is a decision: in the ledger, with the reason.
    ledger = line.store.rows(LedgerRow)
    assert verify(ledger) is None
    assert (ledger[-1].person, ledger[-1].subject, ledger[-1].reason) == (
        "Ada Moreno", "CS-1", ADA["reason"],
    )  # fmt: skip
    (shown, *_) = standards.assigned_rows([row], TITLES)
    assert (shown["known"], shown["before"]) == (
        "+0.3000 ±0.0040 %", "0.0000 ±0.0040 %",
    )  # fmt: skip
    assert (shown["person"], shown["reason"]) == ("Ada Moreno", ADA["reason"])
    steps = standards.steps_of([row], "R14", ["CS-1"])
    assert steps[0][0] == AT
    assert "0.0000 → +0.3000 %" in steps[0][1]
    assert "Calibrated anew, certificate 118" in steps[0][1]
    assert standards.steps_of([row], "R14", ["CS-2"]) == []


def test_a_doubt_says_that_the_value_was_assigned_anew_between(
    line: TwoStandards, tmp_path: Path
) -> None:
    assigned(line)  # a value that the standard does not read
    go_on(line)
    with pytest.raises(OutOfControlError):
        line.station.check()
    (doubt,) = plain_rows(line.store.table("doubts", product="pa4"))
    assert str(doubt["reason"]).endswith(
        f"; Ada Moreno assigned its values anew on {moment(AT)}, after the last good "
        "check (run 1): compare the new values with the ones before"
    )
    # The same values: nothing to compare.
    with LocalStore(tmp_path / "other.duckdb") as store:
        other = TwoStandards(store)
        other.unit()
        other.off["CS-1"] = MOVED_PPM
        with pytest.raises(OutOfControlError):
            other.station.check()
        (doubt,) = plain_rows(store.table("doubts", product="pa4"))
        assert "assigned" not in str(doubt["reason"])


def test_a_changed_file_counts_once_somebody_gave_the_reason(
    line: TwoStandards,
) -> None:
    bench = line.settings.bench
    assert bench is not None
    other: CheckStandard = STANDARD.model_copy(
        update={"error_ppm": dict.fromkeys(RANGES, 50.0)}
    )
    line.settings.__dict__["bench"] = bench.model_copy(update={"check_standard": other})
    now = in_force(line.settings, line.store)
    assert now.settings.bench is not None
    assert now.settings.bench.check_standard == STANDARD
    (found,) = now.otherwise
    assert (found.written, found.in_force) == (other, STANDARD)
    go_on(line)
    line.station.check()
    (said,) = [
        one for one in line.desk.snapshot()["remarks"] if "bench.toml says" in one
    ]
    assert "R14 +50 ppm in place of 0 ppm" in said
    assert "holdpoint standard assign CS-1 --as-written" in said

    row = assign(
        line.store, line.settings, "CS-1", at=AT, **ADA,
        error_ppm=as_written(line.settings, "CS-1").error_ppm,
    )  # fmt: skip
    assert json.loads(row.before_ppm)["R14"] == 0.0
    now = in_force(line.settings, line.store)
    assert now.otherwise == ()
    assert now.settings.bench is not None
    assert now.settings.bench.check_standard == other
    with pytest.raises(StandardValueError, match="has these values already"):
        assign(line.store, line.settings, "CS-1", at=AT, **ADA,
               error_ppm={"R14": 50.0})  # fmt: skip


def test_a_further_standard_has_its_own_and_the_latest_counts(
    line: TwoStandards,
) -> None:
    assign(line.store, line.settings, "CS-2", error_ppm={"R12": 40.0}, at=AT, **ADA)
    assign(
        line.store, line.settings, "CS-2", error_ppm={"R12": 60.0}, **ADA,
        uncertainty_ppm=10.0, at=datetime.now(UTC),
    )  # fmt: skip
    bench = in_force(line.settings, line.store).settings.bench
    assert bench is not None
    (second,) = bench.further_standards
    assert second.error_ppm == {"R14": 100.0, "R12": 60.0}
    assert (second.uncertainty_ppm, second.certificate) == (10.0, SECOND.certificate)
    assert bench.check_standard == STANDARD
    shown = standards.in_force_rows(
        bench.standards, line.store.rows(StandardValue), TITLES
    )
    since = {one["standard"]: one["since"] for one in shown}
    assert since["CS-1"] == "bench.toml"
    assert since["CS-2"] != "bench.toml"


def test_what_cannot_be_assigned_is_refused_in_one_sentence(
    line: TwoStandards,
) -> None:
    settings = line.settings
    for serial, values, said in (
        ("CS-9", {"R14": 1.0}, "it names CS-1, CS-2"),
        ("CS-1", {}, "has these values already"),
    ):
        with pytest.raises(StandardValueError, match=said):
            assign(line.store, settings, serial, error_ppm=values, at=AT, **ADA)
    with pytest.raises(StandardValueError, match="no range; there are"):
        values_typed(settings, {"R99": "5 ppm"})
    with pytest.raises(StandardValueError, match=r"between -100 % and \+100 %"):
        values_typed(settings, {"R14": "200 %"})
    for person, reason, why in (
        ("Nobody", "drifted", "may not assign"),
        ("Ada Moreno", " ", "with a reason"),
    ):
        with pytest.raises(NotAllowedError, match=why):
            assign(line.store, settings, "CS-1", error_ppm={"R14": 1.0}, at=AT,
                   person=person, reason=reason)  # fmt: skip
    with pytest.raises(StandardValueError, match="standard uncertainty"):
        assign(line.store, settings, "CS-1", error_ppm={}, uncertainty_ppm=0.0,
               at=AT, **ADA)  # fmt: skip
    assert line.store.rows(StandardValue) == []


def test_the_daemon_goes_on_with_the_new_values_and_commands_say_them(
    tmp_path: Path,
) -> None:
    home = empty_home(tmp_path / "home")
    home.data.mkdir(parents=True)
    with LocalStore(home.store) as store:
        clock = ScaledClock()
        desk = Desk(utc=clock.utc, stop=Event())
        worker = Worker(load(home.folder), home, store, desk, clock)
        before = desk.snapshot()["configuration"]
        worker._take_standards()
        assert desk.snapshot()["configuration"] == before
        taken: list[tuple[str, tuple[str, ...]]] = []
        station = SimpleNamespace(take_standards=lambda *new: taken.append(new))
        worker.bench._station = cast("Station", station)
        assign(store, load(home.folder), "CS-1", error_ppm={"1uA": 35.0}, at=AT, **ADA)
        worker._take_standards()
        worker._take_standards()
        now = desk.snapshot()["configuration"]
        assert now != before
        assert taken == [(now, ())]  # once, and nothing in the file is otherwise
        then = StandardsThen(store)
        known = {one: then.of(one, "CS-1") for one in (before, now)}
        assert [one and one.error_ppm["1uA"] for one in known.values()] == [150, 35]

    def run(*words: str) -> str:
        done = CliRunner().invoke(
            holdpoint, ["--home", str(home.folder), *words], catch_exceptions=False
        )
        assert done.exit_code == 0, done.output
        return done.output

    said = run(
        "standard", "assign", "CS-1", "10uA=-0.01 %", "--calibrated", "2026-05-04",
        "--due", "2027-05-04", "--certificate", "119", "--uncertainty", "10 ppm",
        "--person", ADA["person"], "--reason", "calibrated anew",
    )  # fmt: skip
    assert (
        "CS-1 on 10 µA: -0.0100 ±0.0020 %; before -0.0080 ±0.0040 %."
        in said.replace(MINUS, "-")
    )
    listed = json.loads(run("standard", "list", "--json"))
    assert {one["certificate"] for one in listed} == {"119"}
    assert [one["known"] for one in listed[:2]] == [
        "+0.0035 ±0.0020 %", f"{MINUS}0.0100 ±0.0020 %",
    ]  # fmt: skip
    every = json.loads(run("standard", "list", "--all", "--json"))
    assert [one["reason"] for one in every][:: len(every) - 1] == [
        ADA["reason"], "calibrated anew",
    ]  # fmt: skip
    (standard,) = [
        one
        for one in json.loads(run("instruments", "list", "--json"))
        if one["serial_number"] == "CS-1"
    ]
    assert standard["calibrated_on"] == "2026-05-04"
