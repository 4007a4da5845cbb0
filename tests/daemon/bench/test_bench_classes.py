"""Benches of many classes, each from files alone to a judged unit.

One simulated circuit stands behind all of them. Its instruments are reached as makers
have them: over sockets and serial lines, asked or talking, in words of their own.
"""

import re
import shutil
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from socketserver import StreamRequestHandler, ThreadingTCPServer
from threading import Event, Lock

import pytest

from config.load import load
from config.model import BY_HAND, Instrument, Settings
from config.quantity import Unit, parse
from daemon.bench.bench import Bench
from daemon.bench.clock import ScaledClock
from daemon.bench.connection import Connection
from daemon.bench.errors import InstrumentError, NoAnswerError
from daemon.bench.sequence import measure
from daemon.bench.visa import connect
from daemon.judging.product import ProductModel
from daemon.judging.verdict import Judge
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import story
from storage.records import Verdict
from tests.daemon.bench import gpib_driver
from tests.daemon.bench.old_instruments import (
    hislip_instrument,
    serial_instrument,
    vxi11_instrument,
)
from tests.daemon.bench.register_ends import (
    Device,
    registers_over_serial,
    registers_over_tcp,
)
from tests.daemon.bench.test_simulated_bench import nominal_transfer, true_gain
from tests.daemon.simulator.benches import CLEAN, DEMO

KEY = "1mA"
OHM = 10_000.0
Told = Callable[[str], str]
"""What the simulated instrument answers to a SCPI line; empty where nothing."""
Reply = Callable[[str], str]
"""What an end sends for a line that came, its own ends of line included."""


@dataclass(frozen=True)
class As:
    """How one role of a bench is reached, and by which profile."""

    role: str
    profile: str
    served: Callable[[Told], "object"] | None = None
    """A context manager that gives the address; None where a person takes the role."""
    changes: tuple[tuple[str, str], ...] = ()
    """In the profile, as a maker adapts one of ours: before and after."""
    more: str = ""
    """Added to bench.toml."""
    named: str = ""
    """Of its file, where another role has the same profile."""
    addressee: str = ""
    """Whom its line is told that it is for."""


@contextmanager
def over_socket(reply: Reply, *, one_only: bool = False) -> Iterator[str]:
    """Serve lines on a plain socket; give its address."""
    busy = Lock()

    class Line(StreamRequestHandler):
        def handle(self) -> None:
            if not busy.acquire(blocking=not one_only):
                return
            try:
                with suppress(OSError):
                    for line in self.rfile:
                        self.wfile.write(reply(line.decode().strip()).encode())
            finally:
                busy.release()

    class Server(ThreadingTCPServer):
        daemon_threads = True
        block_on_close = False

        def process_request(self, request: object, client_address: object) -> None:
            assert isinstance(request, socket.socket)
            request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            super().process_request(request, client_address)

    if not one_only:
        busy = _Free()  # type: ignore[assignment]
    with Server(("127.0.0.1", 0), Line) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield f"TCPIP::127.0.0.1::{server.server_address[1]}::SOCKET"
        finally:
            server.shutdown()
            thread.join()


class _Free:
    """A lock that anybody gets at any time."""

    def acquire(self, *, blocking: bool = True) -> bool:
        return blocking or True

    def release(self) -> None: ...


@contextmanager
def over_serial(reply: Reply, ending: str = "\n", banner: str = "") -> Iterator[str]:
    """Serve lines on a serial port; give its address."""
    rest = ""

    def answers(heard: str) -> str:
        nonlocal rest
        *lines, rest = (rest + heard).split(ending)
        return "".join(reply(one) for one in lines)

    with serial_instrument(answers) as port:
        if banner:
            port.say(banner)
        yield port.address


class Adapter:
    """One serial line to several instruments: address, then talk, then fetch."""

    def __init__(self) -> None:
        self._instruments: dict[str, Told] = {}
        self._chosen = ""
        self._said: list[str] = []
        self._address = ""

    def to(self, addressee: str) -> Callable[[Told], AbstractContextManager[str]]:
        """Return how the instrument with this number is served."""

        @contextmanager
        def served(told: Told) -> Iterator[str]:
            self._instruments[addressee] = told
            if self._address:
                yield self._address
                return
            with over_serial(self.reply) as self._address:
                yield self._address
            self._address = ""

        return served

    def reply(self, line: str) -> str:
        match line.split():
            case ["ANSWERS", "ASKED"]:
                pass
            case ["TO", addressee]:
                self._chosen = addressee
            case ["FETCH"]:
                return f"{self._said.pop(0)}\n" if self._said else ""
            case _:
                answer = self._instruments[self._chosen](line)
                self._said = [answer] if answer else []
        return ""


