"""Benches that share a record, beside one another: which is off, and is it the reel."""

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from threading import Event

import numpy as np
import psycopg
import pytest

from config.sharing import Sharing
from daemon.presentation import (
    beside,
    difference_rows,
    held_where,
    measured_where,
    seen_elsewhere,
    untold,
)
from daemon.service import sharing as service_sharing
from daemon.station.desk import Desk
from daemon.traceability import benches_of
from daemon.traceability.several_benches import FINDINGS_OF
from storage.answers import HoldState, Untold
from storage.benches import Benches, Whose
from storage.exchanging import exchange
from storage.local import LocalStore
from storage.postgres import SCHEMA, PostgresStore
from storage.records import Evaluation, Run, RunKind
from storage.records_sharing import SharedView
from storage.statements import shared_migrations
from tests.storage.postgres_server import Databases
from tests.storage.samples import (
    BUILD,
    CONFIGURATION,
    FITTING,
    PERSONS_HOLD,
    PLACED,
    RANGES,
    REEL,
    SESSION,
    SIGNAL,
    START,
    furnish,
    results,
    run,
    unit,
)

LEFT, RIGHT = "left", "right"
SIZE_PPM = 2000.0
NEW_FROM = 6
"""Number of the first unit with the reel that the finding names."""
FINDING = replace(
    SIGNAL, reel="reel 8", first_serial="S007", raised_serial="S007", number=1,
    size_ppm=SIZE_PPM, low_ppm=1800.0, high_ppm=2200.0,
)  # fmt: skip


class TwoBenches:
    """Two files and their database; both benches measure units of one build."""

    def __init__(self, held: ExitStack, folder: Path, conninfo: str) -> None:
        self.left = held.enter_context(LocalStore(folder / "left.duckdb"))
        self.right = held.enter_context(LocalStore(folder / "right.duckdb"))
        self.shared = held.enter_context(PostgresStore(conninfo))
        self.stores = {LEFT: self.left, RIGHT: self.right}
        self._chance = np.random.default_rng(3)
        self.exchange()
        furnish(self.left)
        self.left.keep(
            replace(REEL, reel="reel 8"),
            replace(FITTING, fitting="F2", reel="reel 8", from_serial="S006"),
        )
        self.exchange()
        for name, store in self.stores.items():
            # Both are called alike in their settings.
            store.keep(CONFIGURATION, replace(SESSION, session=f"{name} 1"))

    def exchange(self) -> None:
        for _ in range(2):
            for name, store in self.stores.items():
                exchange(store, self.shared, name)

    def measure(self, bench: str, number: int, error_ppm: float) -> None:
        """Measure a unit at a bench."""
        self._keep(bench, run(number), error_ppm, scatter_ppm=100.0)

    def check(self, bench: str, number: int, error_ppm: float) -> None:
        """Measure the check standard at a bench."""
        one = run(number, serial="CS-1", kind=RunKind.CHECK, build=None)
        self._keep(bench, one, error_ppm, scatter_ppm=5.0)

    def _keep(
        self, bench: str, of: Run, error_ppm: float, *, scatter_ppm: float
    ) -> None:
        one = replace(of, run=f"{bench} {of.run}", session=f"{bench} 1")
        read = [
            replace(
                each,
                error_ppm=error_ppm + float(self._chance.normal(0.0, scatter_ppm)),
                uncertainty_ppm=40.0,
                own_uncertainty_ppm=5.0,
            )
            for each in results(one)
        ]
        new = unit(one) if one.kind == RunKind.UNIT else None
        self.stores[bench].record_run(one, read, new)

    def day(self, *, off_here_ppm: float, off_there_ppm: float) -> None:
        """Measure old units and new ones at both benches; bench left finds the reel."""
        for number in range(1, NEW_FROM):
            self.measure(LEFT if number % 2 else RIGHT, number, 0.0)
        for number in range(NEW_FROM, NEW_FROM + 8):
            here = number % 2
            self.measure(
                LEFT if here else RIGHT, number, off_here_ppm if here else off_there_ppm
            )
        self.left.record_evaluation(
            Evaluation(product="photoamp", number=1, signals=(FINDING,), holds=())
        )

    def seen(self, bench: str = LEFT) -> Benches:
        """Return what a bench sees."""
        self.exchange()
        at = START + timedelta(hours=1)
        store = self.stores[bench]
        return benches_of(store, self.shared, "photoamp", bench=bench, at=at)


