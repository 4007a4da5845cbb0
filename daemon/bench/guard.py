"""Turns the source off when the daemon cannot: a process of its own.

``python -m daemon.bench.guard --watch`` is started by the daemon and reads orders and
then heartbeats from its standard input. When the heartbeats end, because the daemon
was killed, stopped or hangs, it turns the source off over a line of its own. Where
they go on later it watches on, and has said that it acted: silence while the source
was off anyway costs nothing, and a measurement that it cut short is not believed.
``python -m daemon.bench.guard --off FILE`` does that once, from orders saved
earlier: a service manager's stop step.

While the source is on, the heartbeats follow the measurement: they go on only as
long as it makes its steps in the time that each step may take. A thread that lives
while the measurement hangs keeps no source on. All of it goes by the monotonic
clock; setting the time of day changes nothing.

A source that takes one connection only is told over the daemon's own: the daemon hands
over what it has open, and the guard keeps it open when the daemon is gone.

It helps, and is no safety function: with a cable pulled, only the instrument's own
watchdog can turn the output off.
"""

import argparse
import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from math import inf
from pathlib import Path
from select import select
from threading import Event, Lock, Thread
from time import monotonic, sleep
from typing import TYPE_CHECKING, Any, Self

from config import write_whole
from daemon.bench.errors import GuardLostError
from daemon.bench.framing import Framing
from daemon.bench.plain import plainly

if TYPE_CHECKING:  # pydantic would double the time that the process needs to start
    from config import Instrument, Profile

__all__ = ["TAKE_AS_LIVE", "Guard", "Orders", "turn_off"]

BEAT_S = 0.1
BOUND_S = 0.6
"""Longest silence; with the switching itself the source is off within a second."""
START_S = 10.0
END_S = 2.0
FIRE_S = 2.0
WATCH_PATIENCE_S = 600.0
"""A cable that was pulled may be put back; then the source is to go off."""
OFF_PATIENCE_S = 10.0
PAUSE_S = 0.05
QUIET_S = 0.02
"""What is still on its way to the daemon has come within this."""

STDIN, STDOUT = 0, 1
READY = "ready"
ACTED = b"off"
BEAT, HANDED = b".", b"h"
SILENT = (
    f"the daemon gave no sign of life for {BOUND_S:g} s, because it was stopped or the "
    "machine too busy, and the safe-off guard turned the source off"
)

COMMAND = (sys.executable, "-P", "-m", "daemon.bench.guard", "--watch")
"""What the daemon starts."""

_left_trying: list[subprocess.Popen[bytes]] = []
"""Guards that still try to reach their source while the daemon goes on or ends."""

PLAIN_SPEECH: dict[str, Any] = {
    "acknowledge": None,
    "echo": False,
    "prompt": None,
    "opening_pause_s": 0.0,
    "one_connection": False,
    "exchange": {},
    "adapter": None,
    "modbus": None,
}

SOCKET_ADDRESS = re.compile(r"TCPIP\d*::([^:]+)::(\d+)::SOCKET", re.IGNORECASE)


class Orders:
    """Which output to turn off, and how: plain values, ready to be saved."""

    def __init__(self, values: dict[str, Any]) -> None:
        self.instrument: dict[str, Any] = values["instrument"]
        # Saved orders may be of an earlier version.
        self.profile: dict[str, Any] = {**PLAIN_SPEECH, **values["profile"]}

    @classmethod
    def of(cls, instrument: "Instrument", profile: "Profile") -> Self:
        """Return the orders for a source."""
        return cls(
            {
                "instrument": instrument.model_dump(mode="json"),
                "profile": profile.model_dump(mode="json"),
            }
        )

    @classmethod
    def load(cls, file: Path) -> Self:
        """Read orders that `save` wrote."""
        return cls(json.loads(file.read_text(encoding="utf-8")))

    @property
    def longest_s(self) -> float:
        """How long one attempt to turn the output off may take, when it works."""
        timeout_s: float = self.instrument["timeout_s"]
        silence_s: float = self.profile["silence_s"]
        pause_s: float = self.profile["opening_pause_s"]
        # The command and the question; an adapter answers before each of them too.
        answers = 2 if self.profile["adapter"] is None else 4
        return answers * timeout_s + 4 * silence_s + pause_s

    @property
    def framing(self) -> Framing:
        """How the source ends its lines."""
        return Framing(
            self.profile["read_termination"].encode("ascii"),
            self.profile["echo"],
            (self.profile["prompt"] or "").encode("ascii"),
        )

    def more(self, command: str) -> dict[str, Any]:
        """Return what more belongs to a command."""
        found: dict[str, Any] = self.profile["exchange"].get(command, {})
        return found

    def save(self, file: Path) -> None:
        """Keep the orders for ``--off``."""
        write_whole(file, self.as_line())

    def as_line(self) -> str:
        """Return the orders as one line."""
        values = {"instrument": self.instrument, "profile": self.profile}
        return json.dumps(values) + "\n"


