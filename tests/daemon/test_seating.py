"""One unit far off on one range: seated and measured once more, both runs kept."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from threading import Event, Thread
from uuid import uuid4

import numpy as np
import pytest

from daemon.bench.clock import ScaledClock
from daemon.service.home import Home
from daemon.service.worker import Worker
from daemon.station.cycle import Cycle, Recorded, RunHeader
from daemon.station.desk import Desk
from daemon.station.orders import Order, ReadAgain, Ticket, TypedReading
from storage.local import LocalStore
from storage.records import Build, Decision, Reel, Session
from storage.records_shipping import Rework, ReworkKind
from tests.daemon.making import AT, demo_settings, fitting, readings

SETTINGS = demo_settings()
NAME = SETTINGS.product.name
POOR_CONTACT_PPM = 20_000.0
"""So far off that the first run alone would hold the build."""


class Seat:
    """Stands in for the station: each seating of a unit reads what it is told to."""

    def __init__(self, cycle: Cycle, configuration: str) -> None:
        self.reads: list[Sequence[float]] = []
        self.connects: list[tuple[str, bool]] = []
        self._cycle = cycle
        self._configuration = configuration

    def unit(
        self,
        *,
        serial: str,
        build: str,
        ranges: Sequence[str],
        rerun_of: str | None,
        note: str | None,
        answers: Mapping[str, float] | None,
        connect: bool,
    ) -> Recorded:
        self.connects.append((serial, connect))
        taken = [
            one
            for one in readings(self._cycle.product, self.reads.pop(0))
            if one.range in ranges
        ]
        header = RunHeader(
            serial=serial,
            build=build,
            session="s",
            origin="bench",
            started_at=AT,
            finished_at=AT,
            configuration=self._configuration,
            rerun_of=rerun_of,
            note=note,
            run=uuid4().hex,
        )
        return self._cycle.record(taken, header, {}, answers or {})

    def take_said(self) -> tuple[str, ...]:
        """Nothing is said at this station beside what the cycle says."""
        return ()


class Bench:
    """A worker with a seat for units, and somebody who confirms what is asked."""

    def __init__(self, store: LocalStore, folder: Path) -> None:
        clock = ScaledClock(1.0)
        self.store = store
        self.desk = Desk(utc=clock.utc, stop=Event())
        self.asked: list[str] = []
        self.answers: list[str | ReadAgain] = []
        self.worker = Worker(SETTINGS, Home(folder), store, self.desk, clock)
        self.worker.catch_up()
        configuration = self.desk.snapshot()["configuration"]
        store.keep(Build(build="B-1", product=NAME, planned_units=20, opened_at=AT))
        store.keep(
            Session(
                session="s", bench="demo", opened_at=AT, configuration=configuration
            )
        )
        self.seat = Seat(self.worker._cycle, configuration)
        self.worker.bench._station = self.seat  # type: ignore[assignment]

    def order(self, order: Order) -> Ticket:
        """Place an order; return its ticket when it has ended."""
        return self.carried_out(self.desk.place(order))

    def carried_out(self, placed: Ticket) -> Ticket:
        """Have the oldest order carried out, which is this one."""
        ticket = self.desk.next_order(wait_s=0.0)
        assert ticket is not None
        work = Thread(target=self.worker._carry_out, args=(ticket,))
        work.start()
        answered = None
        while work.is_alive():
            prompt = self.desk.snapshot()["prompt"]
            if prompt is not None and prompt["prompt"] != answered:
                answered = prompt["prompt"]
                self.asked.append(prompt["text"])
                self.desk.answer(answered, self.answers.pop(0) if self.answers else "")
            work.join(0.01)
        ended = self.desk.ticket(placed.ticket)
        assert ended is not None
        assert ended.state == "done", ended.message
        return ended

    def measure(self, serial: str, *reads: Sequence[float]) -> Ticket:
        """Measure a unit that reads so the first time it is seated, and then so."""
        self.seat.reads = [*reads]
        return self.order(Order(build="B-1", serial=serial))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        one = Bench(store, tmp_path)
        chance = np.random.default_rng(3)
        for n in range(8):
            one.measure(f"PA-{n:03d}", chance.normal(0.0, 150.0, 4).tolist())
        assert one.asked == []
        yield one


def test_a_unit_that_waited_behind_another_is_connected_first_and_seated_as_ever(
    bench: Bench,
) -> None:
    good, poor = [50.0, -80.0, 20.0, 10.0], [50.0, -80.0, POOR_CONTACT_PPM, 10.0]
    bench.seat.reads = [good, poor, good]
    bench.seat.connects.clear()
    placed = [
        bench.desk.place(Order(build="B-1", serial=serial))
        for serial in ("PA-008", "PA-009")
    ]
    for one in placed:
        bench.carried_out(one)
    assert bench.seat.connects == [
        ("PA-008", False),
        ("PA-009", True),
        ("PA-009", False),  # whoever seated it again has said so
    ]


def test_a_poor_contact_is_found_by_seating_the_unit_again(bench: Bench) -> None:
    good = [50.0, -80.0, 20.0, 10.0]
    poor = [50.0, -80.0, POOR_CONTACT_PPM, 10.0]
    ticket = bench.measure("PA-008", poor, good)
    (asked,) = bench.asked
    assert asked.startswith("Unit PA-008 reads far from what was expected on range 100")
    assert any("look at the contacts" in one for one in ticket.remarks)
    runs = bench.store.frame("unit_runs", serial="PA-008")
    first, second = runs["run"].unique()
    assert ticket.run == second
    assert runs.loc[runs["run"] == second, "rerun_of"].unique().tolist() == [first]
    assert "seated again" in runs.loc[runs["run"] == second, "note"].iloc[0]
    # The first run counts for the yield: 8 of 9 units were good at once.
    builds = bench.store.frame("builds", product=NAME)
    assert builds["first_pass_yield"].tolist() == [pytest.approx(8 / 9)]
    assert bench.store.frame("signals", product=NAME).empty
    # The second is what is watched.
    counts = bench.worker._cycle._watcher.fold.units_of("B-1")
    assert [one.serial for one in counts].count("PA-008") == 1
    assert counts[-1].errors_ppm == pytest.approx(good, abs=0.01)


def test_a_unit_that_is_odd_itself_is_measured_twice_and_never_more(
    bench: Bench,
) -> None:
    odd = [50.0, -80.0, POOR_CONTACT_PPM, 10.0]
    ticket = bench.measure("PA-008", odd, odd)
    assert len(bench.asked) == 1
    assert bench.seat.reads == []
    assert any("its contacts are not the cause" in one for one in ticket.remarks)
    bench.seat.reads = [odd]
    bench.order(Order(build="B-1", serial="PA-008", rerun=True))
    assert len(bench.asked) == 1


def test_a_unit_off_on_all_ranges_that_would_raise_a_finding_is_asked_for_once(
    bench: Bench,
) -> None:
    off = [2000.0] * 4
    bench.measure("PA-008", off, off)
    (asked,) = bench.asked
    assert "on ranges 1 µA, 10 µA, 100 µA and 1 mA. " in asked


def test_the_first_unit_of_a_bad_reel_is_asked_for_once_and_then_believed(
    bench: Bench,
) -> None:
    """A reel that is recorded as new holds its build with the second seating."""
    bench.store.keep(
        Reel(reel="K-900", nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT)
    )
    bench.store.keep(fitting("B-1", "R13", "K-900", "PA-008"))
    bad = [50.0, -80.0, POOR_CONTACT_PPM, 10.0]
    bench.measure("PA-008", bad, bad)
    assert len(bench.asked) == 1
    found = bench.store.frame("signals", product=NAME)
    assert found["reel"].tolist() == ["K-900"]


def typed(high: float = 0.0) -> tuple[TypedReading, ...]:
    """Return a unit's readings, by hand; one range reads so much high, as a share."""
    return tuple(
        TypedReading(
            range=key,
            reference=0.9 * one.full_scale,
            output=0.9 * (1.0 + (high if key == "100uA" else 0.0)),
            output_zero=1e-5 if key == "100uA" else None,
        )
        for key, one in SETTINGS.product.ranges.items()
    )


