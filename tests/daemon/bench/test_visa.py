"""A line to an instrument never returns a wrong value, whatever happens on it."""

import socket
import threading
from collections import Counter
from select import select
from time import monotonic
from types import SimpleNamespace

import numpy as np
import pytest

from config.model import Instrument
from config.profile import Kind, Profile
from daemon.bench.clock import ScaledClock
from daemon.bench.connection import Connection
from daemon.bench.driver import Binding, Meter, Window
from daemon.bench.errors import (
    AbsentError,
    BadAnswerError,
    ImplausibleError,
    InstrumentError,
    NoAnswerError,
    OverrangeError,
    WrongIdentityError,
)
from daemon.bench.retry import NEVER, Retry
from daemon.bench.visa import _SerialWire, _SocketWire, _VisaLine, connect
from tests.daemon.bench.faulty import Fault, FaultyServer, faulty_server

PROFILE = Profile(
    title="faulty meter", kind=Kind.VOLTMETER, identity="*IDN?", read="READ?"
)
SOON_S = 1.0
"""Of a line where no answer comes in time; any that comes at all comes within it."""
HASTY_S = 0.1
"""Of a line where each reading may fail, if only with an error."""
PATIENCE_S = 60.0
"""Of a line where every answer comes, however busy this machine is."""


def instrument(address: str, timeout_s: float) -> Instrument:
    return Instrument(address=address, profile="faulty", timeout_s=timeout_s)


def line(server: FaultyServer, timeout_s: float = PATIENCE_S) -> Connection:
    return connect("output", instrument(server.address, timeout_s), PROFILE)


def meter(
    server: FaultyServer, retry: Retry = NEVER, timeout_s: float = SOON_S
) -> Meter:
    return Meter(
        Binding(
            role="output",
            instrument=instrument(server.address, timeout_s),
            profile=PROFILE,
            connect=connect,
            clock=ScaledClock(),
            retry=retry,
        )
    )


def test_no_wrong_value_in_500_readings_with_a_tenth_faulty() -> None:
    """Each reading is right or an `InstrumentError`."""
    chance = np.random.default_rng(1)
    outcomes: Counter[str] = Counter()

    def next_fault() -> Fault | None:
        if chance.random() >= 0.1:
            return None
        fault = list(Fault)[chance.integers(len(Fault))]
        outcomes[fault.name] += 1
        return fault

    with faulty_server(late_s=1.5 * HASTY_S) as server:
        server.next_fault = next_fault
        reader = meter(server, timeout_s=HASTY_S)
        for index in range(500):
            expected = 1.0 + index / 400.0
            server.value = expected
            try:
                value = reader.read(Window(low=0.0, high=3.0))
            except InstrumentError as exc:
                outcomes[type(exc).__name__] += 1
            else:
                assert value == pytest.approx(expected, rel=1e-6)
                outcomes["right"] += 1
        reader.close()
    assert outcomes["right"] > 100  # of a busy machine some answers come too late
    assert sum(outcomes[fault.name] for fault in Fault) > 40
    assert min(outcomes[fault.name] for fault in Fault) > 0


def test_a_retry_reads_through_passing_faults() -> None:
    faults = iter([Fault.LATE, Fault.CLOSE, None] * 3)
    with faulty_server(late_s=1.5 * SOON_S) as server:
        server.value = 2.5
        server.next_fault = lambda: next(faults)
        reader = meter(server, Retry(attempts=3, pause_s=0.0))
        assert [reader.read() for _ in range(3)] == [2.5] * 3
        reader.close()


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        (Fault.SILENCE, NoAnswerError),
        (Fault.LATE, NoAnswerError),
        (Fault.LATE_TAIL, NoAnswerError),
        (Fault.TWICE, BadAnswerError),
        (Fault.GARBAGE, BadAnswerError),
        (Fault.NO_TEXT, BadAnswerError),
        (Fault.OVERRANGE, OverrangeError),
        (Fault.CLOSE, AbsentError),
        (Fault.CLOSE_HALF_WAY, AbsentError),
        (Fault.RESET, AbsentError),
    ],
)
def test_each_fault_has_its_own_error_and_the_next_reading_is_right(
    fault: Fault, error: type[InstrumentError]
) -> None:
    faults = iter([fault, None])
    awaited = error is not NoAnswerError
    with faulty_server(late_s=1.5 * SOON_S) as server:
        server.value = 1.25
        server.next_fault = lambda: next(faults)
        reader = meter(server, timeout_s=PATIENCE_S if awaited else SOON_S)
        with pytest.raises(error) as caught:
            reader.read()
        assert type(caught.value) is error
        assert caught.value.role == "output"
        assert caught.value.address == server.address
        assert caught.value.command == "READ?"
        server.value = 1.5
        assert reader.read() == 1.5
        reader.close()


def test_an_answer_kept_for_the_next_line_is_not_taken_for_an_identity() -> None:
    faults = iter([Fault.LATE_TO_NEXT_LINE, None])
    with faulty_server(late_s=1.5 * SOON_S) as server:
        server.next_fault = lambda: next(faults)
        server.value = 3.0
        reader = meter(server)
        with pytest.raises(NoAnswerError):
            reader.read()
        server.value = 4.0
        assert reader.read() == 4.0
        reader.close()


def test_another_instrument_after_a_reopening_is_refused() -> None:
    with faulty_server(late_s=1.5 * SOON_S) as server:
        one = line(server)
        server.next_fault = lambda: Fault.CLOSE
        with pytest.raises(AbsentError):
            one.query("READ?")
        server.other_answers = 100
        with pytest.raises(WrongIdentityError, match="another meter"):
            one.query("READ?")
        one.close()


