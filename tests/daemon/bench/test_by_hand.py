"""The unit's switch turned by a scripted person, on the simulated bench."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import Event

import pytest

from config.model import Settings
from daemon.bench.bench import Bench
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import StoppedError
from daemon.bench.hand_switch import HandTurned
from daemon.bench.readings import RangeReadings
from daemon.bench.retry import NEVER
from daemon.bench.wire import by_address
from daemon.metrology.active_range import Seen
from daemon.metrology.transfer import Transfer
from daemon.simulator.direct import DirectBench
from daemon.simulator.faults import Fault, FaultKind
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import story
from tests.daemon.bench.test_simulated_bench import gain, true_gain
from tests.daemon.simulator.benches import CLEAN

PATIENT = 20
"""Looks after which a script that does nothing has stalled."""


@dataclass
class Person:
    """Does the next thing of a script whenever the bench asks for something."""

    script: list[Callable[[], str | None]]
    highest_level: Callable[[], float]
    asked: list[str] = field(default_factory=list)
    levels: list[float] = field(default_factory=list)

    def __call__(
        self,
        text: str,
        *,
        subject: str,
        wants: str | None = None,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> str:
        """Act, then wait for the bench to see it unless an answer was given."""
        del subject, wants
        self.asked.append(text)
        self.levels.append(self.highest_level())
        answer = self.script.pop(0)()
        if answer is not None:
            return answer
        for _ in range(PATIENT):
            meanwhile()
        message = f"the bench did not notice: {text}"
        raise AssertionError(message)


@dataclass
class Line:
    """A rig without a selector, and who measures with its help."""

    rig: Rig
    hand: HandTurned
    person: Person
    stop: Event

    def measure(self, serial: str) -> list[RangeReadings]:
        """Measure all ranges of a unit."""
        ranges = tuple(self.rig.settings.product.ranges)
        return self.hand.unit(serial, ranges, lambda _: None)

    def turn(self, key: str) -> Callable[[], None]:
        """Return the turning of the switch to a range, without a word."""
        return lambda: self.rig.turn(key)

    def say(self, answer: str) -> Callable[[], str]:
        """Return an answer without any deed."""
        return lambda: answer


@contextmanager
def line(demo: Settings) -> Iterator[Line]:
    """Open a bench without a selector on a rig of that kind."""
    assert demo.bench is not None
    settings = demo.model_copy(
        update={"bench": demo.bench.model_copy(update={"selector": None})}
    )
    assert settings.bench is not None
    nominal = {name: one.nominal_ohm for name, one in settings.product.parts.items()}
    transfers = {
        key: Transfer(one.transfer).value(nominal)
        for key, one in settings.product.ranges.items()
    }
    clock, stop = VirtualClock(), Event()
    rig = Rig(settings, story(settings, 1, line=CLEAN), clock, nature=BenchNature())
    with Bench(
        settings.bench,
        settings.product,
        settings.plan.reading,
        profiles=settings.profiles,
        nominal_transfer=transfers,
        connect=by_address(DirectBench(rig).connect),
        clock=clock,
        retry=NEVER,
        guarded=False,
    ) as bench:
        person = Person(script=[], highest_level=lambda: rig.state().level)
        hand = HandTurned(
            bench,
            output_ranges=settings.bench.output.ranges,
            transfers=transfers,
            titles={key: one.title for key, one in settings.product.ranges.items()},
            clock=clock,
            stop=stop,
            ask=person,
        )
        yield Line(rig, hand, person, stop)
    assert not rig.state().source_on


@pytest.fixture
def bench(demo: Settings) -> Iterator[Line]:
    """Return such a bench."""
    with line(demo) as one:
        yield one


def test_it_goes_on_by_itself_as_the_switch_is_turned(bench: Line) -> None:
    bench.rig.mount("PA-1001")
    bench.person.script = [bench.turn(one) for one in ("10uA", "100uA", "1mA")]
    found = bench.measure("PA-1001")
    assert [one.range for one in found] == ["1uA", "10uA", "100uA", "1mA"]
    assert len(bench.person.asked) == 3
    assert (
        "turn its switch to 10 µA (then 100 µA, 1 mA; any order will do)"
        in (bench.person.asked[0])
    )


def test_any_order_of_turning_will_do(bench: Line) -> None:
    bench.rig.mount("PA-1001")
    bench.rig.turn("1mA")
    bench.person.script = [bench.turn(one) for one in ("10uA", "100uA", "1uA")]
    assert [one.range for one in bench.measure("PA-1001")] == [
        "1mA", "10uA", "100uA", "1uA",
    ]  # fmt: skip


def test_nobody_turns_above_the_most_sensitive_full_scale(bench: Line) -> None:
    """An opened current loop goes to compliance."""
    smallest = min(one.full_scale for one in bench.rig.settings.product.ranges.values())
    bench.rig.mount("PA-1001")
    bench.person.script = [bench.turn(one) for one in ("1mA", "100uA", "10uA")]
    bench.measure("PA-1001")
    assert max(bench.person.levels) <= smallest


def test_it_notices_the_unit_plugged_in_and_the_next_one(bench: Line) -> None:
    bench.person.script = [
        lambda: bench.rig.mount("PA-1001"),
        *(bench.turn(one) for one in ("10uA", "100uA", "1mA")),
    ]
    bench.measure("PA-1001")
    assert bench.person.asked[0].startswith(
        "Unit PA-1001: Nothing flows: plug the unit in"
    )
    bench.person.asked.clear()
    bench.person.script = [
        bench.rig.remove,
        lambda: bench.rig.mount("PA-1002"),
        *(bench.turn(one) for one in ("100uA", "10uA", "1uA")),
    ]
    assert len(bench.measure("PA-1002")) == 4
    assert bench.person.asked[0] == "Unplug unit PA-1001 and plug in unit PA-1002."


def test_a_missed_turn_is_asked_about_and_then_waited_for(bench: Line) -> None:
    bench.rig.mount("PA-1001")
    bench.person.script = [
        bench.say("done"),
        bench.say("no"),
        *(bench.turn(one) for one in ("10uA", "100uA", "1mA")),
    ]
    taken = bench.measure("PA-1001")
    assert len(taken) == 4
    # What was answered "no" to was not measured as the next range.
    for one in taken:
        assert gain(one) == pytest.approx(true_gain(bench.rig, one.range), rel=1e-2)
    assert "reads like range 1 µA, which is measured already" in bench.person.asked[1]
    assert "a part of the wrong decade" in bench.person.asked[1]


def with_part(bench: Line, name: str, ohm: float) -> None:
    """Mount PA-1001 with a wrong part fitted."""
    board = bench.rig.scenario.board("PA-1001")
    object.__setattr__(board, "parts_ohm", {**board.parts_ohm, name: ohm})
    bench.rig.mount("PA-1001")


@pytest.mark.parametrize(
    ("part", "times", "script"),
    [
        ("R12", 10.0, ("10uA", "1uA", "100uA", "1mA")),
        ("R14", 0.1, ("1mA", "1uA", "10uA", "100uA")),
    ],
)
def test_a_wrong_decade_part_is_measured_as_the_range_the_switch_is_at(
    bench: Line, part: str, times: float, script: tuple[str, ...]
) -> None:
    """R13 ten times too large, or too small: 100 µA looks like another range."""
    with_part(bench, "R13", bench.rig.scenario.board("PA-1001").parts_ohm[part])
    bench.rig.turn(script[0])
    turns: list[Callable[[], str | None]] = []
    for key in script[1:]:
        turns.append(bench.turn(key))
        if key == "100uA":
            turns.append(bench.say("yes"))
    bench.person.script = turns
    found = {one.range: one for one in bench.measure("PA-1001")}
    assert set(found) == {"1uA", "10uA", "100uA", "1mA"}
    assert any("a part of the wrong decade is on it" in a for a in bench.person.asked)
    level = found["100uA"].points[1]
    zero = found["100uA"].points[0]
    ratio = (level.output[-1] - zero.output[-1]) / (
        level.reference[-1] - zero.reference[-1]
    )
    nominal = bench.hand._transfers["100uA"]
    assert ratio / nominal == pytest.approx(times, rel=0.05)
    assert bench.hand.note == "Switch confirmed at 100 µA."


def test_turning_on_while_it_is_asked_withdraws_the_question(bench: Line) -> None:
    bench.rig.mount("PA-1001")
    bench.person.script = [
        bench.turn("10uA"),
        bench.turn("1uA"),  # measured already
        bench.turn("100uA"),
        bench.turn("1mA"),
    ]
    assert [one.range for one in bench.measure("PA-1001")] == [
        "1uA", "10uA", "100uA", "1mA",
    ]  # fmt: skip
    assert "measured already" in bench.person.asked[2]


def swapped(bench: Line, role: str) -> None:
    """Have a meter's leads the wrong way round."""
    bench.rig.inject(Fault(role=role, kind=FaultKind.SWAPPED))


