"""Charts warn where the plan asks for it, and hold nothing."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from config.model import Alerts, Channel, Charts, Settings
from daemon.commands.cli import holdpoint
from daemon.presentation import sentences
from daemon.station.cycle import Cycle, RunHeader
from daemon.watch import Watcher
from storage.local import LocalStore
from storage.records import Build, Cause, Configuration, Product, Session, Signal
from tests.daemon.making import AT, demo_product, demo_settings, fitting, readings, unit
from tests.daemon.seeded import empty_home

NAME = "photodiode-amplifier"
ALL = ("units", "reels", "steps")


def history(builds: int = 3, units: int = 20) -> Watcher:
    """Return a watch of ordinary builds, that nothing is found in by the detector."""
    watcher = Watcher(demo_product(), accepted_per_units=10_000_000)
    chance = np.random.default_rng(7)
    number = 0
    for b in range(builds):
        reels = [fitting(f"B-{b}", f"R1{i}", f"K-{b}{i}") for i in (1, 2, 3, 4)]
        for row in chance.normal(0.0, 150.0, (units, 4)):
            watcher.take(
                unit(number, f"PA-{number:03d}", f"B-{b}", row.tolist()), reels
            )
            number += 1
    return watcher


def next_build(
    watcher: Watcher, errors: list[list[float]], found: list[Signal] | None = None
) -> list[tuple[Signal, ...]]:
    """Return what charts say of each unit; what the detector finds goes to `found`."""
    said = []
    for n, row in enumerate(errors):
        serial = f"PB-{n:03d}"
        findings = watcher.take(unit(100 + n, serial, "B-9", row), [])
        if found is not None:
            found += findings
        said.append(watcher.warnings("B-9", serial, ALL))
    return said


def kinds(signals: tuple[Signal, ...]) -> list[str]:
    return [one.basis.chart for one in signals]


def test_no_chart_says_anything_of_ordinary_units() -> None:
    chance = np.random.default_rng(3)
    said = next_build(history(), chance.normal(0.0, 80.0, (12, 4)).tolist())
    assert [one for one in said if one] == []


def test_one_unit_far_off_is_beyond_its_reel_and_a_step() -> None:
    watcher = history()
    rows = np.zeros((6, 4))
    rows[5, 1] = 1500.0
    found: list[Signal] = []
    said = next_build(watcher, rows.tolist(), found)
    assert said[:5] == [()] * 5
    assert [one for one in found if one.holds] == []
    assert {one.range for one in said[5]} == {"10uA"}
    assert {"units", "steps"} <= set(kinds(said[5]))
    for one in said[5]:
        assert (one.cause, one.holds, one.first_serial) == (
            Cause.CHART,
            False,
            "PB-005",
        )
        assert not one.low_ppm <= one.size_ppm <= one.high_ppm


def test_a_reel_beyond_what_reels_do_is_told_by_its_mean() -> None:
    said = next_build(history(), [[0.0, 0.0, 900.0, 0.0]] * 8)
    assert "reels" in kinds(said[-1])


def test_a_first_build_has_no_limits_to_be_beyond() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=10_000_000)
    assert next_build(watcher, [[0.0] * 4, [2000.0, 0.0, 0.0, 0.0]])[-1] == ()


def test_while_a_finding_stands_charts_are_silent() -> None:
    watcher = history()
    found: list[Signal] = []
    said = next_build(watcher, [[0.0, 0.0, 9000.0, 0.0]] * 4, found)
    assert (found[-1].holds, found[-1].standing) == (True, True)
    assert said[-1] == ()


def test_a_range_that_was_not_measured_is_passed_over() -> None:
    nothing = float("nan")
    said = next_build(history(), [[0.0, nothing, 0.0, 0.0]] * 3)
    assert said == [(), (), ()]


@pytest.mark.source("limits of three standard deviations, ISO 7870-2")
def test_its_words_say_value_and_limit() -> None:
    """Reels differ by 200 ppm, units by 150: a first unit may be 750 ppm off."""
    watcher = history()
    (one,) = (
        s
        for s in next_build(watcher, [[0.0, 0.0, 0.0, 990.0]])[0]
        if "units" in s.signal
    )
    saying = sentences.finding(one)
    assert saying.headline.startswith(
        "Look at build B-9, range 1 mA: unit PB-000 reads +0.10 %, beyond the chart's "
    )
    assert saying.lines == (
        "A chart's warning holds nothing; no finding stood on the build.",
    )


def begun(store: LocalStore) -> None:
    """Open two builds and a session."""
    store.keep(Product(product=NAME, title="Four-range photodiode amplifier"))
    store.keep(Configuration(configuration="c", body="{}", stored_at=AT))
    for build in ("B-1", "B-2"):
        store.keep(Build(build=build, product=NAME, planned_units=20, opened_at=AT))
    store.keep(Session(session="s", bench="demo", opened_at=AT, configuration="c"))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    home = empty_home(tmp_path / "home")
    home.data.mkdir()
    with LocalStore(home.store) as one:
        begun(one)
        yield one


def with_charts(charts: Charts | None) -> Settings:
    settings = demo_settings()
    watching = settings.plan.watching.model_copy(
        update={"accepted_false_holds_per_units": 10_000_000}
    )
    plan = settings.plan.model_copy(update={"charts": charts, "watching": watching})
    loud = Channel(name="line", url="json://localhost", from_severity="warning")
    return settings.model_copy(
        update={"plan": plan, "alerts": Alerts(channels=(loud,))}
    )


def measured(store: LocalStore, settings: Settings) -> None:
    """Record two builds, with a restart; one unit of the second is 0.15 % off."""
    cycle = Cycle(settings, store)
    chance = np.random.default_rng(11)
    number = 0
    for build in ("B-1", "B-2"):
        for n in range(20 if build == "B-1" else 8):
            errors = chance.normal(0.0, 100.0, 4)
            errors[1] += 1500.0 if (build, n) == ("B-2", 5) else 0.0
            number += 1
            at = AT + timedelta(minutes=number)
            header = RunHeader(
                serial=f"{build}-{n:02d}",
                build=build,
                session="s",
                origin="typed",
                started_at=at,
                finished_at=at,
                configuration="c",
            )
            cycle.record(readings(cycle.product, errors.tolist()), header, {})
            cycle.watch()
            if (build, n) == ("B-2", 6):
                cycle = Cycle(settings, store)
                cycle.resume()


def test_warnings_are_told_once_and_hold_nothing(store: LocalStore) -> None:
    measured(store, with_charts(Charts(units=True, steps=True)))
    warned = store.rows(Signal, product=NAME, cause=Cause.CHART)
    assert sorted(one.signal for one in warned) == ["B-2:steps:10uA", "B-2:units:10uA"]
    assert {one.first_serial for one in warned} == {"B-2-05"}
    assert store.rows(Signal, "signals", product=NAME) == []
    assert store.frame("holds", product=NAME).empty
    told = store.frame("alerts", product=NAME)
    assert sorted(told["subject"]) == ["B-2:steps:10uA", "B-2:units:10uA"]
    assert set(told["severity"]) == {"warning"}


def test_without_the_plans_word_no_chart_warns(store: LocalStore) -> None:
    measured(store, with_charts(None))
    assert store.frame("signal", cause="chart", product=NAME).empty
    assert store.frame("alerts", product=NAME).empty


def test_status_says_what_a_chart_warns_of(tmp_path: Path, store: LocalStore) -> None:
    measured(store, with_charts(Charts(units=True)))
    store.close()
    home = str(tmp_path / "home")
    done = CliRunner().invoke(holdpoint, ["--home", home, "status"])
    assert done.exit_code == 0, done.output
    said = " ".join(done.output.split())
    assert "Nothing is held." in said
    assert "Look at build B-2, range 10 µA: unit B-2-05 reads +0.1" in said


def test_a_unit_that_lacks_a_range_repeats_no_warning_and_hides_none() -> None:
    """The unit before was far off on that range; this one is on the next."""
    nothing = float("nan")
    rows = [[0.0] * 4 for _ in range(7)]
    rows[5][1] = 1500.0
    rows[6][1], rows[6][2] = nothing, 1500.0
    before, last = next_build(history(), rows)[5:]
    assert {one.range for one in before} == {"10uA"}
    assert {one.range for one in last} == {"100uA"}
