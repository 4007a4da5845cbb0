"""Any role taken by a person, any by wire, in one unit; each step is asked for."""

import re
from collections.abc import Callable
from threading import Event
from typing import Any

import pytest

from config.model import Bench as Settings, Instrument
from daemon.bench.bench import Bench, cautions
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import (
    ByHandError,
    ImplausibleError,
    OverrangeError,
    StoppedError,
    UnansweredError,
)
from daemon.bench.hand_meter import Patience
from daemon.bench.hand_switch import HandTold
from daemon.bench.readings import RangeReadings
from daemon.bench.sequence import measure
from daemon.bench.series import series_of
from tests.daemon.bench.fakes import (
    NOMINAL_TRANSFER,
    PROFILES,
    RANGES,
    READING,
    FakeBench,
    product,
    settings,
)

KEY = "R12"
GAIN_PPM = 300.0
METERS = {"reference": ("A", 1.0), "output": ("V", 1.0)}


def bench_settings(*typed: str, selector: bool = True) -> Settings:
    """Return the fake bench with these roles taken by a person."""
    plain = settings()
    changes: dict[str, Any] = {
        role: Instrument(profile="typed", ranges=getattr(plain, role).ranges)
        for role in typed
    }
    if not selector:
        changes["selector"] = None
    return plain.model_copy(update=changes)