class Guard:
    """The daemon's end: keeps the process alive and its heartbeats going.

    Parameters
    ----------
    orders : Orders
        Which output to turn off.
    busy : Callable
        Whether the source is on, so that the measurement must make its steps.
    lost : Callable, optional
        Told once, from a thread of its own, when the guard acted or ended while it
        was needed: a sentence for a person.
    shared : int, optional
        Descriptor of the daemon's own line, for a source that takes no other.

    Raises
    ------
    GuardLostError
        The process cannot reach the source over a line of its own.
    """

    def __init__(
        self,
        orders: Orders,
        *,
        busy: Callable[[], bool] = lambda: False,
        lost: Callable[[str], None] | None = None,
        shared: int | None = None,
    ) -> None:
        self._busy = busy
        self._lost = lost
        self._longest_s = orders.longest_s
        self._sending = Lock()
        self._due_s = inf
        self._beaten_s = 0.0
        self._late = False
        self._has_acted = False
        self._is_acting = False
        self._is_gone = False
        if not hasattr(socket, "send_fds"):
            raise GuardLostError(reason=NO_GUARD)
        self._line, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(  # noqa: S603 -- our own program
                COMMAND,
                stdin=theirs.fileno(),
                stdout=theirs.fileno(),
                # A terminal's interrupt goes to its whole group and must not come here.
                start_new_session=True,
            )
        self._line.settimeout(START_S + self._longest_s)
        self._ended = Event()
        self._beats = Thread(
            target=self._go_on_beating, name="guard beats", daemon=True
        )
        try:
            self._begin(orders, shared)
        except BaseException:
            self.close()
            raise

    @property
    def pid(self) -> int:
        """The process's number."""
        return self._process.pid

    def check(self) -> None:
        """Raise unless the guard is there and has left the source to the measurement.

        Raises
        ------
        GuardLostError
            It is gone, or turned the source off since `forget`.
        """
        self._listen()
        # Its end of the line says so. Asked how it ended, the system tells one of two
        # threads only: `_tell_lost` may just be asking.
        if self._ended.is_set() or self._is_gone:
            raise GuardLostError(reason="the safe-off guard is not running")
        if self._has_acted:
            raise GuardLostError(reason=SILENT)

    def forget(self) -> None:
        """Forget what the guard did while the source was off anyway.

        Comes before the source is turned on. Its beat makes the guard watch again, so
        that a daemon which stops right after it keeps no source on.
        """
        self._listen()
        self._has_acted = False
        with suppress(OSError):  # gone: `check` says so
            self._beat()

    def let_finish(self) -> None:
        """Wait while the guard turns the source off, where both speak over one line.

        Two who ask over one line read each other's answers.
        """
        deadline_s = monotonic() + END_S + self._longest_s
        self._listen()
        with suppress(OSError, ValueError):  # gone or closed
            while self._is_acting and (left_s := deadline_s - monotonic()) > 0:
                select([self._line], [], [], left_s)
                self._listen()

    def step(self, within_s: float) -> None:
        """Note that the measurement goes on, and how long its next step may take.

        Parameters
        ----------
        within_s : float
            Seconds of the machine's own clock, never scaled: what is watched over
            is this process.
        """
        now_s = monotonic()
        self._due_s = now_s + within_s
        # Whoever measures holds the interpreter more often than any other thread, so
        # that its own beats come through where the beating thread must wait.
        if now_s - self._beaten_s > BEAT_S:
            with suppress(OSError, ValueError):  # gone or closed: `check` says so
                if select([], [self._line], [], 0)[1]:
                    self._beat()

    def hand_over(self, shared: int) -> None:
        """Let the guard speak over this line of the daemon's from now on."""
        with suppress(OSError, ValueError):  # gone or closed: `check` says so
            self._send(HANDED, shared)

    def fire(self) -> bool:
        """Have the guard turn the source off now; return whether it is off.

        The guard ends with it.
        """
        self._ended.set()
        self._line.close()
        try:
            return self._process.wait(FIRE_S) == 0
        except subprocess.TimeoutExpired:
            return False

    def close(self) -> None:
        """End the heartbeats; the guard turns the source off once more and ends.

        One that cannot reach the source is left to try on its own.
        """
        self._ended.set()
        if self._beats.is_alive():
            self._beats.join()
        self._line.close()
        try:
            self._process.wait(END_S)
        except subprocess.TimeoutExpired:
            _left_trying.append(self._process)

    def _begin(self, orders: Orders, shared: int | None) -> None:
        if shared is None and orders.profile["one_connection"]:
            raise GuardLostError(
                reason="the source takes one connection only, and the safe-off guard "
                "can share only a plain socket or a serial port"
            )
        try:
            self._line.sendall(orders.as_line().encode())
            if shared is not None:
                self._send(HANDED, shared)
            self._beats.start()
            heard = self._line.recv(1024).decode(errors="replace")
        except OSError as exc:
            heard = plainly(exc)
        if not heard.startswith(READY):
            raise GuardLostError(
                reason=f"the safe-off guard cannot reach the source ({heard})"
            )

    def _beat(self) -> None:
        self._send(BEAT)
        self._beaten_s = monotonic()

    def _send(self, what: bytes, *descriptors: int) -> None:
        with self._sending:
            if descriptors:
                socket.send_fds(self._line, [what], descriptors)
            else:
                self._line.sendall(what)

    def _go_on_beating(self) -> None:
        try:
            while not self._ended.wait(BEAT_S):
                self._late = self._busy() and monotonic() > self._due_s
                if self._late:
                    self._line.shutdown(socket.SHUT_WR)
                    break
                self._beat()
        except OSError:  # the guard is gone
            pass
        if not self._ended.is_set():
            self._tell_lost()

    def _listen(self) -> None:
        """Take note of what the guard said since, and whether it is there."""
        with suppress(OSError, ValueError):  # closed
            while select([self._line], [], [], 0)[0]:
                try:
                    heard = self._line.recv(1024)
                except ConnectionError:  # it ended before it had read all
                    heard = b""
                if not heard:
                    self._is_gone = True
                    self._is_acting = False
                    break
                self._has_acted = self._has_acted or ACTED in heard
                # It is said before and after.
                self._is_acting ^= heard.count(ACTED) % 2 == 1

    def _tell_lost(self) -> None:
        """Say why the guard is gone and whether it turned the source off."""
        why = "the measurement hangs" if self._late else "the safe-off guard ended"
        try:
            off = self._process.wait(2 * BOUND_S + self._longest_s) == 0
        except subprocess.TimeoutExpired:
            off = False
        said = "the source was turned off" if off else TAKE_AS_LIVE
        if self._lost is not None:
            self._lost(f"{why}: {said}")