def test_a_closed_port_is_absent_at_once() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        started_s = monotonic()
        with pytest.raises(AbsentError, match="check its power"):
            connect(
                "source",
                instrument(f"TCPIP::127.0.0.1::{port}::SOCKET", 2 * PATIENCE_S),
                PROFILE,
            )
        assert monotonic() - started_s < PATIENCE_S, "it waited for an answer"


@pytest.mark.parametrize("address", ["TCPIP::no such host::5::SOCKET", "nonsense"])
def test_an_address_that_cannot_be_opened_is_absent(address: str) -> None:
    with pytest.raises(AbsentError, match=r"bench\.toml"):
        connect("source", instrument(address, PATIENCE_S), PROFILE)


def wait_for_bytes(one: _VisaLine) -> bytes:
    assert isinstance(one._wire, _SocketWire)
    assert select([one._wire.link], [], [], PATIENCE_S)[0]
    return one._wire.link.recv(1, socket.MSG_PEEK)


def test_a_line_closed_meanwhile_is_told_before_anything_is_sent_on_it() -> None:
    """The instrument may have lost its settings: the caller must set them again."""
    with faulty_server(late_s=1.5 * SOON_S) as server:
        bare = _VisaLine(instrument(server.address, PATIENCE_S), PROFILE)
        bare.write("BYE")
        assert wait_for_bytes(bare) == b""
        with pytest.raises(ConnectionError, match="closed the line"):
            bare.query("READ?")
        bare.close()
        assert server.received == ["BYE"]


def test_nothing_is_sent_on_a_line_with_something_unread() -> None:
    with faulty_server(late_s=1.5 * SOON_S) as server:
        bare = _VisaLine(instrument(server.address, PATIENCE_S), PROFILE)
        bare.write("READ?")
        assert wait_for_bytes(bare)
        with pytest.raises(ValueError, match="came unasked"):
            bare.query("READ?")
        bare.close()
        assert server.received == ["READ?"]


class Pins:
    """A serial port whose other end raises DSR after so many looks."""

    def __init__(self, looks: float) -> None:
        self.looks = looks

    @property
    def dsr(self) -> bool:
        self.looks -= 1
        return self.looks < 0


class Silent(_SerialWire):
    """Such a port on which nothing comes."""

    def arrived(self, within_s: float) -> bytes:
        """Return nothing."""
        del within_s
        return b""


def with_pins(looks: float, flow_control: str) -> tuple[_VisaLine, list[bytes]]:
    """Return a line over such a port that answers nothing, and what it is sent."""
    port, sent = Pins(looks), list[bytes]()
    profile = Profile.model_validate(
        {
            "title": "source", "kind": "current source", "output_off": "OUTP OFF",
            "output_on": "OUTP ON", "set_level": "CURR {level}", "output": "OUTP?",
            "set_compliance": "VOLT {compliance}",
            "serial": {"flow_control": flow_control},
        }
    )  # fmt: skip
    one = _VisaLine.__new__(_VisaLine)
    wire = Silent(port, profile)
    parts = {
        "_wire": wire, "_profile": profile, "timeout_s": 0.05,
        "_resource": SimpleNamespace(write_raw=sent.append),
        "_answer": lambda *_: b"", "_frames": None,
    }  # fmt: skip
    for name, part in parts.items():
        setattr(one, name, part)
    return one, sent


def test_nothing_but_off_is_sent_while_dsr_says_that_it_is_not_ready() -> None:
    """The library sets the lines, and leaves it to whoever sends to look at them."""
    one, sent = with_pins(1e9, "hardware DTR/DSR")
    with pytest.raises(TimeoutError, match="did not raise its line DSR"):
        one._exchange("CURR 1e-3", 0)
    assert sent == []
    one._exchange("OUTP OFF", 0)
    assert sent == [b"OUTP OFF\n"]
    for looks, flow_control in ((3, "hardware DTR/DSR"), (1e9, "none")):
        one, sent = with_pins(looks, flow_control)
        one._exchange("CURR 1e-3", 0)
        assert sent == [b"CURR 1e-3\n"]


def test_two_threads_never_swap_answers() -> None:
    wrong: list[str] = []
    with faulty_server(late_s=1.5 * SOON_S) as server:
        one = line(server)

        def ask(text: str, expected: str) -> None:
            answers = [one.query(text) for _ in range(300)]
            wrong.extend(x for x in answers if not x.startswith(expected))

        server.value = 5.0
        threads = [
            threading.Thread(target=ask, args=("*IDN?", "Holdpoint")),
            threading.Thread(target=ask, args=("READ?", "+5.0")),
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        one.close()
    assert wrong == []


def test_a_command_and_a_query_in_a_row_are_not_held_back() -> None:
    """A kernel that gathers small pieces holds each back for some 40 ms."""
    with faulty_server(late_s=1.5 * SOON_S) as server:
        bare = _VisaLine(instrument(server.address, PATIENCE_S), PROFILE)
        assert isinstance(bare._wire, _SocketWire)
        assert bare._wire.link.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        bare.close()


def test_a_reading_outside_its_window_is_not_believed() -> None:
    with faulty_server(late_s=1.5 * SOON_S) as server:
        server.value = 3.1
        reader = meter(server)
        with pytest.raises(ImplausibleError, match=r"reads 3\.1, not from 0 to 3"):
            reader.read(Window(low=0.0, high=3.0))
        reader.close()