def test_whoever_cannot_be_asked_is_told_to_read_the_unit_once_more(
    bench: Bench,
) -> None:
    ticket = bench.order(Order(build="B-1", serial="PA-008", typed=typed(0.02)))
    assert bench.asked == []
    assert any("read it once more, as a rerun" in one for one in ticket.remarks)


def test_whoever_types_readings_seats_the_unit_again_and_types_it_once_more(
    bench: Bench,
) -> None:
    """Slips of the pen are asked for again; a zero that was not read is not."""
    bench.answers = [
        "",
        *("900 mA", "900 nA", "0.9 V"),
        *("9 uA", "0.9 V"),
        *("10 uV", "a lot", "90 uA", "90 V"),
        *("10 uV", "90 uA", "0.90002 V"),
        *("900 uA", "0.9 V"),
    ]
    ticket = bench.order(
        Order(build="B-1", serial="PA-008", typed=typed(0.02), attended=True)
    )
    assert bench.answers == []
    assert bench.asked[0].startswith("Unit PA-008 reads far from what was expected")
    assert "900 mA is too much; full scale is 1 µA" in bench.asked[2]
    zero = "Unit PA-008, 100 µA, source at zero. The output reads (V)"
    assert bench.asked[6] == zero
    assert "a lot" in bench.asked[8]
    assert bench.asked[10].endswith(zero)
    assert ["off by more than 50%" in one for one in bench.asked[10:12]] == [
        True,
        False,
    ]
    assert "Was a reading typed wrong?" in bench.asked[0]
    assert any("a reading that was typed wrong" in one for one in ticket.remarks)
    runs = bench.store.frame("unit_runs", serial="PA-008")
    first, second = runs["run"].unique()
    again = runs[runs["run"] == second].set_index("range")
    assert set(again["rerun_of"]) == {first}
    volts, true = 0.90002 - 0.00001, 0.9
    assert again.loc["100uA", "error_ppm"] == pytest.approx(
        1e6 * (volts / true - 1), abs=0.1
    )
    assert bench.store.frame("signals", product=NAME).empty


