"""Several instruments on one line: told apart, and no answer taken for another's."""

from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event

import pytest

from config.model import Instrument
from config.profile import Adapter, Kind, Profile
from config.registers import Modbus
from daemon.bench import visa
from daemon.bench.errors import AbsentError, BadAnswerError, NoAnswerError
from daemon.bench.guard import Orders, turn_off
from tests.daemon.bench.register_ends import Device, registers_over_tcp
from tests.daemon.bench.test_bench_classes import over_serial, over_socket

ADAPTER = Adapter(choose="TO {addressee}", fetch="FETCH")
METER = Profile(title="meter", kind=Kind.VOLTMETER, read="READ?", adapter=ADAPTER)
SOURCE = Profile(
    title="source",
    kind=Kind.CURRENT_SOURCE,
    set_level="LEVEL {level}",
    limit_in_circuit=True,
    output_on="ON",
    output_off="OFF",
    output="STATE?",
    adapter=ADAPTER,
)


class Bus:
    """An adapter, and what stands behind it: two meters and a source."""

    def __init__(self) -> None:
        self.chosen = ""
        self.said: list[str] = []
        self.on = True
        self.late: Event | None = None
        """Set, or the answer is not sent before it is."""
        self.heard: list[str] = []

    def reply(self, line: str) -> str:
        self.heard.append(line)
        match line.split():
            case ["TO", addressee]:
                self.chosen = addressee
            case ["READ?"]:
                self.said = [f"{self.chosen}.5"]
            case ["STATE?"]:
                self.said = [str(int(self.on))]
            case ["OFF"]:
                assert self.chosen == "9"
                self.on = False
            case ["FETCH"]:
                if self.late is not None:
                    self.late.wait(10.0)
                return f"{self.said.pop()}\n"
        return ""


def at(address: str, addressee: str) -> Instrument:
    return Instrument(
        address=address, profile="any", addressee=addressee, timeout_s=0.1
    )


@contextmanager
def bus() -> Iterator[tuple[Bus, str]]:
    """Serve a bus on a serial line, where two openings would hear each other."""
    one = Bus()
    with over_serial(one.reply) as address:
        yield one, address


def test_each_hears_its_own_answer_over_one_line() -> None:
    with bus() as (one, address):
        first = visa.connect("reference", at(address, "5"), METER)
        second = visa.connect("output", at(address, "6"), METER)
        assert [first.query("READ?"), second.query("READ?")] == ["5.5", "6.5"]
        first.close()
        assert second.query("READ?") == "6.5"
        second.close()
    assert one.heard[:3] == ["TO 5", "READ?", "FETCH"]


def test_a_late_answer_of_one_is_never_the_others() -> None:
    with bus() as (one, address):
        first = visa.connect("reference", at(address, "5"), METER)
        second = visa.connect("output", at(address, "6"), METER)
        one.late = Event()
        with pytest.raises(NoAnswerError):
            first.query("READ?")
        one.late.set()
        assert second.query("READ?") == "6.5"
        assert first.query("READ?") == "5.5"
        first.close()
        second.close()


def test_an_adapter_that_answers_otherwise_is_no_line() -> None:
    strict = ADAPTER.model_copy(update={"acknowledge": "READY"})
    profile = METER.model_copy(update={"adapter": strict})
    with over_socket(lambda line: "BUSY\n" if line.startswith("TO") else "") as address:
        line = visa.connect("output", at(address, "6"), profile)
        with pytest.raises(BadAnswerError, match="the adapter answered 'BUSY'"):
            line.query("READ?")
        line.close()


def test_the_guard_turns_off_a_source_behind_an_adapter() -> None:
    one = Bus()
    with over_socket(one.reply) as address:
        assert turn_off(Orders.of(at(address, "9"), SOURCE), 0.0) is None
    assert not one.on
    assert one.heard == ["TO 9", "OFF", "TO 9", "STATE?", "FETCH"]


def registers(**changes: object) -> Profile:
    plain = Profile(
        title="source",
        kind=Kind.CURRENT_SOURCE,
        set_level="holding 0 float32 {level}",
        limit_in_circuit=True,
        output_on="coil 0 1",
        output_off="coil 0 0",
        output="coil 0",
        modbus=Modbus(),
    )
    return plain.model_copy(update=changes)


def test_the_guard_turns_off_a_source_with_registers() -> None:
    on = [True]
    device = Device(
        coil=lambda: on[-1],
        written=lambda _table, _number, words: on.append(bool(words[0])),
    )
    with registers_over_tcp(d9=device) as address:
        assert turn_off(Orders.of(at(address, "9"), registers()), 0.0) is None
    assert not on[-1]


def test_a_device_that_is_not_there_is_said_with_the_library_s_own_code() -> None:
    with registers_over_tcp(d9=Device(reads=lambda: 0.25)) as address:
        line = visa.connect("output", at(address, "9"), registers(output_off=None))
        assert line.query("input 0 float32") == "0.25"
        with pytest.raises(BadAnswerError, match="device 9 refuses: exception code 2"):
            line.query("input 77 float32")
        assert line.query("input 0 float32") == "0.25"
        with pytest.raises(BadAnswerError, match="is no number for a uint16"):
            line.write("holding 0 uint16 0.5")
        with pytest.raises(BadAnswerError, match="does not fit into a uint16"):
            line.write("holding 0 uint16 70000")
        line.close()


def test_no_registers_are_looked_for_where_the_line_is_none_for_them() -> None:
    there = Instrument(address="TCPIP::127.0.0.1::hislip0::INSTR", profile="any")
    with pytest.raises(AbsentError, match="plain socket or a serial port alone"):
        visa.connect("output", there, registers(output_off=None))
