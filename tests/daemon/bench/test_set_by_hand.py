"""A source that a person sets is asked for, level by level, and measured with."""

from collections.abc import Callable
from threading import Event

import pytest

from config.model import Bench as Settings, Instrument
from daemon.bench.bench import Bench, cautions
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import ByHandError, OutputNotOffError, StoppedError
from daemon.bench.sequence import measure
from tests.daemon.bench.fakes import (
    NOMINAL_TRANSFER,
    PROFILES,
    READING,
    FakeBench,
    product,
    settings,
)


def bench_settings() -> Settings:
    return settings().model_copy(update={"source": Instrument(profile="typed")})


class Person:
    """Somebody who sets the fake bench's source; one percent beside what is asked."""

    def __init__(self, fake: FakeBench) -> None:
        self.fake = fake
        self.asked: list[str] = []
        self.gone = False
        fake.on = False

    def __call__(
        self,
        text: str,
        *,
        subject: str,
        wants: str | None = None,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> str:
        """Do as told."""
        del subject, wants, meanwhile
        if self.gone:
            raise StoppedError
        self.asked.append(text)
        if "output off" in text:
            self.fake.on = False
        if "output on" in text:
            self.fake.on = True
        for said, level in (("900 nA", 0.9e-6), ("zero", 0.0), ("9 uA", 9e-6)):
            if f"source to {said}" in text:
                self.fake.level = 1.01 * level
        return "done"


def open_bench(fake: FakeBench, person: Person | None) -> Bench:
    return Bench(
        bench_settings(),
        product(),
        READING,
        profiles=PROFILES,
        nominal_transfer=NOMINAL_TRANSFER,
        connect=fake.connect,
        clock=VirtualClock(),
        ask=person,
    )


def test_a_range_is_measured_with_a_source_that_a_person_sets() -> None:
    fake = FakeBench()
    person = Person(fake)
    with open_bench(fake, person) as bench:
        assert person.asked == []
        (found,) = measure(
            bench, ["R11"], VirtualClock(), stop=Event(), progress=lambda _: None
        )
    assert [round(one.reference[0] * 1e9) for one in found.points] == [0, 909, 0]
    on = "Set the source to zero and its compliance to 10 V, turn its output on"
    assert person.asked == [
        f"{on}, then confirm.",
        "Set the source to 900 nA, then confirm.",
        "Set the source to zero, then confirm.",
        "Turn the source's output off, then confirm.",
    ]
    assert not fake.on


def test_nobody_there_means_that_it_is_to_be_taken_as_live() -> None:
    fake = FakeBench()
    person = Person(fake)
    bench = open_bench(fake, person)
    bench.source.set_compliance(10.0)
    bench.source.output_on()
    person.gone = True
    with pytest.raises(OutputNotOffError, match="nobody has said that it is off"):
        bench.source_off()
    assert bench.source.is_on
    person.gone = False
    bench.close()
    assert not fake.on


def test_nobody_to_ask_refuses_a_source_set_by_hand() -> None:
    with pytest.raises(ByHandError, match="the source is read or set by hand"):
        open_bench(FakeBench(), None)


def test_that_only_a_person_turns_it_off_is_said_before_it_is_on() -> None:
    (said,) = cautions(bench_settings(), PROFILES)
    assert "nothing but you turns its output off" in said