class Person:
    """Somebody who does what the prompts of the fake bench say."""

    def __init__(self, fake: FakeBench, clock: VirtualClock) -> None:
        self.fake = fake
        self.asked: list[str] = []
        self.instead: dict[str, list[str]] = {}
        """By what a prompt holds: what is answered in place of the truth, in turn."""
        self.away = 0
        """So many prompts are left unanswered."""
        self._clock = clock

    def __call__(
        self,
        text: str,
        *,
        subject: str,
        wants: str | None = None,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> str:
        """Return what is shown, or do as told."""
        del subject
        self.asked.append(text)
        meanwhile()
        while self.away and wants:
            self._clock.wait_s(60.0)
            try:
                meanwhile()
            except UnansweredError:
                self.away -= 1
                raise
        for part, answers in self.instead.items():
            if part in text and answers:
                return answers.pop(0)
        for role in METERS:
            if f"the {role} meter shows" in text:
                return f"{self.fake._reading(role):.7g} {wants}"
        if wants == "degC":
            return "23.4"
        for index, key in enumerate(sorted(RANGES, reverse=True)):
            if f"switch to {RANGES[key]:g} A" in text:
                self.fake.closed = f"(@{100 + index})"
        if told := re.search(r"Set the source to (zero|[\d.]+ \w+)", text):
            spelled = {"nA": 1e-9, "uA": 1e-6, "\N{MICRO SIGN}A": 1e-6}
            number, _, unit = told[1].partition(" ")
            self.fake.level = float(number) * spelled[unit] if unit else 0.0
        if "output on" in text:
            self.fake.on = True
        if "output off" in text:
            self.fake.on = False
        return "done"


def opened(
    fake: FakeBench, bench: Settings, person: Person | None, clock: VirtualClock
) -> Bench:
    fake.clock = clock
    return Bench(
        bench,
        product(),
        READING,
        profiles=PROFILES,
        nominal_transfer=NOMINAL_TRANSFER,
        connect=fake.connect,
        clock=clock,
        guarded=False,
        ask=person,
    )


def measured(
    *typed: str,
    ranges: tuple[str, ...] = (KEY,),
    prepared: Callable[[Person], None] = lambda _: None,
) -> tuple[list[RangeReadings], Person]:
    """Measure ranges of a unit with these roles taken by a person."""
    clock = VirtualClock()
    fake = FakeBench(gain_error_ppm=GAIN_PPM)
    person = Person(fake, clock)
    prepared(person)
    with opened(fake, bench_settings(*typed), person, clock) as bench:
        if bench.selector is None:
            hand = HandTold(bench, clock=clock, stop=Event(), ask=person)
            found = hand.unit("PA-1001", ranges, lambda _: None)
        else:
            found = measure(bench, ranges, clock, stop=Event())
    assert not fake.on
    return found, person


@pytest.mark.parametrize(
    "typed",
    [
        ("reference",),
        ("output",),
        ("reference", "output"),
        ("source", "output"),
        ("source", "reference"),
        ("output", "selector"),
        ("source", "selector"),
        ("reference", "output", "selector", "ambient"),
    ],
    ids="+".join,
)
def test_a_unit_is_measured_whichever_roles_a_person_takes(
    typed: tuple[str, ...],
) -> None:
    found, person = measured(*typed, ranges=("R11", KEY))
    assert [one.range for one in found] == ["R11", KEY]
    for one in found:
        series = series_of(one)
        gain = series.output.net_level / series.reference.net_level
        error_ppm = (gain / NOMINAL_TRANSFER[one.range] - 1) * 1e6
        assert error_ppm == pytest.approx(GAIN_PPM, abs=1.0)
    for role in {"reference", "output"} & set(typed):
        told = [one for one in person.asked if f"the {role} meter shows" in one]
        at_level = [one for one in told if "source at 9 \N{MICRO SIGN}A" in one]
        assert at_level == [
            "Range 1e-05 A, source at 9 \N{MICRO SIGN}A. Type what the "
            f"{role} meter shows on its "
            + ("1 V range" if role == "output" else "10 \N{MICRO SIGN}A range")
        ]
    turned = [one for one in person.asked if "turn its switch" in one]
    assert len(turned) == (2 if "selector" in typed else 0)
    assert sum("temperature" in one for one in person.asked) == int("ambient" in typed)


def test_a_slip_is_doubted_once_and_what_is_typed_then_counts() -> None:
    def slips(person: Person) -> None:
        person.instead["source at 9 "] = ["nine", "900.2", "900.2 mV"]

    (one,), person = measured("output", prepared=slips)
    assert one.points[1].output == (0.9002,)
    said = [text for text in person.asked if "source at 9 " in text]
    assert "cannot be there: look at the prefix" in said[2]
    assert len(said) == 3


def test_a_part_of_the_wrong_decade_is_typed_twice_and_kept() -> None:
    def wrong(person: Person) -> None:
        person.instead["source at 9 "] = ["0.3 V", "0.3 V"]

    (one,), person = measured("output", prepared=wrong)
    assert one.points[1].output == (0.3,)
    assert any("far from 900 mV, which is expected" in text for text in person.asked)


def test_a_reference_that_cannot_be_is_no_measurement() -> None:
    def wrong(person: Person) -> None:
        person.instead["source at 9 "] = ["3 uA", "3 uA"]

    with pytest.raises(ImplausibleError, match="reference"):
        measured("reference", prepared=wrong)


def test_an_overload_that_is_typed_has_lower_levels_tell_whose_doing_it_is() -> None:
    asked: list[str] = []

    def beyond(person: Person) -> None:
        person.instead["source at 9 "] = ["OL"]
        asked.append("")
        person.asked = asked

    # A tenth of the level makes a tenth of the output: it was the display's doing.
    with pytest.raises(OverrangeError, match="its display shows an overload"):
        measured("output", prepared=beyond)
    assert any("source at 900 nA" in text for text in asked)


def test_nobody_who_answers_has_the_source_off_and_the_range_read_again() -> None:
    def away(person: Person) -> None:
        person.away = 1

    (one,), person = measured("output", prepared=away)
    assert len(one.points) == 3
    (said,) = [text for text in person.asked if "Nobody answered" in text]
    assert "within 10 min, so the source was turned off. Confirm" in said


def test_the_source_is_off_while_nobody_is_there() -> None:
    clock = VirtualClock()
    fake = FakeBench()
    person = Person(fake, clock)
    person.away = 1
    on: list[bool] = []

    def gone(text: str, **how: Any) -> str:
        if "Nobody answered" in text:
            on.append(fake.on)
            raise StoppedError
        return person(text, **how)

    bench = opened(fake, bench_settings("output"), person, clock)
    bench.ask = gone
    with bench, pytest.raises(StoppedError):
        measure(bench, (KEY,), clock, stop=Event())
    assert on == [False]
    assert not fake.on


def test_the_source_is_kept_on_while_a_person_reads_and_no_longer() -> None:
    clock = VirtualClock()
    kept: list[float] = []
    patience = Patience(lambda: kept.append(clock.now_s()), clock.now_s, 100.0)
    wait = patience.meanwhile()
    clock.wait_s(99.0)
    wait()
    clock.wait_s(2.0)
    with pytest.raises(UnansweredError):
        wait()
    assert kept == [99.0]


def test_a_switch_that_was_not_turned_is_asked_about_before_the_full_level() -> None:
    """The small level reads like another range, so nobody is sent the large one."""
    clock = VirtualClock()
    fake = FakeBench()
    person = Person(fake, clock)
    highest: list[float] = []

    def lazy(text: str, **how: Any) -> str:
        if "does not read like range" in text:
            highest.append(fake.highest)
            return "no"
        turned = fake.closed
        answer = person(text, **how)
        if "turn its switch to 1e-05 A" in text and not highest:
            fake.closed = turned
        return answer

    bench = bench_settings("output", "selector")
    with opened(fake, bench, person, clock) as one:
        hand = HandTold(one, clock=clock, stop=Event(), ask=lazy)
        found = hand.unit("PA-1001", ("R11", KEY), lambda _: None)
    assert highest == [pytest.approx(0.9e-6)]  # of the range before
    assert len(found) == 2
    assert hand.note is None


def test_what_a_person_reads_moves_no_less_uncertain_than_the_other_meter() -> None:
    """The reference drifts by 200 ppm while the output is looked at."""

    def drifts(person: Person) -> None:
        def looked_at() -> None:
            person.fake.reference_ppm = 200.0

        person.instead["source at 9 "] = _Then("900.27 mV", looked_at)

    (one,), _ = measured("output", prepared=drifts)
    rest = one.points[1].rest
    assert rest is not None
    assert rest.beyond_scatter == pytest.approx(200e-6 * 0.9 / 12**0.5, rel=0.05)


class _Then(list[str]):
    """An answer, and what happens meanwhile."""

    def __init__(self, answer: str, happens: Callable[[], None]) -> None:
        super().__init__([answer])
        self._happens = happens

    def pop(self, place: Any = -1) -> str:
        """Give it."""
        self._happens()
        return super().pop(place)


def test_a_bench_without_anybody_says_which_role_a_person_takes() -> None:
    with pytest.raises(ByHandError, match="the output is read or set by hand"):
        opened(FakeBench(), bench_settings("output"), None, VirtualClock())


def test_a_typed_ohmmeter_leaves_the_bench_to_itself() -> None:
    bench = bench_settings().model_copy(
        update={"ohmmeter": Instrument(profile="typed")}
    )
    opened(FakeBench(), bench, None, VirtualClock()).close()
    assert bench.typed == ()
    assert not bench.all_typed


def test_how_long_the_source_stays_on_for_a_person_is_said_before() -> None:
    said = cautions(bench_settings("output"), PROFILES)
    assert "the source stays on, 10 min at most" in said[0]
    assert "10 min" not in " ".join(cautions(bench_settings(), PROFILES))
