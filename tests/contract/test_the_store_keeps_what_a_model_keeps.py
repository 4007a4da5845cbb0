"""Random commands to the Store: what it keeps is what a dictionary would keep.

Whatever is sent, in whatever order, again or in contradiction: a row is kept once, a
refusal changes nothing, the ledger has a line for each decision and its chain holds,
and what was kept is there when the file is opened again.
"""

import tempfile
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from hypothesis import settings, strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule

from storage.errors import ConflictError, NotFoundError, StorageError
from storage.ledger import LedgerRow, verify
from storage.local import LocalStore
from storage.records import (
    Decision,
    Disposal,
    Evaluation,
    Hold,
    HoldEnd,
    Run,
    Scope,
    Verdict,
)
from storage.records_shipping import Shipment, UnitReturn
from storage.shipping import AWAY, UNKNOWN
from storage.store import Store
from tests.storage.samples import (
    RANGES,
    SHIP_RULE,
    START,
    furnish,
    results,
    run,
    unit,
)

PRODUCT = "photoamp"
SERIALS = ("S001", "S002", "S003", "S010")
UNMEASURED = "S999"
"""A serial that no unit ever has."""
BUILD_OF = dict(zip(SERIALS, ("B1", "B1", "B2", "B1"), strict=True))
GOOD = {Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD}
SUBJECTS = (
    (Scope.UNIT, "S001", None),
    (Scope.BUILD, "B2", None),
    (Scope.REEL, "reel 7", None),
    (Scope.SERIALS, "S001", "S002"),
)
"""Reel 7 feeds R13 of build B1 from the first unit on."""


def record(store: Store, of: Run, verdicts: dict[str, Verdict]) -> int:
    """Keep a run of some ranges."""
    rows = [
        replace(one, verdict=verdicts[one.range])
        for one in results(of, tuple(verdicts))
    ]
    return store.record_run(of, rows, unit(of))


def watch(store: Store, number: int) -> None:
    """Have everything up to a run watched."""
    store.record_evaluation(Evaluation(product=PRODUCT, number=number))


def place(store: Store, hold: Hold, line: Decision) -> None:
    """Keep a hold that a person placed."""
    store.keep(hold, decision=line)


def end(store: Store, ended: HoldEnd, line: Decision) -> None:
    """Keep the end of a hold."""
    store.keep(ended, decision=line)


def ship(store: Store, shipment: Shipment, line: Decision) -> list[str]:
    """Try to let a unit leave."""
    return store.ship(shipment, SHIP_RULE, line)


def take_back(store: Store, back: UnitReturn, line: Decision) -> None:
    """Keep that a unit came back."""
    store.keep(back, decision=line)


