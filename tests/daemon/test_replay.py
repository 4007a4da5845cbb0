"""A plan tried on the maker's own past."""

import json
from dataclasses import replace
from datetime import timedelta
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from click.testing import CliRunner, Result

from config.errors import ConfigError
from config.load import fingerprint
from daemon.commands.cli import holdpoint
from daemon.holds import Checked, NoPastError, Past, Tried
from daemon.station.cycle import Cycle, RunHeader
from daemon.watch.events import Accepted
from daemon.watch.people import Decided
from dashboard.replaying import Trial
from storage.local import LocalStore
from storage.records import Build
from tests.daemon.making import AT, demo_settings, fitting, readings
from tests.daemon.seeded import BAD_FROM, BAD_REEL, UNITS, empty_home, seeded_home

SETTINGS = demo_settings()
NAME = SETTINGS.product.name
LATER = AT + timedelta(days=30)
OUTSIDE = {"PA-4003", "PA-4007"}
"""Two units of the latest build, each far outside the limit of another range."""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty units, a bad reel in build B-3; a month later B-4 with two bad units."""
    home = seeded_home(tmp_path_factory.mktemp("home"))
    configuration, _ = fingerprint(SETTINGS)
    chance = np.random.default_rng(5)
    with LocalStore(home.store) as store:
        cycle = Cycle(SETTINGS, store)
        cycle.resume()
        store.keep(Build(build="B-4", product=NAME, planned_units=8, opened_at=LATER))
        for n in (1, 2, 3, 4):
            store.keep(fitting("B-4", f"R1{n}", f"K-10{n}"))
        for unit in range(UNITS):
            errors = chance.normal(0.0, 150.0, 4)
            serial = f"PA-{4000 + unit}"
            if serial in OUTSIDE:
                errors[unit % 4] += 30_000.0
            cycle.record(
                readings(cycle.product, errors.tolist()),
                RunHeader(
                    serial=serial, build="B-4", session="s", origin="bench",
                    started_at=LATER, finished_at=LATER, configuration=configuration,
                ),
                {},
            )  # fmt: skip
        cycle.watch()
    return home.folder


@pytest.fixture(scope="module")
def past(home: Path) -> Past:
    with LocalStore(home / "data" / "holdpoint.duckdb") as store:
        found = Past.read(store, NAME)
        labels = {one: found.label_of(one) for one in ("K-101", BAD_REEL)}
    return replace(found, label_of=lambda reel: labels.get(reel, labels["K-101"]))


def trial_of(said: str, *, code: int = 0) -> Trial:
    """Return what is read of a process that says this."""
    process = SimpleNamespace(stdout=StringIO(said), wait=lambda: code)
    trial = Trial(asked=(), stamp="", process=cast("Any", process))
    trial.read()
    return trial


def done(home: Path, *words: str) -> Result:
    return CliRunner().invoke(holdpoint, ["--home", str(home), "replay", *words])


def test_every_unit_again_holds_what_was_held(past: Past, home: Path) -> None:
    """The record's own findings, raised at the same unit."""
    with LocalStore(home / "data" / "holdpoint.duckdb") as store:
        rows = store.table("signals", product=NAME).to_pylist()
    recorded = {
        str(one["build"]): str(one["raised_serial"]) for one in rows if one["holds"]
    }
    whole = past.replay(SETTINGS, Checked())
    assert recorded == whole.held
    assert "B-3" in recorded
    assert whole.measured == past.units == 4 * UNITS
    assert set(whole.found) == set(past.outside) >= OUTSIDE
    assert whole.stopped == whole.left == ()


def test_a_check_of_some_measures_so_many_and_the_first_with_each_reel(
    past: Past,
) -> None:
    """Build B-3 has a reel from its middle on; it is held at the first with it."""
    for seed in range(4):
        some = past.replay(SETTINGS, Checked(units=1), seed=seed)
        # One or two of B-1, B-2 and B-4 each: the drawn one has all of their reels.
        assert 4 + 1 <= some.measured <= 4 + 2
        assert f"PA-{3000 + BAD_FROM}" <= some.held["B-3"] <= f"PA-{2999 + UNITS}"


def test_a_reel_that_nobody_recorded_is_missed_where_no_unit_of_it_was_drawn(
    past: Past,
) -> None:
    """Half of the build has it, and only units that were drawn can tell."""
    unrecorded = replace(
        past, fittings=tuple(one for one in past.fittings if one.reel != BAD_REEL)
    )
    whole = unrecorded.replay(SETTINGS, Checked())
    assert "B-3" in whole.held
    missed = {
        units: [
            "B-3" not in unrecorded.replay(SETTINGS, checked, seed=seed).held
            for seed in range(4)
        ]
        for units in (1, 9)
        for checked in [Checked(units=units)]
    }
    # One odd unit alone is no reel; of nine units four at least have it.
    assert all(missed[1])
    assert not any(missed[9])


def test_units_outside_their_limit_are_found_stopped_or_leave(past: Past) -> None:
    whole = past.replay(SETTINGS, Checked())
    for seed in range(4):
        some = past.replay(SETTINGS, Checked(share=0.3), seed=seed)
        parts = [*some.found, *some.stopped, *some.left]
        assert sorted(parts) == sorted(past.outside)
        assert all(past.outside[one] in some.held for one in some.stopped)
        assert all(past.outside[one] not in some.held for one in some.left)
        # Of ten units three, and none of B-4 for its reels.
        assert some.measured >= 12
    assert whole.cost(test=2.0, escape=50.0) == 2.0 * 4 * UNITS
    costs = [past.replay(SETTINGS, Checked(units=1), seed=seed) for seed in range(4)]
    assert any(one.left for one in costs)
    for one in costs:
        by_hand = 2.0 * one.measured + 50.0 * len(one.left)
        assert one.cost(test=2.0, escape=50.0) == by_hand