NO_GUARD = (
    "on this system no process can be handed a line to watch over the source; measure "
    "with a bench on Linux or macOS, and type or import readings here"
)
TAKE_AS_LIVE = (
    "take the source's output as live: switch it off at the instrument and disconnect "
    "it"
)


def turn_off(
    orders: Orders, patience_s: float, *, meanwhile: Callable[[], object] = lambda: None
) -> str | None:
    """Turn the output off, again and again until it reads back as off.

    Parameters
    ----------
    meanwhile : Callable
        Called between two attempts.

    Returns
    -------
    str or None
        Why it could not be shown to be off within `patience_s`, or None.
    """
    deadline_s = monotonic() + patience_s
    address = _socket_address(orders)
    while True:
        reason = _over_shared(orders)
        if reason is not None:
            reason = _over_socket(orders, address) if address else _over_visa(orders)
        if reason is None or monotonic() > deadline_s:
            return reason
        meanwhile()
        sleep(PAUSE_S)


_shared: list[int] = []
"""The daemon's own line to the source, where it was handed over."""


def _socket_address(orders: Orders) -> tuple[str, int] | None:
    if orders.profile["modbus"]:  # whose frames a library makes
        return None
    match = SOCKET_ADDRESS.fullmatch(orders.instrument["address"])
    return (match[1], int(match[2])) if match else None