def test_whoever_types_in_a_terminal_hands_the_second_reading_over_at_once(
    bench: Bench,
) -> None:
    """Read by the same questions as the first, so nothing more is asked."""
    second = tuple(replace(one, reference_zero=1e-9) for one in typed())
    bench.answers = [ReadAgain(typed=second)]
    bench.order(Order(build="B-1", serial="PA-008", typed=typed(0.02), attended=True))
    assert len(bench.asked) == 1
    runs = bench.store.frame("unit_runs", serial="PA-008")
    assert runs["run"].nunique() == 2
    again = runs[runs["rerun_of"].notna()].set_index("range")
    assert again.loc["1mA", "error_ppm"] == pytest.approx(1.11, abs=0.1)


def test_what_reads_as_far_off_a_second_time_is_not_said_to_be_a_poor_contact(
    bench: Bench,
) -> None:
    """The first of two like runs explains the second; it is far off all the same."""
    seat = bench.worker._cycle
    kept, told = [], seat.far_off

    def far_off(number: int) -> list[str]:
        kept.append(number)
        return told(number) if len(kept) == 1 else []

    seat.far_off = far_off  # type: ignore[method-assign]
    low = [50.0, -80.0, -POOR_CONTACT_PPM, 10.0]
    ticket = bench.measure("PA-008", low, low)
    assert len(kept) == 2
    assert any("still does" in one for one in ticket.remarks)


def test_a_reworked_unit_that_is_measured_in_part_says_what_is_left(
    bench: Bench,
) -> None:
    at = AT + timedelta(minutes=1)
    bench.store.keep(
        Reel(reel="K-901", nominal_ohm=1e3, tolerance_ppm=1e3, received_at=AT)
    )
    bench.store.keep(
        Rework(
            rework="r", serial="PA-000", product=NAME, kind=ReworkKind.REPLACE,
            person="Ada", reason="why", reworked_at=at, part="R13", reel="K-901",
        ),
        decision=Decision(
            person="Ada", action="rework", subject="PA-000", reason="why",
            decided_at=at,
        ),
    )  # fmt: skip
    said = []
    for part in (typed()[3:], typed()[:3]):
        done = bench.order(Order(build="B-1", serial="PA-000", typed=part, rerun=True))
        said.append(done.remarks[-1:])
    words = "measure ranges 1 µA, 10 µA and 100 µA again before it may leave."
    assert said == [(f"Unit PA-000 was reworked: {words}",), ()]


def test_typed_sessions_are_of_a_bench_as_it_was_unless_somebody_says_so(
    bench: Bench,
) -> None:
    for serial, new_setup in (
        ("PA-101", False), ("PA-102", False), ("PA-103", True), ("PA-104", False),
    ):  # fmt: skip
        bench.order(
            Order(build="B-1", serial=serial, typed=typed(), new_setup=new_setup)
        )
    rows = bench.store.frame("range_rows", product=NAME, after=8, kind="unit")
    runs = rows.drop_duplicates("run")
    assert runs["set_up"].tolist() == [False, False, True, True]
    one, two, three, four = runs["session"]
    assert one == two != three == four