WRONG: dict[str, tuple[Callable[[Line], None], Callable[[Line], None], str]] = {
    "not switched on": (
        lambda bench: bench.rig.supply(0.0),
        lambda bench: bench.rig.supply(1.0),
        "The output stays at zero: switch the unit on",
    ),
    "flat battery": (
        lambda bench: bench.rig.supply(0.35),
        lambda bench: bench.rig.supply(1.0),
        "the unit's battery, or its supply, is low",
    ),
    "output reversed": (
        lambda bench: swapped(bench, "output"),
        lambda bench: bench.rig.clear("output"),
        "its leads, or the input leads, are reversed",
    ),
    "reference reversed": (
        lambda bench: swapped(bench, "reference"),
        lambda bench: bench.rig.clear("reference"),
        "The reference reads the wrong sign: its leads are reversed",
    ),
    "open lead": (
        lambda bench: bench.rig.remove(),
        lambda bench: bench.rig.mount("PA-1001"),
        "Nothing flows: plug the unit in, or close the open input lead",
    ),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_is_wrong_is_said_and_once_mended_it_goes_on(
    bench: Line, wrong: str
) -> None:
    spoil, mend, words = WRONG[wrong]
    bench.rig.mount("PA-1001")
    spoil(bench)
    bench.person.script = [
        lambda: mend(bench),
        *(bench.turn(one) for one in ("10uA", "100uA", "1mA")),
    ]
    assert len(bench.measure("PA-1001")) == 4
    assert words in bench.person.asked[0]
    assert not any(words in one for one in bench.person.asked[1:])
    assert max(bench.person.levels) <= 1e-6


def test_a_look_at_an_empty_socket_says_open(bench: Line) -> None:
    with bench.hand._probing():
        assert bench.hand.look().seen is Seen.OPEN


def test_ordered_off_while_it_waits_it_ends(bench: Line) -> None:
    bench.rig.mount("PA-1001")
    bench.person.script = [bench.stop.set]
    with pytest.raises(StoppedError):
        bench.measure("PA-1001")
