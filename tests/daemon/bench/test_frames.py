"""Readings that come as frames of bytes: where one begins, and what it says."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import config
from config.errors import ConfigError
from config.frames import Frame
from config.load import load_profile
from config.model import Instrument
from config.profile import Profile
from daemon.bench.clock import ScaledClock
from daemon.bench.driver import Binding, Meter
from daemon.bench.errors import BadAnswerError, NoAnswerError, OverrangeError
from daemon.bench.framing import Frames
from daemon.bench.retry import NEVER
from daemon.bench.visa import connect
from tests.daemon.bench.old_instruments import serial_instrument, vxi11_instrument

OURS = Path(config.__file__).parent / "profiles" / "framed_voltmeter.toml"
Sends = Callable[[str], bytes]


def frame(counts: int, *, function: int = 1, range_: int = 1, wrong: int = 0) -> bytes:
    body = bytes([0xD7, 0x28, function, range_]) + counts.to_bytes(
        2, "big", signed=True
    )
    return body + bytes([sum(body) + wrong & 0xFF])


def read_of(
    folder: Path, sends: Sends, *changes: tuple[str, str], talks: float | None = 0.005
) -> float:
    """Return what a meter that sends this is read as, by our profile as changed."""
    text = OURS.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "profiles").mkdir(exist_ok=True)
    (folder / "profiles" / "mine.toml").write_text(text, encoding="utf-8")
    with serial_instrument(sends, talks=talks) as port:
        meter = Meter(
            Binding(
                role="output",
                instrument=Instrument(
                    address=port.address, profile="mine", timeout_s=0.5
                ),
                profile=load_profile("mine", folder),
                connect=connect,
                clock=ScaledClock(),
                retry=NEVER,
            )
        )
        try:
            return meter.read()
        finally:
            meter.close()


def turns(*frames: bytes) -> Sends:
    def endless() -> Iterator[bytes]:
        while True:
            yield from frames

    one = endless()
    return lambda _: next(one)


@pytest.mark.parametrize(
    ("sent", "volts"),
    [
        (frame(9012), 0.9012),
        (frame(-9012), -0.9012),
        (frame(9012, range_=2), 9.012),
        # The counts are what begins a frame, so that one seems to begin within.
        (frame(-0x28D8), -1.0456),
    ],
)
def test_a_frame_says_counts_and_range(
    tmp_path: Path, sent: bytes, volts: float
) -> None:
    assert read_of(tmp_path, turns(sent)) == pytest.approx(volts)


def test_a_frame_that_was_under_way_is_passed_over(tmp_path: Path) -> None:
    pieces = [frame(9012)[3:] + frame(9012)[:3]]
    assert read_of(tmp_path, turns(*pieces)) == pytest.approx(0.9012)


@pytest.mark.parametrize("cut", range(7))
def test_a_steady_reading_that_looks_like_a_beginning_is_read_whole(cut: int) -> None:
    """From wherever it is heard: one frame's length apart stand both."""
    one = frame(-0x28D8)
    heard = (4 * one)[cut:]
    assert Frames(one[:2], 7, "sum").first(heard) == one
    assert Frames(one[:2], 7).first(heard) is None
    assert Frames(one[:2], 7).first(heard + frame(2) + frame(3) + one) in {
        one,
        frame(2),
    }


@pytest.mark.parametrize(
    "sent",
    [frame(9012, function=2), frame(9012, range_=7), frame(9012, wrong=1)],
    ids=["ohms", "a range that is not known", "a wrong sum"],
)
def test_what_is_no_reading_of_volts_is_none(tmp_path: Path, sent: bytes) -> None:
    with pytest.raises(BadAnswerError):
        read_of(tmp_path, turns(sent))


def test_a_frame_that_says_overload_is_no_reading(tmp_path: Path) -> None:
    with pytest.raises(OverrangeError):
        read_of(tmp_path, turns(frame(0x7FFF)))


def test_lines_in_place_of_frames_are_none(tmp_path: Path) -> None:
    with pytest.raises(NoAnswerError):
        read_of(tmp_path, turns(b"+0.9012 V\r\n"))


ASKED = ("talks_by_itself = true", 'read = "D"')


def test_a_frame_is_asked_for_with_digits_in_it(tmp_path: Path) -> None:
    found = read_of(
        tmp_path,
        lambda heard: b"\xd7\x28\x01-0.9012" if "D" in heard else b"",
        ASKED,
        ('01 (?P<range>..) (?P<number>.. ..) .."', '01 (?P<number>.*)"'),
        ("length = 7", "length = 10"),
        ('"signed"', '"digits"'),
        ('checksum = "sum"', ""),
        ('factors = { "00" = 1e-5, "01" = 1e-4, "02" = 1e-3 }', ""),
        talks=None,
    )
    assert found == pytest.approx(-0.9012)


def test_no_byte_of_a_frame_ends_it_on_a_bus() -> None:
    how = Profile.model_validate(
        {
            "title": "framed",
            "kind": "voltmeter",
            "read": "D",
            "number": "01 (?P<number>.. ..) 0A",
            "frame": {"starts": "01", "length": 4, "number_is": "unsigned"},
        }
    )
    with vxi11_instrument(lambda _: "\x01\n\x02") as address:
        line = connect("output", Instrument(address=address, profile="mine"), how)
        assert line.query("D") == "01 0A 02 0A"
        line.close()


def test_two_answers_to_one_question_are_none(tmp_path: Path) -> None:
    with pytest.raises(BadAnswerError):
        read_of(tmp_path, lambda _: 2 * frame(9012), ASKED, talks=None)


@pytest.mark.parametrize(
    ("number_is", "byte_order", "raw", "value"),
    [
        ("signed", "low first", "2E FB", -1234.0),
        ("unsigned", "high first", "FB 2E", 64302.0),
        ("unsigned", "low first", "01 00 00", 1.0),
        # IEEE 754 singles and doubles; the standard's own codings of 1 and -2.
        ("float", "high first", "3F 80 00 00", 1.0),
        ("float", "low first", "00 00 00 00 00 00 00 C0", -2.0),
        ("float", "high first", "3F 80 00", None),
        ("digits", "high first", "2D 30 2C 35", -0.5),
        ("digits", "high first", "2D 20 31", -1.0),
        ("digits", "low first", "32 31 2E 39", 9.12),
        ("digits", "high first", "31 5F 30", None),
        ("digits", "high first", "69 6E 66", None),
        ("digits", "high first", "4F 4C", None),
        ("digits", "high first", "B5 30", None),
        ("signed", "high first", "1", None),
    ],
)
def test_bytes_are_read_as_the_profile_says(
    number_is: Any, byte_order: Any, raw: str, value: float | None
) -> None:
    one = Frame(starts="AB", length=20, number_is=number_is, byte_order=byte_order)
    match = re.fullmatch("AB (?P<number>.*)", f"AB {raw}")
    assert match is not None
    assert one.value(match) == value


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("(?P<number>.. ..)", ".. ..", "a group (?P<number>...)"),
        ("(?P<range>..)", "..", "and factors of [frame] go together"),
        ("length = 7", "length = 2", "more than starts has bytes"),
        ('"D7 28"', '"d7 28"', "bytes such as D7 28"),
        ('"02" = 1e-3', '"02" = 0.0', "must not be 0"),
        ('kind = "voltmeter"', 'kind = "switch"', "of readings"),
        ("[frame]", 'identity = "?"\n[frame]', "answers no lines"),
    ],
)
def test_a_frame_that_cannot_be_is_refused(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    with pytest.raises(ConfigError) as found:
        read_of(tmp_path, turns(b""), (old, new))
    assert said in str(found.value)
