"""Lines to instruments that have registers: the only file that imports pymodbus.

A command says which register (`config.registers`); the library makes frames of it. It
is loaded only where a profile asks for it.
"""

import re
import struct
from math import isfinite
from time import monotonic, sleep
from typing import Any

import serial
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU

from config import Access, Instrument, Profile, access_of
from daemon.bench.common_line import Common

__all__ = ["Registers"]

SOCKET_ADDRESS = re.compile(r"TCPIP\d*::([^:]+)::(\d+)::SOCKET", re.IGNORECASE)
SERIAL_ADDRESS = re.compile(r"ASRL(.+)::INSTR", re.IGNORECASE)
DIGITS = {"float32": 9, "float64": 17}
"""Significant digits that say the number as it is held."""
BIT = {"0": False, "1": True}
PARITY = {"none": "N", "even": "E", "odd": "O"}
NOT_THERE = (1, 2, 3)
"""Exception codes of a function, address or number of registers that it does not have
(Modbus Application Protocol 1.1b3, 7)."""
NO_ANSWER = "No response"
"""How the library says it, of all that may go wrong."""


class _Bus:
    """The library's client, as a line that several devices share."""

    def __init__(self, instrument: Instrument, profile: Profile) -> None:
        self.client = _client(instrument, profile)
        if not self.client.connect():
            message = "cannot be opened"
            raise ConnectionError(message)

    def drain(self, within_s: float) -> None:
        """Throw away whatever comes within this time."""
        until_s = monotonic() + within_s
        while (left_s := until_s - monotonic()) > 0:
            sleep(min(left_s, 0.05))
            if isinstance(self.client.socket, serial.Serial):
                self.client.socket.reset_input_buffer()

    def close(self) -> None:
        """Let go of it."""
        self.client.close()  # type: ignore[no-untyped-call]


def _client(
    instrument: Instrument, profile: Profile
) -> ModbusTcpClient | ModbusSerialClient:
    """Return the library's client for an address; a serial port is opened here.

    Raises
    ------
    OSError
        It cannot be opened, or is no line for registers.
    """
    address, timeout_s = instrument.address, instrument.timeout_s
    if socket := SOCKET_ADDRESS.fullmatch(address):
        return ModbusTcpClient(
            socket[1], port=int(socket[2]), timeout=timeout_s, retries=0
        )
    found = SERIAL_ADDRESS.fullmatch(address)
    if found is None:
        message = "registers are reached over a plain socket or a serial port alone"
        raise ConnectionError(message)
    line = profile.serial
    name = f"COM{found[1]}" if found[1].isdecimal() else found[1]
    client = ModbusSerialClient(
        name,
        baudrate=line.baud,
        bytesize=line.data_bits,
        parity=PARITY[line.parity],
        stopbits=line.stop_bits,
        timeout=timeout_s,
        retries=0,
    )
    # The library would lock the port, and keep the safe-off guard out.
    client.socket = serial.Serial(
        name,
        baudrate=line.baud,
        bytesize=line.data_bits,
        parity=PARITY[line.parity],
        stopbits=line.stop_bits,
        timeout=timeout_s,
        write_timeout=timeout_s,
    )
    client.socket.inter_byte_timeout = client.inter_byte_timeout
    return client