def _over_shared(orders: Orders) -> str | None:
    """Turn the output off over the daemon's own line; it is let go of when it fails."""
    if not _shared:
        return "no line was handed over"
    line = _shared[-1]
    try:
        while select([line], [], [], QUIET_S)[0] and os.read(line, 4096):
            pass  # what was asked for by the daemon
        return _off_over(line, orders)
    except OSError as exc:
        with suppress(OSError):
            os.close(_shared.pop())
        return plainly(exc)


def _over_socket(orders: Orders, address: tuple[str, int]) -> str | None:
    """Turn the output off over a plain socket, which is there in a millisecond."""
    timeout_s = orders.instrument["timeout_s"]
    try:
        with socket.create_connection(address, timeout=timeout_s) as link:
            link.setblocking(True)
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if pause_s := orders.profile["opening_pause_s"]:
                sleep(pause_s)
                while select([link], [], [], 0)[0] and link.recv(4096):
                    pass
            return _off_over(link.fileno(), orders)
    except TimeoutError:
        return f"it takes no connection within {timeout_s:g} s"
    except OSError as exc:
        return f"it cannot be connected to: {plainly(exc)}"


def _off_over(line: int, orders: Orders) -> str | None:
    """Turn the output off over an open line, and ask whether it is.

    Whatever it answers to the command, it is asked; only that answer counts.

    Raises
    ------
    OSError
        The line is gone.
    """
    profile = orders.profile
    more = orders.more("output_off")
    # What goes before and after a command is acknowledged at most; only the command
    # itself has the answer that the profile says.
    beside = 1 if profile["acknowledge"] else 0
    answered = profile["acknowledge"] or more.get("expect")
    why = ""
    for text, lines in (
        *((one, beside) for one in more.get("before", ())),
        (profile["output_off"], more.get("lines", 1) if answered else 0),
        *((one, beside) for one in more.get("after", ())),
    ):
        try:
            _said(line, orders, text, lines)
        except ValueError as exc:
            why = str(exc)
        sleep(profile["silence_s"])
    query = profile["output"]
    if query is None:
        return why or None
    asked = orders.more("output")
    try:
        for text in asked.get("before", ()):
            _said(line, orders, text, beside)
            sleep(profile["silence_s"])
        answer = _said(line, orders, query, asked.get("lines", 1))
    except ValueError as exc:
        return str(exc)
    said = says_on(answer, yes=asked.get("yes"), no=asked.get("no"))
    return None if said is False else f"asked for its output it says {answer!r}"


def _said(line: int, orders: Orders, text: str, lines: int) -> str:
    """Send one line and return what is answered to it, through an adapter if need be.

    Raises
    ------
    ValueError
        No answer in time, or not one.
    OSError
        The line is gone.
    """
    adapter = orders.profile["adapter"]
    if adapter is None:
        return _exchanged(line, orders, text, lines)
    choose = adapter["choose"].format(addressee=orders.instrument["addressee"])
    _exchanged(line, orders, choose, 1 if adapter["acknowledge"] else 0)
    if adapter["fetch"] is None or not lines:
        return _exchanged(line, orders, text, lines)
    _exchanged(line, orders, text, 0)
    return _exchanged(line, orders, adapter["fetch"], lines)


def _exchanged(line: int, orders: Orders, text: str, lines: int) -> str:
    """Send one line and return what is answered to it.

    Raises
    ------
    ValueError
        No answer in time, or not one.
    OSError
        The line is gone.
    """
    framing = orders.framing
    os.write(line, (text + orders.profile["write_termination"]).encode("ascii"))
    if not framing.speaks(lines):
        return ""
    timeout_s = orders.instrument["timeout_s"]
    deadline_s = monotonic() + timeout_s
    heard = b""
    while not framing.is_whole(heard, lines):
        left_s = deadline_s - monotonic()
        if left_s <= 0 or not select([line], [], [], left_s)[0]:
            message = f"no whole answer to {text!r} within {timeout_s:g} s"
            raise ValueError(message)
        come = os.read(line, 4096)
        if not come:
            message = f"it closed the line after {text!r}"
            raise ConnectionError(message)
        heard += come
    answer = framing.answer(heard, text.encode("ascii"), lines)
    return answer.decode("ascii", errors="replace").strip()