def test_only_builds_begun_since_are_tried_and_those_before_are_history(
    home: Path,
) -> None:
    with LocalStore(home / "data" / "holdpoint.duckdb") as store:
        late = Past.read(store, NAME, since=LATER)
        assert list(late.builds) == ["B-4"]
        some = late.replay(SETTINGS, Checked(units=2))
        with pytest.raises(NoPastError, match="no build was measured since 2"):
            Past.read(store, NAME, since=LATER + timedelta(days=1))
    assert some.measured == 2
    assert set(some.held) <= {"B-4"}


def test_the_command_says_what_would_have_left_and_what_it_would_have_cost(
    home: Path,
) -> None:
    words = ("--checked", "1", "--draws", "3", "--costs", "2", "50")
    said = done(home, *words)
    assert said.exit_code == 0, said.output
    assert "4 builds (B-1 to B-4), 40 units" in said.stdout
    assert "1 a build" in said.stdout
    assert "80.00" in said.stdout
    told = json.loads(done(home, *words, "--json").stdout)
    assert told["every_unit"]["measured"] == 40
    assert len(told["as_asked"]) == 3
    left = [len(one["left"]) for one in told["as_asked"]]
    assert f"{min(left)} to {max(left)}" in said.stdout or min(left) == max(left)


def test_another_plan_is_tried_with_its_own_sample(home: Path, tmp_path: Path) -> None:
    other = tmp_path / "last-year.toml"
    text = (home / "plan.toml").read_text(encoding="utf-8")
    other.write_text(f"{text}\n[sample]\nfull_share = 0.2\n", encoding="utf-8")
    told = json.loads(
        done(home, "--plan", str(other), "--draws", "1", "--since", "2020-01-01",
             "--json").stdout
    )  # fmt: skip
    (some,) = told["as_asked"]
    assert 4 * 2 <= some["measured"] < 40
    assert not (home / "plan.toml").read_text(encoding="utf-8").endswith("0.2\n")


def test_what_is_wrong_with_the_other_plan_is_said_of_that_file(
    home: Path, tmp_path: Path
) -> None:
    other = tmp_path / "wrong.toml"
    text = (home / "plan.toml").read_text(encoding="utf-8")
    other.write_text(f"{text}\n[sample]\nfull_share = 2.0\n", encoding="utf-8")
    said = done(home, "--plan", str(other))
    assert isinstance(said.exception, ConfigError)
    assert f"{other}:" in str(said.exception)
    assert "sample.full_share" in str(said.exception)


def test_the_plan_of_another_day_is_the_one_that_was_in_force_then(
    home: Path,
) -> None:
    """The plan of the seeded home measures every unit, and so did that of its day."""
    day = f"{AT + timedelta(days=1):%Y-%m-%d}"
    told = json.loads(done(home, "--plan-of", day, "--json").stdout)
    (same,) = told["as_asked"]
    assert same == told["every_unit"]
    assert told["missed"] == told["held_only_as_asked"] == {}


def test_what_a_program_follows_tells_each_step_and_what_came_of_it(
    home: Path,
) -> None:
    words = ("--share", "0.3", "--draws", "2")
    said = done(home, *words, "--json", "--steps")
    trial = trial_of(said.stdout)
    assert (trial.done, trial.of) == (2, 3)
    assert trial.found is not None
    plain = done(home, *words).stdout
    assert trial.found.head() in plain
    assert all(one in plain for one in trial.found.sentences())
    for row in trial.found.rows(None):
        assert f"{row['what']}" in plain
        assert row["asked"] in plain
    assert Tried.read(trial.found.data()) == trial.found
    refused = trial_of("Usage: holdpoint\n\nError: no build was measured.\n", code=1)
    assert refused.problem == "no build was measured."
    assert refused.found is None


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("--plan-of", "2001-01-01"), "no plan of then is recorded"),
        ((), "the plan measures every unit"),
        (("--checked", "2", "--share", "0.1"), "give one of them"),
        (("--share", "1.5"), "--share"),
        (("--checked", "2", "--since", "2090-01-01"), "no build was measured since"),
    ],
)
def test_what_cannot_be_tried_is_said(
    home: Path, words: tuple[str, ...], names: str
) -> None:
    said = done(home, *words)
    assert said.exit_code != 0
    assert names in said.output + str(said.exception)


def test_a_past_of_nothing_is_said(tmp_path: Path) -> None:
    home = empty_home(tmp_path / "home")
    said = done(home.folder, "--checked", "2")
    assert isinstance(said.exception, NoPastError)


@pytest.mark.parametrize(
    ("ended", "still_held"),
    [("B-3", True), (BAD_REEL, False), (f"{BAD_REEL}#2", False)],
)
def test_a_reel_is_held_until_its_own_hold_is_ended(
    past: Past, ended: str, still_held: bool
) -> None:
    """A finding holds build and reel; whoever ends the build's hold frees the build."""
    fittings = [one for one in past.fittings if (one.build, one.part) != ("B-4", "R13")]
    decided = Decided(
        hold=f"finding:{ended}",
        event=Accepted(
            number=max(one.number for one in past.runs if one.head["build"] == "B-3"),
            signal="finding", taught=False, cause="reel", range=None, part="R13",
            reel=BAD_REEL, build="B-3",
        ),
    )  # fmt: skip
    again = replace(
        past,
        fittings=(*fittings, fitting("B-4", "R13", BAD_REEL)),
        decisions=(decided,),
    ).replay(SETTINGS, Checked())
    assert (again.held.get("B-4") == "PA-4000") is still_held
