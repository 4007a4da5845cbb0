"""Frames of bytes described by what the instrument shows, on ends nobody prepared."""

import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from config.dialogue import Dialogue
from config.load import load_profile, profile_names
from config.model import Instrument
from config.profile import Kind, Profile
from daemon.bench import describing
from daemon.bench.clock import ScaledClock
from daemon.bench.connection import Overhear
from daemon.bench.describing import describe
from daemon.bench.describing_frames import describe_frames
from daemon.bench.driver import Binding, Meter
from daemon.bench.errors import BadAnswerError, OverrangeError
from daemon.bench.frame_finding import is_text, layout
from daemon.bench.retry import NEVER
from daemon.bench.visa import connect, overhear, registers
from tests.daemon.bench.old_instruments import serial_instrument

MOST_SAID = 80
TALKS_S = 0.01
Makes = Callable[["Handheld"], bytes]


class Handheld:
    """A meter with a dial that a person turns; `makes` codes what it reads."""

    def __init__(self, makes: Makes, *, asked: str | None = None) -> None:
        self.makes = makes
        self.asked = asked
        self.volts = 0.9012
        self.digit = 1e-4
        self.function = "V"
        self.over = False
        self._flicker = 0

    def __call__(self, heard: str) -> bytes:
        """Send a frame, by itself or where it is asked."""
        if self.asked is not None and self.asked not in heard:
            return b"\xff" if heard else b""
        self._flicker += 1
        return self.makes(self)

    @property
    def counts(self) -> int:
        """What it counts, with a digit of noise."""
        return round(self.volts / self.digit) + self._flicker.bit_count() % 2

    def turned(self, question: str) -> str:
        """Do what a person is asked to do; return what it shows then."""
        if "another number on the same range" in question:
            self.volts = 0.3577
        elif question.startswith("Swap its leads"):
            self.volts = -0.3577
        elif "on another range" in question:
            self.volts, self.digit = 9.012, 1e-3
        elif "on a third range" in question:
            self.volts, self.digit = 0.090120, 1e-5
        places = {1e-3: 3, 1e-4: 4, 1e-5: 5}[self.digit]
        return f"{self.volts:.{places}f}"


def told(
    meter: Handheld,
    folder: Path,
    answers: dict[str, str],
    address: str,
    *,
    hears: Overhear | None = None,
) -> tuple[str, list[str]]:
    """Describe a meter as a person would who turns its dial; return profile, words."""
    said: list[str] = []

    def ask(question: str) -> str:
        said.append(question)
        assert len(said) < MOST_SAID, "it asks the same again and again"
        for begin, answer in answers.items():
            if question.startswith(begin):
                return answer
        if "does it show" in question:
            return meter.turned(question)
        if question.startswith("Turn it to another function"):
            meter.function = "ohm"
        if question.startswith("Turn it back"):
            meter.function, meter.over = "V", True
        if question.startswith("Have it show a reading again"):
            meter.over = False
        if question.startswith("Does the instrument show that"):
            return "yes"
        return "Handheld" if question.startswith("What do people call") else ""

    text = describe(
        Dialogue(ask, said.append),
        name="mine",
        instrument=Instrument(address=address, profile="mine", timeout_s=0.5),
        connect=connect,
        overhear=hears or (lambda *_: [meter(meter.asked or "") for _ in range(8)]),
        registers=registers,
        known={one: load_profile(one, folder) for one in profile_names(folder)},
    )
    return text, said


@contextmanager
def reading(text: str, folder: Path, address: str) -> Iterator[Meter]:
    (folder / "profiles").mkdir(exist_ok=True)
    (folder / "profiles" / "mine.toml").write_text(text, encoding="utf-8")
    how: Profile = load_profile("mine", folder)
    meter = Meter(
        Binding(
            role="output",
            instrument=Instrument(address=address, profile="mine", timeout_s=0.5),
            profile=how,
            connect=connect,
            clock=ScaledClock(),
            retry=NEVER,
        )
    )
    try:
        yield meter
    finally:
        meter.close()


def summed(one: Handheld) -> bytes:
    """Begin, function, range, counts of two bytes with a sign, sum."""
    range_ = {1e-5: 0, 1e-4: 1, 1e-3: 2}[one.digit]
    counts = 0x7FFF if one.over else one.counts
    body = bytes([0xA5, {"V": 3, "ohm": 9}[one.function], range_])
    body += counts.to_bytes(2, "big", signed=True)
    return body + bytes([sum(body) & 0xFF])


def plain(one: Handheld) -> bytes:
    """No checksum, low byte first, the sign as a byte of its own beside the range."""
    range_ = {1e-5: 7, 1e-4: 8, 1e-3: 9}[one.digit]
    counts = 60000 if one.over else abs(one.counts)
    sign = 0x2D if one.counts < 0 else 0x2B
    kind = {"V": 0xE0, "ohm": 0xE6}[one.function]
    return bytes([0xC0, 0x81]) + struct.pack("<BBBH", kind, range_, sign, counts)


def scattered(one: Handheld) -> bytes:
    """Send range, function and sign as bytes in a row, and digits as characters."""
    range_ = {1e-5: 0x30, 1e-4: 0x31, 1e-3: 0x32}[one.digit]
    kind = {"V": 0x3B, "ohm": 0x33}[one.function]
    sign = 0x34 if one.counts < 0 else 0x30
    digits = b" OL  " if one.over else f"{abs(one.counts):05}".encode()
    return bytes([0x02, 0x80, range_, kind, sign]) + digits + b"\x03"