def scpi(told: Told) -> Reply:
    """Speak SCPI, a line for a line."""

    def reply(line: str) -> str:
        answer = told(line)
        return f"{answer}\n" if answer else ""

    return reply


def volts(told: Told) -> float:
    return float(told("READ?"))


def asked_handheld(told: Told) -> Reply:
    return lambda _: f"DC  {volts(told) * 1e3:.4f} mV\r"


@contextmanager
def talking_handheld(told: Told) -> Iterator[str]:
    with serial_instrument(
        lambda _: f"{volts(told) * 1e3:+.4f} mV DC\r\n", talks=0.01
    ) as port:
        yield port.address


@contextmanager
def framing_handheld(told: Told) -> Iterator[str]:
    """Send frames of bytes: function, range of 0.1 mV a count, counts, sum of all."""

    def frame(_: str) -> bytes:
        counts = round(volts(told) * 1e4)
        body = b"\xd7\x28\x01\x01" + counts.to_bytes(2, "big", signed=True)
        return body + bytes([sum(body) & 0xFF])

    with serial_instrument(frame, talks=0.01) as port:
        yield port.address


def acknowledging(told: Told) -> Reply:
    def reply(line: str) -> str:
        return f"=>\r {volts(told) * 1e3:+.4f}\r" if line == "D" else "=>\r"

    return reply


def board(told: Told) -> Reply:
    """Be a board whose converter of 12 bits drives a current either way."""

    def reply(line: str) -> str:
        match line.split():
            case ["DAC", code]:
                assert re.fullmatch(r"\d+", code)
                told(f"SOUR:CURR:LEV {(int(code) - 2048) / 1.6e6:.9g}")
            case ["ON"]:
                told("SOUR:VOLT:PROT 12")
                told("OUTP ON")
            case ["OFF"]:
                told("OUTP OFF")
            case ["STATE"]:
                return "on\n" if told("OUTP?") == "1" else "off\n"
            case _:
                return "what\n"
        return "OK\n"

    return reply


def relays(told: Told) -> Reply:
    def reply(line: str) -> str:
        verb, name = line.split()
        channel = f"(@{name.removeprefix('K')})"
        if verb == "CLOSE":
            told(f"ROUT:CLOS {channel}")
            return "OK\n"
        return "yes\n" if told(f"ROUT:CLOS? {channel}") == "1" else "no\n"

    return reply


def supply(told: Told) -> Reply:
    def reply(line: str) -> str:
        line = re.sub(r"^VOLT ", "SOUR:VOLT:LEV ", line)
        return scpi(told)(re.sub(r"^CURR ", "SOUR:CURR:PROT ", line))

    return reply


def older(told: Told) -> Reply:
    return lambda line: "" if line == "SYST:REM" else scpi(told)(line)


def voltmeter_with_registers(told: Told) -> Device:
    def written(table: str, address: int, words: list[int]) -> None:
        assert (table, address) == ("holding", 0)
        told(f"CONF:VOLT:DC {10 ** (words[0] - 1)}")

    return Device(reads=lambda: volts(told), written=written)


def source_with_registers(told: Told) -> Device:
    """Be a source that counts in nanoampere and millivolt."""

    def written(table: str, address: int, words: list[int]) -> None:
        match table, address:
            case "coil", 0:
                told(f"OUTP {'ON' if words[0] else 'OFF'}")
            case "holding", 0:
                low, high = words
                level = int.from_bytes(struct.pack(">2H", high, low), signed=True)
                told(f"SOUR:CURR:LEV {level * 1e-9:.9g}")
            case "holding", 2:
                told(f"SOUR:VOLT:PROT {words[0] / 1000}")

    return Device(coil=lambda: told("OUTP?") == "1", written=written)


BUS = Adapter()
NO_PARITY = (('parity = "even"\n', ""),)
NO_PINS = (
    ('parity = "even"\ndata_bits = 7\nstop_bits = 2\n', ""),
    ('flow_control = "hardware DTR/DSR"', ""),
    ("silence_s = 0.05", "silence_s = 0.002"),
)
"""A pty has neither parity nor lines; how they are set is seen elsewhere."""
SOON = (("opening_pause_s = 2.0", "opening_pause_s = 0.05"),)
HANDHELD = (("data_bits = 7\nstop_bits = 2\npower_from_line = true", ""),)

