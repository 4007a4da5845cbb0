"""Ohms of parts: leads first, then parts; what cannot be is asked again."""

from collections.abc import Callable, Iterator
from math import hypot, sqrt
from threading import Event

import pytest

from config.model import Instrument, MeterRange
from config.profile import TYPED
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import StoppedError
from daemon.station.desk import Desk
from daemon.station.ohmmeter import (
    CAUTION,
    Lead,
    NotReadError,
    PartsRead,
    read_parts,
    reader,
)
from tests.daemon.bench.fakes import FakeBench, profile

OHMMETER = Instrument(
    address="TCPIP::192.0.2.15::5025::SOCKET",
    profile="four_wire",
    ranges=(
        MeterRange(full_scale=1e3, of_reading_ppm=100.0),
        MeterRange(full_scale=1e4, of_reading_ppm=100.0, of_range_ppm=10.0),
        MeterRange(full_scale=1e5, of_reading_ppm=100.0, of_range_ppm=10.0),
    ),
)
PROFILES = {"four_wire": profile("scpi_ohmmeter_four_wire")}
LOOSE = (
    Lead(on="loose part 1 of 2 of reel K-1", subject="K-1"),
    Lead(on="loose part 2 of 2 of reel K-1", subject="K-1"),
)
OPEN = "+9.9E+37"


class Person(Desk):
    """Somebody who puts the leads where they are asked to, or elsewhere at first."""

    def __init__(self, reads: list[str]) -> None:
        super().__init__(utc=VirtualClock().utc, stop=Event())
        self.reads = reads
        self.asked: list[tuple[str, str]] = []
        self.now = OPEN

    def ask(
        self,
        text: str,
        *,
        subject: str,
        wants: str | None = None,
        by_scan: bool = False,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> str:
        """Answer, and put the leads on the next thing."""
        del by_scan, meanwhile
        self.asked.append((subject, text))
        if not self.reads:
            raise StoppedError
        self.now = self.reads.pop(0)
        return self.now if wants else "done"


def parts(
    *reads: str, instrument: Instrument = OHMMETER, nominal_ohm: float = 5e3
) -> tuple[PartsRead, Person, FakeBench]:
    """Read two loose parts by somebody whose leads read these, one after another."""
    person, fake = Person(list(reads)), FakeBench()
    fake.answers["ohmmeter", "READ?"] = lambda: person.now
    with reader(
        instrument,
        PROFILES,
        nominal_ohm=nominal_ohm,
        desk=person,
        connect=fake.connect,
        clock=VirtualClock(),
    ) as read:
        found = read_parts(read, instrument, LOOSE, nominal_ohm=nominal_ohm)
    return found, person, fake


def test_the_leads_are_shorted_first_and_taken_off_each_part() -> None:
    found, person, fake = parts("0.12", "5000.62", "5010.12")
    assert [subject for subject, _ in person.asked] == ["leads", "K-1", "K-1"]
    assert found.null_ohm == pytest.approx(0.12)
    assert found.readings_ohm == pytest.approx((5000.5, 5010.0))
    assert "CONF:FRES 10000" in fake.commands("ohmmeter")
    assert "ohmmeter" not in fake.open_lines, "let go of"


def test_the_caution_comes_before_anything_is_touched() -> None:
    _, person, _ = parts("0", "5000", "5000")
    assert person.asked[0][1].startswith(CAUTION)


@pytest.mark.source("JCGM 100:2008, 4.3.7, worked by hand: bound / sqrt(3)")
def test_the_uncertainty_is_the_specification_as_a_rectangle() -> None:
    """0.01 % of 5 kohm and 10 ppm of 10 kohm: 0.5 + 0.1 ohm; nothing scatters."""
    found, _, _ = parts("0", "5000", "5000")
    assert found.uncertainty_ohm == pytest.approx(0.6 / sqrt(3))


def test_scatter_widens_it() -> None:
    """Four ohm up and down by turns: s = 2 sqrt(1.2) of five, over sqrt(5)."""
    person, fake = Person(["0", "x", "x"]), FakeBench()

    def living() -> Iterator[str]:
        while True:
            yield from ("4998", "5002")

    shown = living()
    fake.answers["ohmmeter", "READ?"] = lambda: (
        "0" if person.now == "0" else next(shown)
    )
    with reader(
        OHMMETER,
        PROFILES,
        nominal_ohm=5e3,
        desk=person,
        connect=fake.connect,
        clock=VirtualClock(),
    ) as read:
        found = read_parts(read, OHMMETER, LOOSE, nominal_ohm=5e3)
    expected = hypot(0.6 / sqrt(3), 2 * sqrt(1.2) / sqrt(5))
    assert found.uncertainty_ohm == pytest.approx(expected)


def test_open_leads_and_another_part_are_said_and_asked_again() -> None:
    found, person, _ = parts("4990", "0.1", OPEN, "50000", "5001.1", "5002.1")
    assert found.readings_ohm == pytest.approx((5001.0, 5002.0))
    texts = [text for _, text in person.asked]
    assert "they are open, or on a part" in texts[1]
    assert "the leads are open" in texts[3]
    assert texts[4].startswith("49.9999 k")
    assert "is no part of 5 k" in texts[4]


def test_three_failures_in_a_row_give_up_and_say_why() -> None:
    with pytest.raises(NotReadError, match=r"leads are open.*Nothing was kept"):
        parts("0", OPEN, OPEN, OPEN)


def test_no_range_that_reaches_is_said_with_what_to_write() -> None:
    with pytest.raises(NotReadError, match=r"write one of 600 k.* or more"):
        parts(nominal_ohm=5e5)


def test_an_ohmmeter_that_does_not_answer_is_named() -> None:
    person, fake = Person([]), FakeBench()
    fake.answers["ohmmeter", "*IDN?"] = "Holdpoint,another,1,0"
    instrument = OHMMETER.model_copy(update={"identity": "Holdpoint,wanted"})
    with (
        pytest.raises(NotReadError, match=r"ohmmeter .* expected 'Holdpoint,wanted'"),
        reader(
            instrument,
            PROFILES,
            nominal_ohm=5e3,
            desk=person,
            connect=fake.connect,
            clock=VirtualClock(),
        ),
    ):
        pass
    assert person.asked == []


def test_an_ohmmeter_read_by_hand_asks_for_ohms_and_says_what_is_none() -> None:
    by_hand = Instrument(profile=TYPED)
    found, person, fake = parts("0R1", "high", "5.0001k", "5k0021", instrument=by_hand)
    assert found.readings_ohm == pytest.approx((5000.0, 5002.0))
    # Its accuracy is not said: 0.02 % is taken.
    assert found.uncertainty_ohm == pytest.approx(1.0 / sqrt(3))
    assert "type what the ohmmeter shows" in person.asked[0][1]
    assert "'high'" in person.asked[2][1]
    assert fake.sent == []


def test_whoever_orders_the_source_off_ends_the_reading() -> None:
    with pytest.raises(StoppedError):
        parts("0")