class Registers:
    """A bare line to the registers of one device.

    Parameters
    ----------
    instrument, profile
        Where it is, and which number it has; the profile says Modbus.
    """

    def __init__(self, instrument: Instrument, profile: Profile) -> None:
        how = profile.modbus
        if how is None:
            message = "the profile has no [modbus]"
            raise TypeError(message)
        self._address = instrument.address
        self.timeout_s = instrument.timeout_s
        number = instrument.addressee
        self._device = how.device if number is None else int(number)
        self._order: Any = "big" if how.word_order == "high first" else "little"
        self._common: Common[_Bus] | None = Common.at(
            self._address, lambda: _Bus(instrument, profile)
        )
        try:
            self.drain(0.0)  # so that a line that is not there is noticed at once
        except BaseException:
            self.close()
            raise

    def write(self, text: str) -> None:
        """Write a register or a bit."""
        access = access_of(text)
        client = ModbusTcpClient  # what converts is the same for every line
        if access.type is None:
            if access.value not in BIT:
                message = f"{text!r}: a bit is 0 or 1"
                raise ValueError(message)
            bit = BIT[str(access.value)]
            self._done(
                lambda one: one.write_coil(access.number, bit, device_id=self._device)
            )
            return
        value = float(access.value or "nan")
        if not isfinite(value) or (access.whole and value != int(value)):
            message = f"{text!r}: {access.value!r} is no number for a {access.type}"
            raise ValueError(message)
        try:
            words = client.convert_to_registers(
                int(value) if access.whole else value,
                self._kind(access),
                word_order=self._order,
            )
        except struct.error as exc:
            message = f"{text!r}: {access.value} does not fit into a {access.type}"
            raise ValueError(message) from exc
        # One register has a function of its own, and simple devices know no other.
        if len(words) == 1:
            self._done(
                lambda one: one.write_register(
                    access.number, words[0], device_id=self._device
                )
            )
            return
        self._done(
            lambda one: one.write_registers(
                access.number, words, device_id=self._device
            )
        )

    def query(self, text: str, lines: int = 1) -> str:
        """Read a register or a bit, and return it as text."""
        del lines
        access = access_of(text)
        if access.type is None:
            bits = self._done(lambda one: self._read(one, access, 1)).bits
            return str(int(bits[0]))
        kind = self._kind(access)
        count = kind.value[1]
        answer = self._done(lambda one: self._read(one, access, count))
        value = ModbusTcpClient.convert_from_registers(
            answer.registers, kind, word_order=self._order
        )
        if isinstance(value, float):
            return f"{value:.{DIGITS[access.type]}g}"
        return str(value)

    def words(self, table: str, first: int, count: int) -> tuple[int, ...] | None:
        """Return what so many registers hold; None where some are not there.

        Raises
        ------
        OSError
            Nothing answers in time (TimeoutError), or the line is gone.
        ValueError
            It cannot say now, what is answered is no answer, or a gateway answers.
        """
        access = Access(table, first, "uint16", None)
        answer = self._asked(lambda one: self._read(one, access, count))
        if getattr(answer, "exception_code", None) in NOT_THERE:
            return None
        found = tuple(self._granted(answer).registers)
        return found if len(found) == count else None

    def listen(self) -> str:
        """Refuse: registers are asked."""
        message = "registers give answers only, nothing unasked"
        raise ValueError(message)

    def drain(self, within_s: float) -> None:
        """Throw away whatever comes within this time."""
        with self._line().spoken(self.timeout_s) as bus:
            bus.drain(within_s)

    def close(self) -> None:
        """Let go of the line; a second time does nothing."""
        common, self._common = self._common, None
        if common is not None:
            common.let_go(self._address)

    def descriptor(self) -> None:
        """Return nothing: the guard has a line of its own."""

    def _line(self) -> Common[_Bus]:
        if self._common is None:
            message = "the line was let go of"
            raise ConnectionError(message)
        return self._common

    def _read(self, client: Any, access: Access, count: int) -> ModbusPDU:
        read = {
            "coil": client.read_coils,
            "discrete": client.read_discrete_inputs,
            "holding": client.read_holding_registers,
            "input": client.read_input_registers,
        }[access.table]
        answer: ModbusPDU = read(access.number, count=count, device_id=self._device)
        return answer

    def _done(self, call: Any) -> ModbusPDU:
        """Return the answer to a request.

        Raises
        ------
        TimeoutError
            None in time.
        OSError
            The line is gone.
        ValueError
            It is refused, or not one.
        """
        return self._granted(self._asked(call))

    def _granted(self, answer: ModbusPDU) -> ModbusPDU:
        """Return an answer that is no refusal."""
        if answer.isError():
            code = getattr(answer, "exception_code", "?")
            message = f"device {self._device} refuses: exception code {code}"
            raise ValueError(message)
        return answer

    def _asked(self, call: Any) -> ModbusPDU:
        """Return the answer to a request, a refusal too."""
        with self._line().spoken(self.timeout_s) as bus:
            try:
                answer: ModbusPDU = call(bus.client)
            except ConnectionException as exc:
                raise ConnectionError(exc.string) from exc
            except ModbusException as exc:
                if NO_ANSWER in str(exc):
                    message = f"no whole answer within {self.timeout_s:g} s"
                    raise TimeoutError(message) from exc
                raise ValueError(str(exc)) from exc
        return answer

    @staticmethod
    def _kind(access: Access) -> ModbusTcpClient.DATATYPE:
        return ModbusTcpClient.DATATYPE[str(access.type).upper()]
