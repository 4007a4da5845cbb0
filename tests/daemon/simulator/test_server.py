"""The bench over real sockets, and its operator."""

import asyncio
import json
import socket
from collections.abc import Iterator
from typing import Any

import pytest

from config.model import Settings
from daemon.bench.clock import ScaledClock
from daemon.simulator.errors import PortInUseError
from daemon.simulator.rig import Rig
from daemon.simulator.scenario import Scenario, story
from daemon.simulator.server import FIXTURE, BenchServer
from tests.daemon.serving import Serving
from tests.daemon.simulator.benches import CLEAN, IDEAL

SCALE = 100.0
PATIENCE_S = 60.0
SOON_S = 0.1
"""Long enough for any answer that comes at all."""


class Line:
    """A plain socket that waits at most `SOON_S` unless told otherwise."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._buffer = b""

    def write(self, text: str) -> None:
        self._socket.sendall(text.encode() + b"\n")

    def read(self, within_s: float = PATIENCE_S) -> str | None:
        """Return a line; None if none comes; raise EOFError at the end."""
        self._socket.settimeout(within_s)
        while b"\n" not in self._buffer:
            try:
                more = self._socket.recv(4096)
            except TimeoutError:
                return None
            if not more:
                raise EOFError(self._buffer)
            self._buffer += more
        line, _, self._buffer = self._buffer.partition(b"\n")
        return line.decode("latin-1")

    def ask(self, text: str, within_s: float = PATIENCE_S) -> str:
        self.write(text)
        answer = self.read(within_s)
        assert answer is not None, f"{text} was not answered"
        return answer

    def ends(self) -> bytes:
        """Wait for the end of the connection; return what came before it."""
        try:
            while (line := self.read()) is not None:
                self._buffer = line.encode("latin-1") + self._buffer
        except EOFError as exc:
            return bytes(exc.args[0])
        except ConnectionResetError:
            return self._buffer
        raise AssertionError

    def close(self) -> None:
        self._socket.close()


class Served(Serving):
    """A bench server in a thread of its own, and lines to it."""

    def __init__(self, settings: Settings, told: Scenario) -> None:
        clock = ScaledClock(SCALE)
        super().__init__(Rig(settings, told, clock, nature=IDEAL), clock)
        self._lines: list[Line] = []
        self._hands = self.line(FIXTURE)

    def line(self, role: str) -> Line:
        line = Line(self.server.ports[role])
        self._lines.append(line)
        return line

    def order(self, **order: object) -> dict[str, Any]:
        answer = json.loads(self._hands.ask(json.dumps(order)))
        assert isinstance(answer, dict)
        return answer

    def drive(self) -> None:
        """Mount the check standard and let it put out about 0.9 V."""
        assert self.order(do="mount", serial="CS-1")["ok"]
        assert self.line("selector").ask("ROUT:CLOS (@4);*OPC?") == "1"
        line = "SOUR:VOLT:PROT 12;:SOUR:CURR 9e-4;:OUTP ON;*OPC?"
        assert self.line("source").ask(line) == "1"
        output = self.line("output")
        assert output.ask("CONF:VOLT:DC 1;*CLS;*OPC?") == "1"
        # 0.1 s of settling are 1 ms here, about what two answers take.
        before, now = 0.0, float(output.ask("READ?"))
        while abs(now - 0.9) > 0.01 or abs(now - before) > 1e-5:
            before, now = now, float(output.ask("READ?"))

    def close(self) -> None:
        for line in self._lines:
            line.close()
        super().close()


@pytest.fixture(scope="module")
def told(exact: Settings) -> Scenario:
    return story(exact, 5, units=4, line=CLEAN)


@pytest.fixture
def served(exact: Settings, told: Scenario) -> Iterator[Served]:
    made = Served(exact, told)
    try:
        yield made
    finally:
        made.close()


def near(answer: str | None, value: float) -> bool:
    return answer is not None and float(answer) == pytest.approx(value, rel=2e-3)


def test_each_role_listens_and_says_who_it_is(served: Served) -> None:
    assert set(served.server.addresses) == {
        "source",
        "reference",
        "output",
        "selector",
        "ambient",
    }
    for role, address in served.server.addresses.items():
        port = served.server.ports[role]
        assert address == f"TCPIP::127.0.0.1::{port}::SOCKET"
        assert role in served.line(role).ask("*IDN?")


def test_one_instrument_s_reading_depends_on_another_s_setting(served: Served) -> None:
    served.drive()
    assert near(served.line("output").ask("READ?"), 0.9)
    assert near(served.line("reference").ask("MEAS:CURR? 1e-3"), 9e-4)
    assert served.line("source").ask("OUTP OFF;OUTP?") == "0"
    assert served.line("reference").ask("READ?") == "+0.00000000E+00"


def test_lines_in_one_packet_are_carried_out_in_order(served: Served) -> None:
    line = served.line("source")
    line.write("SOUR:CURR 1e-6\nSOUR:CURR 2e-6\r\nSOUR:CURR?")
    assert near(line.read(), 2e-6)


def test_a_message_before_the_answer_was_read_interrupts_it(served: Served) -> None:
    line = served.line("output")
    # 100 power-line cycles are 2 s, 20 ms here.
    # Sent as one, since that is no time for whoever types between.
    line.write("VOLT:NPLC 100;:READ?\n*OPC?")
    assert line.read() == "1"
    assert line.ask("SYST:ERR?") == '-410,"Query INTERRUPTED"'
    assert line.read(SOON_S) is None


def test_a_reading_takes_its_power_line_cycles(served: Served) -> None:
    line = served.line("output")
    before_s = served.order(do="state")["now_s"]
    line.ask("VOLT:NPLC 100;:READ?")
    assert served.order(do="state")["now_s"] - before_s >= 2.0


def test_an_overlong_line_is_refused_and_the_line_goes_on(served: Served) -> None:
    line = served.line("output")
    line.write("*CLS;" + "X" * 20_000)
    assert line.ask("SYST:ERR?").startswith("-363")
    line.write("*CLS")
    assert line.ask("*IDN?").startswith("Holdpoint,")


def test_bytes_that_are_no_text_are_refused(served: Served) -> None:
    line = served.line("output")
    line._socket.sendall(b"\xff\xfe\x00\n")
    assert line.ask("SYST:ERR?").startswith("-101")


def test_a_line_without_its_end_is_not_carried_out(served: Served) -> None:
    line = served.line("source")
    line._socket.sendall(b"OUTP ON")
    line.close()
    assert served.line("source").ask("OUTP?") == "0"


def test_timeout(served: Served) -> None:
    served.drive()
    served.order(do="fault", role="output", kind="timeout")
    line = served.line("output")
    line.write("READ?")
    assert line.read(SOON_S) is None
    assert near(line.ask("READ?"), 0.9)


def test_late_answer(served: Served) -> None:
    """The answer that was given up comes in place of the next one."""
    served.drive()
    served.order(do="fault", role="output", kind="late answer", size=30.0)
    line = served.line("output")
    line.write("READ?")
    assert line.read(SOON_S) is None
    assert near(line.ask("*IDN?"), 0.9)
    assert line.ask("*OPC?").startswith("Holdpoint,")
    assert line.read() == "1"


def test_half_answer(served: Served) -> None:
    served.drive()
    served.order(do="fault", role="output", kind="half answer")
    line = served.line("output")
    line.write("READ?")
    assert line.read(SOON_S) is None
    answer = line.ask("*OPC?")
    assert answer.endswith("1")
    assert len(answer) == 8


def test_garbage(served: Served) -> None:
    served.order(do="fault", role="output", kind="garbage")
    assert not served.line("output").ask("READ?").isascii()


def test_disconnect_in_the_middle_of_an_answer(served: Served) -> None:
    served.drive()
    served.order(do="fault", role="output", kind="disconnect")
    line = served.line("output")
    line.write("READ?")
    assert line.ends().startswith(b"+")
    assert near(served.line("output").ask("READ?"), 0.9)


def test_closed_port(served: Served) -> None:
    served.drive()
    served.order(do="fault", role="output", kind="closed port")
    line, other = served.line("output"), served.line("output")
    line.write("READ?")
    assert line.ends() == other.ends() == b""
    with pytest.raises(ConnectionRefusedError):
        served.line("output")
    port = served.server.ports["output"]
    assert served.order(do="clear", role="output")["ok"]
    assert served.server.ports["output"] == port
    assert near(served.line("output").ask("READ?"), 0.9)


def test_power_cycle(served: Served) -> None:
    """Every line to the instrument breaks, its settings are lost, the output is off."""
    served.drive()
    served.order(do="fault", role="source", kind="power cycle")
    line, other = served.line("source"), served.line("source")
    assert served.order(do="state")["source_on"]
    line.write("OUTP?")
    assert line.ends() == other.ends() == b""
    assert not served.order(do="state")["source_on"]
    assert served.line("source").ask("SOUR:CURR?") == "+0.00000000E+00"


def test_wrong_identity(served: Served) -> None:
    served.order(do="fault", role="output", kind="wrong identity")
    assert "output" not in served.line("output").ask("*IDN?")


def test_overrange(served: Served) -> None:
    served.drive()
    served.order(do="fault", role="output", kind="overrange")
    line = served.line("output")
    assert float(line.ask("READ?")) == 9.9e37
    assert near(line.ask("READ?"), 0.9)


def test_frozen_value(served: Served) -> None:
    served.drive()
    line = served.line("output")
    before = line.ask("READ?")
    served.order(do="fault", role="output", kind="frozen value", times=None)
    served.order(do="remove")
    assert line.ask("READ?") == before
    served.order(do="clear")
    assert float(line.ask("READ?")) < 0.1


def test_drifting_range(served: Served) -> None:
    served.drive()
    line = served.line("output")
    served.order(do="fault", role="output", kind="drifting range", size=1000.0)
    # Each reading lasts at least 2 s.
    line.write("VOLT:NPLC 100")
    readings = [float(line.ask("READ?")) for _ in range(5)]
    assert readings == sorted(readings)
    assert (readings[-1] / readings[0] - 1) * 1e6 > 7000


def test_range_step(served: Served) -> None:
    served.drive()
    line = served.line("output")
    before = float(line.ask("READ?"))
    served.order(do="fault", role="output", kind="range step", size=5000.0)
    assert float(line.ask("READ?")) / before == pytest.approx(1.005, abs=1e-5)


def test_swapped_leads(served: Served) -> None:
    served.drive()
    served.order(do="fault", role="output", kind="swapped leads")
    assert near(served.line("output").ask("READ?"), -0.9)


def test_the_operator_sees_since_when_the_source_is_off(served: Served) -> None:
    served.drive()
    assert served.order(do="state")["source_off_since_s"] is None
    served.line("source").ask("OUTP OFF;*OPC?")
    state = served.order(do="state")
    assert not state["source_on"]
    shared_s = ScaledClock(SCALE).now_s()
    assert 0 <= state["now_s"] - state["source_off_since_s"] < 10 * SCALE
    assert state["now_s"] == pytest.approx(shared_s, abs=10 * SCALE)


def test_a_current_with_nowhere_to_go_is_seen_by_the_operator(served: Served) -> None:
    served.drive()
    state = served.order(do="remove")
    assert state["in_compliance"]
    assert state["source_v"] == 12.0


def test_the_operator_tells_the_scenario(served: Served, told: Scenario) -> None:
    answer = served.order(do="scenario")
    assert answer["builds"][2]["build"] == "B-3"
    assert told.truth is not None
    assert answer["truth"]["reel"] == told.truth.reel


@pytest.mark.parametrize(
    ("order", "word"),
    [
        ({"do": "mount", "serial": "PA-9"}, "serial 'PA-9'"),
        ({"do": "mount"}, "not an order"),
        ({"do": "mount", "serial": 1}, "not an order"),
        ({"do": "mount", "serial": "CS-1", "twice": True}, "not an order"),
        ({"do": "dance"}, "not an order"),
        ({"do": "turn", "range": "2mA"}, "range '2mA'"),
        ({"do": "fault", "role": "output", "kind": "gremlin"}, "fault 'gremlin'"),
        ({"do": "fault", "role": "meter", "kind": "timeout"}, "role 'meter'"),
        ({"do": "fault", "role": "source", "kind": "overrange"}, "it is no meter"),
        (
            {"do": "fault", "role": "output", "kind": "timeout", "times": 0},
            "not an order",
        ),
        (
            {"do": "fault", "role": "output", "kind": "timeout", "after": -1},
            "not an order",
        ),
        (
            {"do": "fault", "role": "output", "kind": "late answer", "size": True},
            "not an order",
        ),
        ({"do": "clear", "role": "meter"}, "role 'meter'"),
    ],
)
def test_a_senseless_order_is_answered_and_changes_nothing(
    order: dict[str, Any], word: str, served: Served
) -> None:
    before = served.order(do="mount", serial="CS-1")
    answer = served.order(**order)
    assert not answer["ok"]
    assert word in answer["error"]
    after = served.order(do="state")
    assert after["mounted"] == before["mounted"] == "CS-1"


@pytest.mark.parametrize("line", ["", "mount", "[1]", '{"do": NaN', "\u00fc"])
def test_a_line_that_is_no_order_is_answered(line: str, served: Served) -> None:
    answer = json.loads(served.line(FIXTURE).ask(line))
    assert not answer["ok"]


def test_a_taken_port_is_named_and_nothing_stays_open(
    served: Served, exact: Settings, told: Scenario
) -> None:
    taken = served.server.ports["output"]
    clock = ScaledClock(SCALE)
    other = BenchServer(Rig(exact, told, clock), clock)

    with pytest.raises(PortInUseError, match=rf"port {taken} for selector"):
        asyncio.run(other.start({"selector": taken}))
    with pytest.raises(ConnectionRefusedError):
        Line(other.ports["source"])
