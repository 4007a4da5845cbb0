"""Killed at any moment of a finding: the end is that of the undisturbed run.

Runs of two builds are recorded and watched by a process that is killed again and again:
between a run's commit and its watching, and at chance moments of the watching, before
the finding, while it sharpens and after. Whoever comes next goes on from the rows.
"""

from collections.abc import Iterator
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from random import Random
from time import sleep
from typing import Any

import numpy as np
import pytest

from config.load import fingerprint
from daemon.station.cycle import Cycle, RunHeader
from daemon.watch import ProductWatch, fold as folding
from storage.ledger import LedgerRow, verify
from storage.local import LocalStore
from storage.records import Build, Configuration, Product, Reel, Session
from storage.store import Store
from tests.daemon.making import AT, demo_settings, fitting, readings

SETTINGS = demo_settings()
NAME = SETTINGS.product.name
BUILDS, UNITS, BAD_FROM = ("B-1", "B-2"), 7, 2
REEL, BAD_REEL = "K-101", "K-900"
LOW_PPM = -6000.0
KILLS = 4
LATEST_S = 0.08
"""Longest pause before a kill: about what a watched run takes."""
NO_ANSWER_S = 120.0


def furnish(store: Store) -> None:
    """Keep what the runs name; again it changes nothing."""
    configuration, body = fingerprint(SETTINGS)
    store.keep(Configuration(configuration=configuration, body=body, stored_at=AT))
    store.keep(Product(product=NAME, title=SETTINGS.product.title))
    store.keep(
        Session(session="s", bench="demo", opened_at=AT, configuration=configuration)
    )
    for reel in (REEL, BAD_REEL):
        store.keep(Reel(reel=reel, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT))
    for build in BUILDS:
        store.keep(Build(build=build, product=NAME, planned_units=UNITS, opened_at=AT))
        store.keep(fitting(build, "R13", REEL))
    store.keep(fitting(BUILDS[1], "R13", BAD_REEL, serials(BUILDS[1])[BAD_FROM]))


def serials(build: str) -> list[str]:
    """Return the serials of a build."""
    return [f"PA-{build[-1]}{place:02}" for place in range(UNITS)]


def errors_of(build: str, place: int) -> list[float]:
    """Return what a unit reads, the same in every life."""
    chance = np.random.default_rng([BUILDS.index(build), place])
    errors = chance.normal(0.0, 150.0, 4)
    if build == BUILDS[1] and place >= BAD_FROM:
        errors[2] += LOW_PPM
    return [float(one) for one in errors]


def live(path: Path, told: Connection) -> None:
    """Record and watch what is not recorded yet; tell each step as it is done."""
    # Often, so that kills meet what is kept of the line too.
    folding.EVERY, folding.AT_HAND = 3, 1
    with LocalStore(path) as store:
        furnish(store)
        cycle = Cycle(SETTINGS, store)
        cycle.resume()
        known = set(
            store.frame("range_rows", product=NAME, after=0, kind=None)["serial"]
        )
        for build in BUILDS:
            for place, serial in enumerate(serials(build)):
                if serial in known:
                    continue
                header = RunHeader(
                    serial=serial, build=build, session="s", origin="bench",
                    started_at=AT, finished_at=AT, run=f"run of {serial}",
                    configuration=fingerprint(SETTINGS)[0],
                )  # fmt: skip
                cycle.record(
                    readings(cycle.product, errors_of(build, place)), header, {}
                )
                told.send(("recorded", serial))
                told.recv()  # it may go on, unless it is killed here
                cycle.watch()
                told.send(("watched", serial))
    told.send(("done", ""))


def lives(path: Path, kills: list[tuple[str, float]]) -> Iterator[str]:
    """Live until the end, killed after each of these serials; yield what was met.

    A kill comes so many seconds after the run of a serial was acknowledged.
    """
    context = get_context("forkserver")
    context.set_forkserver_preload([__name__])
    left = list(kills)
    while True:
        heard, told = context.Pipe()
        child = context.Process(target=live, args=(path, told))
        child.start()
        told.close()
        step, killed = "", False
        try:
            while step != "done":
                if not heard.poll(NO_ANSWER_S):
                    raise TimeoutError(step)
                # What it still gets out once it is killed tells how far it was.
                step, serial = heard.recv()
                if step != "recorded" or killed:
                    continue
                killed = bool(left) and serial == left[0][0]
                after_s = left.pop(0)[1] if killed else 0.0
                if after_s or not killed:
                    heard.send("go on")
                if killed:
                    sleep(after_s)
                    child.kill()
        except (EOFError, ConnectionError):
            yield step
        finally:
            child.kill()
            child.join()
            heard.close()
        if step == "done":
            return


def end_state(path: Path) -> dict[str, Any]:
    """Return all that was found, held, judged and decided."""
    with LocalStore(path) as store:
        ledger = store.table("decision").to_pylist()
        assert verify(LedgerRow(**one) for one in ledger) is None
        findings = store.table("signals", product=NAME).to_pylist()
        return {
            "ledger": ledger,
            "findings": findings,
            "revisions": [
                store.table("signal", signal=one["signal"]).to_pylist()
                for one in findings
            ],
            **{
                query: store.table(query, product=NAME).to_pylist()
                for query in (
                    "holds", "latest_errors", "builds", "yields", "alerts", "watermark",
                    "unit",
                )
            },
        }  # fmt: skip


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Return the end of a run that nobody disturbed."""
    path: Path = tmp_path_factory.mktemp("undisturbed") / "holdpoint.duckdb"
    assert list(lives(path, [])) == []
    return end_state(path)


def test_the_undisturbed_run_finds_the_reel(undisturbed: dict[str, Any]) -> None:
    (found,) = (one for one in undisturbed["findings"] if one["holds"])
    assert (found["reel"], found["standing"]) == (BAD_REEL, True)
    assert found["size_ppm"] < 0
    assert found["revision"] > 1
    (mark,) = undisturbed["watermark"]
    assert mark["number"] == len(BUILDS) * UNITS
    held = {(one["scope"], one["subject"]) for one in undisturbed["holds"]}
    assert {("build", BUILDS[1]), ("reel", BAD_REEL)} <= held


@pytest.mark.parametrize("seed", [1])
def test_killed_again_and_again_it_ends_the_same(
    tmp_path: Path, undisturbed: dict[str, Any], seed: int
) -> None:
    random = Random(seed)  # noqa: S311 -- when to kill, no secret
    second = serials(BUILDS[1])
    at = [serials(BUILDS[0])[-1], *second[BAD_FROM : BAD_FROM + KILLS - 1]]
    kills = [
        # The first two before the watching begins, the others somewhere in it.
        (serial, 0.0 if place < 2 else random.uniform(0.0, LATEST_S))
        for place, serial in enumerate(at)
    ]
    path = tmp_path / "holdpoint.duckdb"
    met = list(lives(path, kills))
    assert len(met) >= len(kills) - 1
    assert "recorded" in met, "no kill met a run that was not watched yet"
    ended = end_state(path)
    for what, rows in undisturbed.items():
        assert ended[what] == rows, what
    with LocalStore(path) as store:
        kept, again = ProductWatch(SETTINGS, store), ProductWatch(SETTINGS, store)
        again._fingerprint = "none"
        assert kept.log_odds() == again.log_odds()
        assert (kept.refolded, bool(again.refolded)) == (None, True)