class TheStore(RuleBasedStateMachine):
    """The Store beside plain lists of what it must know."""

    def __init__(self) -> None:
        super().__init__()
        # A folder of its own that goes with it: fixtures outlive an example.
        self.folder = tempfile.TemporaryDirectory(prefix="store-")
        self.path = Path(self.folder.name) / "holdpoint.duckdb"
        self.store = LocalStore(self.path)
        furnish(self.store)
        self.steps = 0
        self.runs: list[tuple[Run, dict[str, Verdict]]] = []
        self.watched = 0
        self.holds: dict[str, Hold] = {}
        self.ends: dict[str, HoldEnd] = {}
        self.moves: list[tuple[str, str, int]] = []
        self.lines: list[Decision] = []

    def teardown(self) -> None:
        """Compare all that was kept, and let go of the file."""
        self.the_ledger_has_each_decision_once()
        self.runs_and_holds_are_all_there()
        self.store.close()
        self.folder.cleanup()

    def now(self) -> Any:
        """Return a time after everything before."""
        self.steps += 1
        return START + timedelta(hours=self.steps)

    def line(self, action: str, subject: str) -> Decision:
        """Return a line for the ledger that no other is."""
        return Decision(
            person="Ada", action=action, subject=subject, reason="why",
            decided_at=self.now(),
        )  # fmt: skip

    @rule(
        serial=st.sampled_from(SERIALS),
        ranges=st.sets(st.sampled_from(RANGES), min_size=1),
        good=st.booleans(),
        data=st.data(),
    )
    def measure(
        self, serial: str, ranges: set[str], good: bool, data: st.DataObject
    ) -> None:
        """Expect the next number, whatever ranges were taken."""
        at = self.now()
        of = replace(
            run(len(self.runs) + 1, serial=serial, build=BUILD_OF[serial]),
            started_at=at, finished_at=at,
        )  # fmt: skip
        verdicts = dict.fromkeys(sorted(ranges), Verdict.CONFORMING)
        if not good:
            bad = data.draw(st.sampled_from(sorted(ranges)))
            verdicts[bad] = data.draw(st.sampled_from(list(Verdict)))
        assert record(self.store, of, verdicts) == len(self.runs) + 1
        self.runs.append((of, verdicts))

    @precondition(lambda self: self.runs)
    @rule(data=st.data())
    def measure_the_same_again(self, data: st.DataObject) -> None:
        """Expect the same number again, and no other run under its name."""
        number = data.draw(st.integers(1, len(self.runs)))
        of, verdicts = self.runs[number - 1]
        assert record(self.store, of, verdicts) == number
        try:
            record(self.store, replace(of, note="another"), verdicts)
        except ConflictError:
            return
        raise AssertionError(of.run)

    @precondition(lambda self: len(self.runs) > self.watched)
    @rule(data=st.data())
    def look(self, data: st.DataObject) -> None:
        """Watch on; what was seen was seen."""
        number = data.draw(st.integers(1, len(self.runs)))
        watch(self.store, number)
        self.watched = max(self.watched, number)

    @rule(which=st.sampled_from(SUBJECTS))
    def hold(self, which: tuple[Scope, str, str | None]) -> None:
        """Place a hold; twice is once."""
        scope, subject, last = which
        line = self.line("place hold", f"hold {len(self.holds)}")
        one = Hold(
            hold=line.subject, scope=scope, subject=subject, product=PRODUCT,
            signal=None, reason="reads low", placed_by="Ada",
            placed_at=line.decided_at, to_serial=last,
        )  # fmt: skip
        known = scope is not Scope.UNIT or any(
            r.serial == subject for r, _ in self.runs
        )
        for _ in range(2):
            try:
                place(self.store, one, line)
            except NotFoundError:
                assert not known
        if known:
            self.holds[one.hold] = one
            self.lines.append(line)

    @precondition(lambda self: self.holds)
    @rule(data=st.data(), disposal=st.sampled_from(list(Disposal)))
    def end_a_hold(self, data: st.DataObject, disposal: Disposal) -> None:
        """End a hold, which goes once."""
        name = data.draw(st.sampled_from(sorted(self.holds)))
        line = self.line(disposal.value, name)
        ended = HoldEnd(
            hold=name, disposal=disposal, person="Ada", reason="why",
            ended_at=line.decided_at,
        )  # fmt: skip
        try:
            end(self.store, ended, line)
        except ConflictError:
            assert name in self.ends
            return
        assert name not in self.ends
        self.ends[name] = ended
        self.lines.append(line)

    @rule(serial=st.sampled_from((*SERIALS, UNMEASURED)), override=st.booleans())
    def ship_a_unit(self, serial: str, override: bool) -> None:
        """Let a unit leave when nothing is against it, or somebody overrides that."""
        line = self.line("ship", serial)
        shipment = Shipment(
            shipment=f"out {len(self.moves)}", serial=serial, product=PRODUCT,
            destination="order 1", reseller=False, person="Ada",
            shipped_at=line.decided_at,
            override_reason="asked for as it is" if override else None,
        )  # fmt: skip
        against = self.against(serial)
        said = ship(self.store, shipment, line)
        leaves = not against or (override and not set(against) & {UNKNOWN, AWAY})
        assert (said == []) == leaves, (said, against)
        if leaves:
            self.moves.append((serial, "out", len(self.runs)))
            self.lines.append(line)
        else:
            assert bool(set(said) & {UNKNOWN, AWAY}) == bool(
                set(against) & {UNKNOWN, AWAY}
            )

    @rule(serial=st.sampled_from((*SERIALS, UNMEASURED)))
    def take_a_unit_back(self, serial: str) -> None:
        """Take back a unit that is away, and no other."""
        line = self.line("take back", serial)
        back = UnitReturn(
            unit_return=f"back {len(self.moves)}", serial=serial, product=PRODUCT,
            person="Ada", reason="why", returned_at=line.decided_at,
        )  # fmt: skip
        away = self.is_away(serial)
        try:
            take_back(self.store, back, line)
        except StorageError:
            assert not away
            return
        assert away
        self.moves.append((serial, "back", len(self.runs)))
        self.lines.append(line)

    @rule()
    def open_again(self) -> None:
        """Open the file anew: what was kept is there."""
        self.store.close()
        self.store = LocalStore(self.path)
        self.runs_and_holds_are_all_there()

    # what the Store must know

    def is_away(self, serial: str) -> bool:
        """Whether the last move of a unit was out."""
        moves = [way for one, way, _ in self.moves if one == serial]
        return bool(moves) and moves[-1] == "out"

    def on(self, serial: str) -> list[Hold]:
        """Return every hold that concerns a unit."""
        found = []
        for one in self.holds.values():
            build = BUILD_OF[serial]
            if {
                Scope.UNIT: one.subject == serial,
                Scope.BUILD: one.subject == build,
                Scope.REEL: build == "B1",
                Scope.SERIALS: serial in {"S001", "S002"},
            }[one.scope]:
                found.append(one)
        return found

    def against(self, serial: str) -> list[str]:
        """Return what kinds of reasons speak against a unit's leaving."""
        own = [
            (number, of, verdicts)
            for number, (of, verdicts) in enumerate(self.runs, 1)
            if of.serial == serial
        ]
        if not own:
            return [UNKNOWN]
        said = []
        last, _, _ = own[-1]
        moves = [(way, after) for one, way, after in self.moves if one == serial]
        if self.is_away(serial):
            said.append(AWAY)
        elif moves and last <= moves[-1][1]:
            said.append("came back")
        if last > self.watched:
            said.append("not evaluated")
        latest: dict[str, tuple[Any, Verdict]] = {}
        for _, of, verdicts in own:
            latest |= {key: (of.started_at, one) for key, one in verdicts.items()}
        if set(latest) != set(RANGES):
            said.append("not measured")
        for one in self.on(serial):
            ended = self.ends.get(one.hold)
            measured_at = own[-1][1].started_at
            if ended is None:
                said.append("held")
            elif ended.disposal is Disposal.SCRAP:
                said.append("scrapped")
            elif ended.disposal is Disposal.REWORK and measured_at <= ended.ended_at:
                said.append("to be reworked")
        for at, verdict in latest.values():
            conceded = any(
                one.scope is Scope.UNIT
                and (ended := self.ends.get(one.hold)) is not None
                and ended.disposal is Disposal.CONCESSION
                and ended.ended_at >= at
                for one in self.on(serial)
            )
            if verdict not in GOOD and not conceded:
                said.append("not conforming")
        return said

    def the_ledger_has_each_decision_once(self) -> None:
        """Compare the lines in order; the chain holds."""
        rows = self.store.table("decision").to_pylist()
        told = [
            (one["person"], one["action"], one["subject"], one["decided_at"])
            for one in rows
        ]
        assert told == [
            (one.person, one.action, one.subject, one.decided_at) for one in self.lines
        ]
        assert verify(LedgerRow(**one) for one in rows) is None

    def runs_and_holds_are_all_there(self) -> None:
        """Compare runs by number and range, and holds with their ends."""
        rows = self.store.table(
            "range_rows", product=PRODUCT, after=0, kind=None
        ).to_pylist()
        assert [(one["number"], one["range"], one["verdict"]) for one in rows] == [
            (number, key, verdict)
            for number, (_, verdicts) in enumerate(self.runs, 1)
            for key, verdict in verdicts.items()
        ]
        holds = self.store.table("holds", product=PRODUCT).to_pylist()
        assert {one["hold"]: one["disposal"] for one in holds} == {
            name: None if name not in self.ends else self.ends[name].disposal
            for name in self.holds
        }
        (mark,) = self.store.table("watermark", product=PRODUCT).to_pylist()
        assert mark["number"] == self.watched


TestTheStore = TheStore.TestCase
TestTheStore.settings = settings(
    max_examples=6, stateful_step_count=25, deadline=None, derandomize=True
)
