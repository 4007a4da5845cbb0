"""Benches that share a record: what one bench's screens say of the others."""

from collections.abc import Iterator
from types import SimpleNamespace
from typing import cast

import pytest

from daemon.service.home import VARIABLE, Home
from dashboard import benches
from dashboard.data import Shown
from storage.benches import (
    BenchDifference,
    Benches,
    BenchState,
    BenchWork,
    FindingSeen,
    SeenAt,
    Whose,
)
from storage.local import LocalStore
from storage.records import Cause, Signal
from storage.records_sharing import SharedView
from tests.daemon.making import AT, demo_settings
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon
from tests.dashboard.test_pages import opened, said

NAME = demo_settings().product.name


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Serve a home whose finding other benches do not see."""
    home = seeded_home(tmp_path_factory.mktemp("benches") / "home")
    with LocalStore(home.store) as store:
        (finding,) = store.rows(Signal, "signals", product=NAME)
        seen = Benches(
            bench="left",
            states=(
                BenchState(bench="left", told_at=AT),
                BenchState(
                    bench="right",
                    told_at=AT,
                    works=(
                        BenchWork(bench="right", build="B-3", units=4, last_run_at=AT),
                    ),
                ),
            ),
            differences=(
                BenchDifference(
                    standard="CS-1",
                    range="100uA",
                    bench="left",
                    other="right",
                    difference_ppm=2900.0,
                    uncertainty_ppm=20.0,
                    allowed_ppm=170.0,
                    checks=3,
                    other_checks=2,
                    last_at=AT,
                    other_last_at=AT,
                ),
            ),
            findings=(
                FindingSeen(
                    signal=finding.signal,
                    bench="left",
                    whose=Whose.BENCH,
                    size_ppm=finding.size_ppm,
                    seen=(
                        SeenAt(bench="left", units=5, mean_ppm=3000.0),
                        SeenAt(bench="right", units=4, mean_ppm=20.0),
                    ),
                    difference_ppm=2980.0,
                    uncertainty_ppm=130.0,
                    log_odds=90.0,
                ),
            ),
        )
        store.note_view(SharedView(shared_view=NAME, body=seen.text, seen_at=AT))
    # A server that does not answer: what was seen before is shown.
    (home.folder / "sharing.toml").write_text(
        'database = "postgresql://127.0.0.1:1/records"\nbench = "left"\n'
    )
    with running_daemon(home, "--no-bench"):
        yield home


@pytest.fixture(autouse=True)
def home(served: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    """Let the screens show that home."""
    monkeypatch.setenv(VARIABLE, str(served.folder))
    return served


def test_the_first_page_says_whose_a_finding_is_and_who_measured_what() -> None:
    text = said(opened("today"))
    assert "It is bench left, not the parts" in text
    assert "not the bench" not in text.replace("not the bench is", "")
    assert "Bench right: build B-3: 4 units; told last" in text


def test_the_finding_says_what_each_bench_read() -> None:
    text = said(opened("finding"))
    assert (
        "Bench left: 5 units, mean +0.30 %; bench right: 4 units, mean 0.00 %" in text
    )


def test_the_page_of_the_standard_says_how_the_benches_differ() -> None:
    text = said(opened("standard"))
    assert "Range 100 µA: bench left reads standard CS-1 +0.2900 %" in text
    assert "they contradict each other" in text


def test_what_other_benches_read_is_not_said_beside_its_opposite(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    read = (
        SeenAt(bench="left", units=5, mean_ppm=3000.0),
        SeenAt(bench="right", units=4, mean_ppm=3010.0),
    )
    view = FindingSeen(
        signal="F", bench="left", whose=Whose.PRODUCT, size_ppm=3e3, seen=read
    )
    told = Benches(bench="left", findings=(view,))
    monkeypatch.setattr(benches, "seen", lambda _: (told, None))
    said = {
        cause: benches.whose(
            cast("Shown", None),
            cast("Signal", SimpleNamespace(signal="F", cause=cause)),
            "As this bench has it.",
        )
        for cause in (Cause.BENCH, Cause.REEL)
    }
    other = "It is not the bench: other benches read such units the same."
    assert said == {Cause.BENCH: other, Cause.REEL: f"As this bench has it. {other}"}