@pytest.fixture
def benches(tmp_path: Path, databases: Databases) -> Iterator[TwoBenches]:
    with ExitStack() as held:
        conninfo = held.enter_context(databases.empty())
        yield TwoBenches(held, tmp_path, conninfo)


def test_benches_that_read_one_standard_apart_are_said_to(benches: TwoBenches) -> None:
    for number in (1, 2, 3):
        benches.check(LEFT, number, 2000.0)
        benches.check(RIGHT, number, 0.0)
    seen = benches.seen()
    assert {one.range for one in seen.differences} == set(RANGES)
    for one in seen.differences:
        assert (one.bench, one.other, one.checks) == (LEFT, RIGHT, 3)
        # The mean of three checks of 5 ppm each, twice, k = 2: some 8 ppm.
        assert one.difference_ppm == pytest.approx(2000.0, abs=20.0)
        assert 4.0 < one.uncertainty_ppm < 30.0
        # 40 ppm stated by each, k = 2: 2 * sqrt(2) * 40 = 113 ppm (JCGM 100, 5.1.2).
        assert one.allowed_ppm == pytest.approx(113.0, rel=0.1)
    assert len(said := beside(seen, {"1 uA": "1 µA"})) == len(RANGES)
    assert said[0].startswith("Range 1 µA: bench left reads standard CS-1 +0.2")
    assert "One of the two is wrong" in said[0]
    (row, *_) = difference_rows(seen, {})
    assert row["benches"] == "left minus right"
    assert row["says"] == "they contradict each other"
    assert Benches.of(seen.text) == seen


def test_benches_that_read_alike_are_said_to(benches: TwoBenches) -> None:
    assert "run it there" in beside(benches.seen(), {})[0]
    for number in (1, 2):
        benches.check(LEFT, number, 20.0)
        benches.check(RIGHT, number, 0.0)
    seen = benches.seen(RIGHT)
    assert beside(seen, {}) == (
        "The benches read their check standard the same, within what they state.",
    )


@pytest.mark.parametrize(
    ("there_ppm", "whose", "says"),
    [
        (0.0, Whose.BENCH, "It is bench left, not the parts"),
        (SIZE_PPM, Whose.PRODUCT, "It is not the bench"),
        (-SIZE_PPM, Whose.BOTH, "bench and parts may both be off"),
    ],
)
def test_a_finding_of_one_bench_is_held_against_the_other(
    benches: TwoBenches, there_ppm: float, whose: Whose, says: str
) -> None:
    benches.day(off_here_ppm=SIZE_PPM, off_there_ppm=there_ppm)
    (one,) = benches.seen().findings
    assert one.whose is whose
    assert [(each.bench, each.units) for each in one.seen] == [(LEFT, 4), (RIGHT, 4)]
    seen, said = seen_elsewhere(one)
    assert seen.startswith("Bench left: 4 units, mean +0.2")
    assert says in said
    assert benches.seen(RIGHT).findings == ()  # it is no finding of that bench


def test_no_bench_is_said_to_be_off_that_reads_the_standard_as_others_do(
    benches: TwoBenches,
) -> None:
    for number in (21, 22):
        benches.check(LEFT, number, 5.0)
        benches.check(RIGHT, number, 0.0)
    benches.day(off_here_ppm=SIZE_PPM, off_there_ppm=0.0)
    (one,) = benches.seen().findings
    assert one.whose is Whose.UNITS
    assert "the benches agree, the units differ" in seen_elsewhere(one)[-1]


def test_nothing_is_told_of_the_bench_while_no_other_has_such_units(
    benches: TwoBenches,
) -> None:
    for number in range(1, NEW_FROM + 4):
        benches.measure(LEFT, number, SIZE_PPM * (number >= NEW_FROM))
    benches.left.record_evaluation(
        Evaluation(product="photoamp", number=1, signals=(FINDING,), holds=())
    )
    (one,) = benches.seen().findings
    assert one.whose is Whose.OPEN
    assert seen_elsewhere(one) == ("No other bench has measured such units.",)