CLASSES: dict[str, tuple[As, ...]] = {
    "SCPI over sockets": (),
    "handheld that is asked": (
        As("output", "line_voltmeter", lambda t: over_serial(asked_handheld(t), "\r")),
    ),
    "handheld that only talks": (As("output", "talking_voltmeter", talking_handheld),),
    "handheld that sends frames of bytes": (
        As("output", "framed_voltmeter", framing_handheld),
    ),
    "older SCPI meter on RS-232": (
        As("output", "serial_voltmeter", lambda t: over_serial(older(t)), NO_PINS),
    ),
    "meter that acknowledges and then sends": (
        As(
            "output",
            "answering_voltmeter",
            lambda t: over_serial(acknowledging(t), "\r"),
        ),
    ),
    "board with a converter and a banner": (
        As(
            "source",
            "board_current_source",
            lambda t: over_serial(board(t), banner="board 7 starts\r\nready\n"),
            SOON,
        ),
    ),
    "board that takes one connection": (
        As(
            "source",
            "board_current_source",
            lambda t: over_socket(board(t), one_only=True),
            SOON,
        ),
    ),
    "relays with names": (
        As("selector", "board_switch", lambda t: over_serial(relays(t)), SOON),
    ),
    "bench supply through a resistor": (
        As(
            "source",
            "bench_supply",
            lambda t: over_socket(supply(t)),
            (("silence_s = 0.02", "silence_s = 0.002"),),
            "\n[series_resistor]\nohm = { 1uA = 1e4, 10uA = 1e4, 100uA = 1e4, "
            "1mA = 1e4 }\n",
        ),
    ),
    "LAN meter and a handheld that a person reads": (As("output", "typed"),),
    "two handhelds that a person reads": (
        As("reference", "typed"),
        As("output", "typed"),
    ),
    "two meters behind one adapter": (
        As(
            "output",
            "adapter_voltmeter",
            BUS.to("16"),
            addressee="16",
        ),
        As(
            "reference",
            "adapter_voltmeter",
            BUS.to("7"),
            (('kind = "volt', 'kind = "am'), ("CONF:VOLT", "CONF:CURR")),
            named="adapter_ammeter",
            addressee="7",
        ),
    ),
    "meter with registers on a socket": (
        As(
            "output",
            "register_voltmeter",
            lambda t: registers_over_tcp(d3=voltmeter_with_registers(t)),
            addressee="3",
        ),
    ),
    "source with registers on a serial line": (
        As(
            "source",
            "register_current_source",
            lambda t: registers_over_serial(d1=source_with_registers(t)),
            NO_PARITY,
        ),
    ),
    "VXI-11 and HiSLIP meters": (
        As(
            "output",
            "scpi_voltmeter",
            lambda t: vxi11_instrument(lambda line: t(line) or None),
        ),
        As(
            "reference",
            "scpi_ammeter",
            lambda t: hislip_instrument(lambda line: t(line) or None),
        ),
    ),
}


CLASSES["source and both meters on GPIB through USB"] = (
    As("source", "scpi_current_source", lambda t: gpib_driver.BUS.at(5, scpi(t))),
    As("output", "scpi_voltmeter", lambda t: gpib_driver.BUS.at(16, scpi(t))),
    As("reference", "scpi_ammeter", lambda t: gpib_driver.BUS.at(22, scpi(t))),
)