def floats(one: Handheld) -> bytes:
    """Send an IEEE 754 single of volts, and an exclusive or."""
    volts = 9.9e37 if one.over else one.counts * one.digit
    body = b"\x10\x02" + one.function[:1].encode() + struct.pack(">f", volts)
    check = 0
    for byte in body:
        check ^= byte
    return body + bytes([check])


@pytest.mark.parametrize("makes", [summed, plain, scattered, floats])
def test_a_meter_that_sends_frames_is_described_by_what_it_shows(
    tmp_path: Path, makes: Makes
) -> None:
    meter = Handheld(makes)
    with serial_instrument(meter, talks=TALKS_S) as port:
        text, said = told(meter, tmp_path, {}, port.address)
        with reading(text, tmp_path, port.address) as one:
            for volts, digit in ((1.2345, 1e-4), (-12.0, 1e-3), (0.05431, 1e-5)):
                meter.volts, meter.digit = volts, digit
                one.read()  # what was under way while it was turned
                assert one.read() == pytest.approx(volts, abs=1.5 * digit)
            meter.over = True
            with pytest.raises(OverrangeError):
                [one.read() for _ in range(2)]
            meter.over, meter.function = False, "ohm"
            with pytest.raises(BadAnswerError):
                [one.read() for _ in range(2)]
    assert any("bytes that are no text" in line for line in said)
    assert not any("Nothing in its frames says the function" in line for line in said)


def test_frames_that_are_asked_for_are_described(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over a line, as a person would."""
    monkeypatch.setattr(describing, "LISTEN_S", 0.02)
    meter = Handheld(summed, asked="D")
    with serial_instrument(meter) as port:
        text, _ = told(
            meter,
            tmp_path,
            {
                "Which line asks it who": "none",
                "Which line asks for a reading": "D",
                "Is that right": "yes",
                "Nothing was read. Write": "yes",
                "Which line chooses its range": "none",
            },
            port.address,
            hears=overhear,
        )
        meter.volts, meter.digit = -7.5, 1e-3
        with reading(text, tmp_path, port.address) as one:
            assert one.read() == pytest.approx(-7.5, abs=1.5e-3)
    assert 'read = "D"' in text
    assert "talks_by_itself" not in text


def test_frames_that_a_profile_knows_need_no_turning(tmp_path: Path) -> None:
    def ours(one: Handheld) -> bytes:
        body = bytes([0xD7, 0x28, 1, 1]) + one.counts.to_bytes(2, "big", signed=True)
        return body + bytes([sum(body) & 0xFF])

    meter = Handheld(ours)
    with serial_instrument(meter, talks=TALKS_S) as port:
        text, said = told(meter, tmp_path, {}, port.address)
        with reading(text, tmp_path, port.address) as one:
            assert one.read() == pytest.approx(0.9012, abs=1.5e-4)
    assert any("As profile 'framed_voltmeter' reads them" in line for line in said)
    assert not any("does it show" in line for line in said)


def test_bytes_in_which_nothing_repeats_are_no_frames() -> None:
    """As of another baud."""
    state, sent = 1, []
    for _ in range(200):
        state = state * 1103515245 + 12345 & 0x7FFFFFFF
        sent.append(state >> 16 & 0xFF | 0x80)
    said: list[str] = []
    found = describe_frames(
        Dialogue(lambda _: "", said.append),
        lambda: [bytes(sent)],
        "V",
        Kind.VOLTMETER,
        {},
    )
    assert found is None
    assert "See that baud and parity are right" in said[0]


def test_bytes_that_do_not_hold_what_is_shown_are_typed() -> None:
    """Digits as pictures of a display's segments."""
    picture = [0x7D, 0x05, 0x5B, 0x1F, 0x27, 0x3E, 0x7E, 0x15, 0x7F, 0x3F]
    meter = Handheld(
        lambda one: b"".join(
            bytes([0x10 * at + picture[int(digit)] // 16, 0x10 * at + 1])
            for at, digit in enumerate(f"{abs(one.counts):05}", start=1)
        )
    )
    said: list[str] = []
    found = describe_frames(
        Dialogue(meter.turned, said.append),
        lambda: [meter("") for _ in range(6)],
        "V",
        Kind.VOLTMETER,
        {},
    )
    assert found is None
    assert "pictures of a display's segments" in said[-1]


@pytest.mark.parametrize("cut", range(7))
def test_where_a_frame_begins_is_told_by_its_sum_where_no_silence_parts_them(
    cut: int,
) -> None:
    frames = []
    for counts in (9012, 9013, 9010, 255, 9011, 9014):
        body = bytes([0xD7, 0x28, 1, 1]) + counts.to_bytes(2, "big")
        frames.append(body + bytes([sum(body) & 0xFF]))
    found = layout([b"".join(frames)[cut:]])
    assert found is not None
    assert (found.length, found.checksum) == (7, "sum")
    assert set(found.frames) <= set(frames)


def test_lines_of_text_are_no_frames() -> None:
    assert is_text(b"+0.9012 V\r\n")
    assert not is_text("+1 µV\r\n".encode())