def test_who_measured_what_and_who_holds_what_is_said(benches: TwoBenches) -> None:
    benches.measure(LEFT, 1, 0.0)
    benches.measure(RIGHT, 2, 0.0)
    benches.measure(RIGHT, 3, 0.0)
    benches.right.keep(PERSONS_HOLD, decision=PLACED)
    waiting = benches.left.rows(Untold)
    assert [(one.command, one.waiting) for one in waiting] == [
        ("keep", 1), ("record_run", 1),
    ]  # fmt: skip
    assert untold(waiting).startswith(
        "Not told to the other benches yet: 1 other record, 1 measurement, since "
    )
    seen = benches.seen()
    assert untold(benches.left.rows(Untold)) == ""
    here, there = measured_where(seen)
    assert here.startswith("Bench left (this one): build B1: 1 unit; told last ")
    assert there.startswith("Bench right: build B1: 2 units; told last ")
    holds = benches.left.rows(HoldState, product="photoamp")
    assert held_where(holds, seen) == (
        "Build B1 is held at bench right: R13 reads 0.3 % high.",
    )
    own = benches.right.rows(HoldState, product="photoamp")
    assert held_where(own, benches.seen(RIGHT)) == ()


def test_a_view_takes_the_place_of_the_one_before(benches: TwoBenches) -> None:
    for hour in (1, 2):
        at = START + timedelta(hours=hour)
        benches.left.note_view(
            SharedView(
                shared_view="photoamp", body=Benches(bench=LEFT).text, seen_at=at
            )
        )
    (kept,) = benches.left.rows(SharedView)
    assert kept.seen_at == START + timedelta(hours=2)
    benches.left.share(on=False)  # a bench that is alone says nothing of others
    assert benches.left.rows(SharedView) == []


def test_a_database_of_before_learns_which_bench_measured(benches: TwoBenches) -> None:
    """Of what was told before, the log says it."""
    benches.measure(LEFT, 1, 0.0)
    benches.measure(RIGHT, 2, 0.0)
    benches.exchange()
    step = next(o for o in shared_migrations() if o.name.endswith("who_measured"))
    with psycopg.connect(
        benches.shared.address.conninfo, options=f"-c search_path={SCHEMA}"
    ) as connection:
        connection.execute("drop table measured_at")
        connection.execute(step.text.encode())
        rows = connection.execute(
            "select session, bench from measured_at order by session"
        ).fetchall()
    assert rows == [("left 1", LEFT), ("right 1", RIGHT)]


def test_a_finding_of_long_ago_is_asked_for_only_while_it_is_held(
    benches: TwoBenches,
) -> None:
    """Findings add up over the years, and each look would ask for all of them."""
    benches.day(off_here_ppm=SIZE_PPM, off_there_ppm=0.0)
    for number in range(FINDINGS_OF):
        later = START + timedelta(days=number + 1)
        benches.left.keep(replace(BUILD, build=f"L{number}", opened_at=later))
        of = run(100 + number, build=f"L{number}")
        benches._keep(LEFT, of, 0.0, scatter_ppm=100.0)
    assert benches.seen().findings == ()
    benches.left.keep(PERSONS_HOLD, decision=PLACED)
    assert [one.signal for one in benches.seen().findings] == [FINDING.signal]


def test_what_is_kept_during_a_look_is_seen_at_the_next(
    benches: TwoBenches, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A look asks both records, which takes a while; the bench goes on measuring."""
    now_s, looks = 0.0, 0
    monkeypatch.setattr(service_sharing, "monotonic", lambda: now_s)

    def looked(*_: object, **__: object) -> Benches:
        nonlocal looks
        looks += 1
        if looks == 1:
            benches.measure(LEFT, 1, 0.0)
        return Benches(bench=LEFT)

    monkeypatch.setattr(service_sharing, "benches_of", looked)
    sharer = service_sharing.Sharer(
        benches.left,
        Sharing(database="host=none", bench=LEFT),
        Desk(utc=lambda: START, stop=Event()),
        utc=lambda: START,
        open_shared=lambda _: benches.shared,
    )
    for expected in (1, 2, 2):
        sharer._look(benches.shared)
        assert looks == expected
        now_s += service_sharing.LOOK_S