def _over_visa(orders: Orders) -> str | None:
    """Turn the output off over whatever line the address names."""
    from config import (  # noqa: PLC0415
        Instrument,
        Profile,
    )
    from daemon.bench.clock import ScaledClock  # noqa: PLC0415
    from daemon.bench.driver import Binding  # noqa: PLC0415
    from daemon.bench.errors import InstrumentError  # noqa: PLC0415
    from daemon.bench.retry import NEVER  # noqa: PLC0415
    from daemon.bench.source import Source  # noqa: PLC0415
    from daemon.bench.visa import connect  # noqa: PLC0415

    def nothing() -> None:
        """Never turn it on, and watch nothing."""

    # The output itself is asked for; that the command is done says less.
    plain = {**orders.profile, "complete": None}
    try:
        source = Source(
            Binding(
                role="source",
                instrument=Instrument.model_validate_json(
                    json.dumps(orders.instrument)
                ),
                profile=Profile.model_validate_json(json.dumps(plain)),
                connect=connect,
                clock=ScaledClock(),
                retry=NEVER,
            ),
            limit=0.0,
            permit=nothing,
            step=nothing,
        )
        try:
            source.output_off()
        finally:
            source.close()
    except InstrumentError as exc:
        return exc.reason
    return None


def says_on(
    answer: str, *, yes: str | None = None, no: str | None = None
) -> bool | None:
    """Return whether an instrument that was asked says on, or yes.

    SCPI-99 volume 1, 7.3 (from memory) has it answer 1 or 0; older ones say ON, OFF,
    or +0.

    Parameters
    ----------
    yes, no : str, optional
        Patterns of whole answers, where it says otherwise.

    Returns
    -------
    bool or None
        None for an answer that is neither.
    """
    if yes is not None and no is not None:
        if re.fullmatch(yes, answer) is not None:
            return True
        return None if re.fullmatch(no, answer) is None else False
    return {"1": True, "ON": True, "0": False, "OFF": False}.get(
        answer.strip().upper().removeprefix("+")
    )


def _watch() -> str | None:
    """Wait for the heartbeats to end, then turn the source off; return why not."""
    orders = Orders(json.loads(_first_line()))
    heard = socket.socket(fileno=STDIN)
    if orders.profile["one_connection"]:
        _take(heard)
    # The source is off at this time, so this only proves that the way is open.
    reason = turn_off(orders, 0.0)
    with suppress(Exception):  # whatever ends the watch, the source goes off
        os.write(STDOUT, (reason or READY).encode())
        if reason is not None:
            return reason
        _watch_over(orders, heard)
    return turn_off(orders, WATCH_PATIENCE_S)


def _take(heard: socket.socket) -> bool:
    """Take what the daemon says; return whether it still says something."""
    said, descriptors, _, _ = socket.recv_fds(heard, 4096, 4)
    for one in descriptors:
        while _shared:
            os.close(_shared.pop())
        _shared.append(one)
    return bool(said)


def _watch_over(orders: Orders, heard: socket.socket) -> None:
    """Turn the source off whenever the heartbeats pause; return once they have ended.

    Raises
    ------
    OSError
        Nobody listens any more.
    """

    def handed() -> None:
        """Take a new line of a daemon that lives on, which it says between beats."""
        if select([STDIN], [], [], 0)[0]:
            _take(heard)

    is_off = False
    while True:
        if select([STDIN], [], [], None if is_off else BOUND_S)[0]:
            if not _take(heard):
                return
            is_off = False
            continue
        # Said before too: a daemon that goes on in between turns nothing on unawares.
        os.write(STDOUT, ACTED)
        if turn_off(orders, WATCH_PATIENCE_S, meanwhile=handed) is not None:
            return
        os.write(STDOUT, ACTED)
        is_off = True


def _first_line() -> bytes:
    """Read the orders and not a heartbeat more, so that `select` sees the rest."""
    line = b""
    while not line.endswith(b"\n") and (piece := os.read(STDIN, 1)):
        line += piece
    return line


def main(arguments: list[str] | None = None) -> int:
    """Run as a process; return its exit code."""
    parser = argparse.ArgumentParser(description="Turn the source's output off.")
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--watch", action="store_true", help="when heartbeats end")
    which.add_argument("--off", type=Path, metavar="FILE", help="now")
    chosen = parser.parse_args(arguments)
    if chosen.watch:
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), signal.SIG_IGN)
        reason = _watch()
    else:
        reason = turn_off(Orders.load(chosen.off), OFF_PATIENCE_S)
    if reason is None:
        return 0
    with suppress(OSError):
        print(  # noqa: T201 - this is a command
            f"source ({reason}): {TAKE_AS_LIVE}",
            file=sys.stderr,
            flush=True,
        )
    return 1


if __name__ == "__main__":
    sys.exit(main())