def written(folder: Path, addresses: dict[str, str], how: tuple[As, ...]) -> Settings:
    """Write the files of a bench; return what they say."""
    for file in DEMO.glob("*.toml"):
        shutil.copy(file, folder)
    bench = folder / "bench.toml"
    text = bench.read_text(encoding="utf-8").replace("time_scale = 20.0", "")
    text = re.sub(r"\[ambient\]\n(?:.+\n)+", "", text)
    for role, address in addresses.items():
        swapped = next((one for one in how if one.role == role), None)
        table = re.search(rf"\[{role}\]\n(?:.+\n)+", text)
        assert table is not None
        new = re.sub(r'address = ".*"', f'address = "{address}"', table[0])
        if role == "source" or swapped is not None:
            name = "scpi_current_source"
            if swapped is not None:
                name = swapped.named or swapped.profile
            new = re.sub(r'profile = ".*"', f'profile = "{name}"', new)
        if swapped is not None and swapped.addressee:
            new = new.replace("profile", f'addressee = "{swapped.addressee}"\nprofile')
        text = text.replace(table[0], new)
    bench.write_text(text + "".join(one.more for one in how), encoding="utf-8")
    (folder / "profiles").mkdir()
    for one in how:
        if one.served is None:
            continue
        ours = DEMO.parent / "profiles" / f"{one.profile}.toml"
        text = ours.read_text(encoding="utf-8")
        for old, new in (*one.changes, *HANDHELD):
            text = text.replace(old, new)
        file = folder / "profiles" / f"{one.named or one.profile}.toml"
        file.write_text(text, encoding="utf-8")
    return load(folder)


@pytest.mark.parametrize("name", CLASSES)
def test_a_bench_of_each_class_judges_a_unit_from_files_alone(
    name: str, tmp_path: Path
) -> None:
    how = CLASSES[name]
    clock, lock, there = ScaledClock(), Lock(), Event()
    rig: Rig | None = None

    def instrument(role: str) -> Told:
        def told(line: str) -> str:
            there.wait(60.0)
            with lock:
                assert rig is not None
                answer = rig.links[role].instrument.handle(line) or ""
                took_s = rig.links[role].instrument.took_s
            if took_s:
                clock.wait_s(took_s)
            return answer

        return told

    def person(text: str, *, wants: str | None = None, **_: object) -> str:
        """Choose the range that is asked for, and read what the display shows."""
        asked = re.search(r"the (\w+) meter shows on its (.+) range", text)
        assert asked is not None
        told = instrument(asked[1])
        full_scale = parse(asked[2], Unit(str(wants)))
        told(f"CONF:{'VOLT' if wants == 'V' else 'CURR'}:DC {full_scale:g}")
        return f"{told('READ?')} {wants}"

    with ExitStack() as ends:
        if "GPIB" in name:
            ends.enter_context(gpib_driver.installed())
        addresses = {}
        for role in ("source", "reference", "output", "selector"):
            swapped = next((one for one in how if one.role == role), None)
            if swapped is not None and swapped.served is None:
                addresses[role] = BY_HAND
                continue
            served = over_socket(scpi(instrument(role)))
            if swapped is not None and swapped.served is not None:
                served = swapped.served(instrument(role))  # type: ignore[assignment]
            addresses[role] = ends.enter_context(served)
        settings = written(tmp_path, addresses, how)
        rig = Rig(settings, story(settings, 1, line=CLEAN), clock, nature=BenchNature())
        rig.mount("PA-1001")
        there.set()
        assert settings.bench is not None
        with Bench(
            settings.bench,
            settings.product,
            settings.plan.reading,
            profiles=settings.profiles,
            nominal_transfer=nominal_transfer(settings),
            connect=connect,
            clock=clock,
            guarded="one connection" in name,
            ask=person,
        ) as bench:
            (one,) = measure(bench, (KEY,), clock, stop=Event())
        assert not rig.state().source_on
    judge = Judge(
        ProductModel.of(settings.product), settings.bench, settings.plan.judging
    )
    result = judge.unit("run", one, {})
    true_ppm = (true_gain(rig, KEY) / nominal_transfer(settings)[KEY] - 1) * 1e6
    assert result.verdict is Verdict.CONFORMING
    assert result.error_ppm == pytest.approx(
        true_ppm, abs=2 * judge.error(one).error.uncertainty_ppm
    )


def test_on_gpib_silence_and_an_absent_instrument_are_said_in_a_sentence() -> None:
    how = load(DEMO).profiles["scpi_voltmeter"]

    def at(address: str) -> Connection:
        one = Instrument(address=address, profile="scpi_voltmeter", timeout_s=0.05)
        return connect("output", one, how)

    with gpib_driver.installed(), gpib_driver.BUS.at(9, lambda _: "") as address:
        with pytest.raises(NoAnswerError, match=r"output \(GPIB0::9::INSTR\)"):
            at(address)
        with pytest.raises(InstrumentError, match="GPIB0::10::INSTR"):
            at("GPIB0::10::INSTR")
    with pytest.raises(InstrumentError, match="need the VISA library of the adapter"):
        at(address)
