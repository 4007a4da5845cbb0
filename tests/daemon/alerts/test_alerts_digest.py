"""A build that is measured is summed up once, with what is to be decided on it."""

from dataclasses import replace
from pathlib import Path

from daemon.alerts.by_the_clock import Upkeep
from daemon.alerts.from_findings import Teller
from storage.local import LocalStore
from storage.records import Signal
from tests.daemon.alerts.fakes import PRODUCT, Clock, channels
from tests.daemon.seeded import seeded_home, several_home


def test_each_measured_build_is_summed_up_once(tmp_path: Path) -> None:
    """All ten of each build are measured; B-3 took a bad reel part-way."""
    home = seeded_home(tmp_path / "home")
    with LocalStore(home.store) as store:
        upkeep = Upkeep(
            store, product=PRODUCT, settings=channels("mail", severity="notice"),
            utc=Clock().utc, alarm=lambda: None,
        )  # fmt: skip
        upkeep.look()
        upkeep.look()
        told = store.frame("alerts", product=PRODUCT)
        runs = store.frame("range_rows", product=PRODUCT, after=0, kind="unit")
        holds = store.frame("holds", product=PRODUCT)
    digests = told[told["alert"].str.startswith("digest ")].set_index("subject")
    assert sorted(digests.index) == ["B-1", "B-2", "B-3"]
    for build, rows in runs.groupby("build"):
        good = rows.groupby("serial")["verdict"].agg(
            lambda verdicts: bool((verdicts == "conforming").all())
        )
        assert digests.loc[str(build), "title"] == (
            f"Build {build} is measured: 10 units, first-pass yield "
            f"{100 * good.mean():.1f} %."
        )
    assert holds["disposal"].isna().all()
    assert digests.loc["B-1", "body"] == "No hold stands on it."
    stays, found = str(digests.loc["B-3", "body"]).splitlines()
    assert stays == f"Holds to decide on: {len(holds)}."
    assert found.startswith("Hold build B-3: range 100 µA, reel K-900, reads ")


def test_a_reminder_says_of_a_hold_that_its_finding_was_withdrawn(
    tmp_path: Path,
) -> None:
    """The message that everybody had said to hold the build; the hold stands still."""
    home = several_home(tmp_path / "home")
    clock, settings = Clock(), channels("mail")
    with LocalStore(home.store) as store:
        teller = Teller(PRODUCT, settings)
        for one in store.rows(Signal, "signals", product=PRODUCT):
            stood = replace(one, revision=1, standing=True, withdrawn=None)
            store.keep(*teller.tell([stood], []))
        upkeep = Upkeep(
            store, product=PRODUCT, settings=settings, utc=clock.utc, alarm=lambda: None
        )
        clock.pass_(hours=25)
        upkeep.look()
        told = store.frame("alerts", product=PRODUCT)
    (body,) = told.loc[told["alert"].str.startswith("reminder "), "body"]
    lines = str(body).splitlines()
    assert lines[:3] == [
        (
            "finding B-2-F1: Finding B-2-F1 was withdrawn: unit PA-2006 measured again "
            "reads like the others."
        ),
        (
            "finding B-3-F1: Hold build B-3: range 10 µA, reel RL-12, reads +0.36 % "
            "since unit PA-3004."
        ),
        (
            "finding B-3-F2: Hold build B-3: range 1 mA, reel RL-14, reads "
            "\N{MINUS SIGN}0.22 % since unit PA-3006."
        ),
    ]
    assert "PA-3002" not in str(body)
