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
from threading import Event, Thread
from time import monotonic, sleep
from typing import TYPE_CHECKING, Any, Self

from daemon.bench.errors import GuardLostError

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
ANSWER_S = 0.25
PAUSE_S = 0.05

STDIN, STDOUT = 0, 1
READY = "ready"
ACTED = b"off"
SILENT = (
    f"the daemon gave no sign of life for {BOUND_S:g} s, because it was stopped or the "
    "machine too busy, and the safe-off guard turned the source off"
)

_left_trying: list[subprocess.Popen[bytes]] = []
"""Guards that still try to reach their source while the daemon goes on or ends."""

SOCKET_ADDRESS = re.compile(r"TCPIP\d*::([^:]+)::(\d+)::SOCKET", re.IGNORECASE)


class Orders:
    """Which output to turn off, and how: plain values, ready to be saved."""

    def __init__(self, values: dict[str, Any]) -> None:
        self.instrument: dict[str, Any] = values["instrument"]
        self.profile: dict[str, Any] = values["profile"]

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

    def save(self, file: Path) -> None:
        """Keep the orders for ``--off``."""
        file.touch(mode=0o600)
        file.write_text(self.as_line(), encoding="utf-8")

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
    ) -> None:
        self._busy = busy
        self._lost = lost
        self._due_s = inf
        self._beaten_s = 0.0
        self._late = False
        self._has_acted = False
        self._line, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "daemon.bench.guard", "--watch"],
                stdin=theirs.fileno(),
                stdout=theirs.fileno(),
                # A terminal's interrupt goes to its whole group and must not come here.
                start_new_session=True,
            )
        self._line.settimeout(START_S)
        self._ended = Event()
        self._beats = Thread(
            target=self._go_on_beating, name="guard beats", daemon=True
        )
        try:
            self._begin(orders)
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
        if self._ended.is_set() or self._process.poll() is not None:
            raise GuardLostError(reason="the safe-off guard is not running")
        self._listen()
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

    def _begin(self, orders: Orders) -> None:
        try:
            self._line.sendall(orders.as_line().encode())
            self._beats.start()
            heard = self._line.recv(1024).decode(errors="replace")
        except OSError as exc:
            heard = str(exc)
        if not heard.startswith(READY):
            raise GuardLostError(
                reason=f"the safe-off guard cannot reach the source ({heard})"
            )

    def _beat(self) -> None:
        self._line.sendall(b".")
        self._beaten_s = monotonic()

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
        """Take note of what the guard said since."""
        with suppress(OSError, ValueError):  # gone or closed
            while select([self._line], [], [], 0)[0] and (
                heard := self._line.recv(1024)
            ):
                self._has_acted = self._has_acted or ACTED in heard

    def _tell_lost(self) -> None:
        """Say why the guard is gone and whether it turned the source off."""
        why = "the measurement hangs" if self._late else "the safe-off guard ended"
        try:
            off = self._process.wait(2 * (BOUND_S + ANSWER_S)) == 0
        except subprocess.TimeoutExpired:
            off = False
        said = "the source was turned off" if off else TAKE_AS_LIVE
        if self._lost is not None:
            self._lost(f"{why}: {said}")


TAKE_AS_LIVE = (
    "take the source's output as live: switch it off at the instrument and disconnect "
    "it"
)


def turn_off(orders: Orders, patience_s: float) -> str | None:
    """Turn the output off, again and again until it reads back as off.

    Returns
    -------
    str or None
        Why it could not be shown to be off within `patience_s`, or None.
    """
    deadline_s = monotonic() + patience_s
    address = _socket_address(orders)
    while True:
        reason = _over_socket(orders, address) if address else _over_visa(orders)
        if reason is None or monotonic() > deadline_s:
            return reason
        sleep(PAUSE_S)


def _socket_address(orders: Orders) -> tuple[str, int] | None:
    match = SOCKET_ADDRESS.fullmatch(orders.instrument["address"])
    return (match[1], int(match[2])) if match else None


def _over_socket(orders: Orders, address: tuple[str, int]) -> str | None:
    """Turn the output off over a plain socket, which is there in a millisecond."""
    profile = orders.profile
    ending = profile["write_termination"]
    lines = [profile["output_off"] + ending]
    if profile["output"] is not None:
        lines.append(profile["output"] + ending)
    try:
        with socket.create_connection(address, timeout=ANSWER_S) as link:
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            link.sendall("".join(lines).encode("ascii"))
            if profile["output"] is None:
                return None
            return _not_off(_read_line(link, profile["read_termination"]))
    except OSError as exc:
        return str(exc)


def _read_line(link: socket.socket, termination: str) -> str:
    deadline_s = monotonic() + ANSWER_S
    answer = b""
    while not answer.endswith(termination.encode("ascii")) or not answer:
        link.settimeout(max(deadline_s - monotonic(), 0.001))
        more = link.recv(256)
        if not more:
            break
        answer += more
    return answer.decode("ascii", errors="replace").strip()


def _over_visa(orders: Orders) -> str | None:
    """Turn the output off over whatever line the address names."""
    from config import (  # noqa: PLC0415
        Instrument,
        Profile,
    )
    from daemon.bench.errors import InstrumentError  # noqa: PLC0415
    from daemon.bench.visa import connect  # noqa: PLC0415

    profile = Profile.model_validate_json(json.dumps(orders.profile))
    instrument = Instrument.model_validate_json(json.dumps(orders.instrument))
    try:
        line = connect("source", instrument, profile)
        try:
            line.write(str(profile.output_off))
            if profile.output is None:
                return None
            return _not_off(line.query(profile.output).strip())
        finally:
            line.close()
    except InstrumentError as exc:
        return str(exc)


def says_on(answer: str) -> bool | None:
    """Return whether a source that was asked for its output says on.

    SCPI-99 volume 1, 7.3 (from memory) has it answer 1 or 0; older ones say ON, OFF,
    or +0.

    Returns
    -------
    bool or None
        None for an answer that is neither.
    """
    return {"1": True, "ON": True, "0": False, "OFF": False}.get(
        answer.strip().upper().removeprefix("+")
    )


def _not_off(answer: str) -> str | None:
    if says_on(answer) is False:
        return None
    return f"asked for its output it says {answer!r}"


def _watch() -> str | None:
    """Wait for the heartbeats to end, then turn the source off; return why not."""
    orders = Orders(json.loads(_first_line()))
    # The source is off at this time, so this only proves that the way is open.
    reason = turn_off(orders, 0.0)
    with suppress(Exception):  # whatever ends the watch, the source goes off
        os.write(STDOUT, (reason or READY).encode())
        if reason is not None:
            return reason
        _watch_over(orders)
    return turn_off(orders, WATCH_PATIENCE_S)


def _watch_over(orders: Orders) -> None:
    """Turn the source off whenever the heartbeats pause; return once they have ended.

    Raises
    ------
    OSError
        Nobody listens any more.
    """
    is_off = False
    while True:
        if select([STDIN], [], [], None if is_off else BOUND_S)[0]:
            if not os.read(STDIN, 4096):
                return
            is_off = False
            continue
        # Said before too: a daemon that goes on in between turns nothing on unawares.
        os.write(STDOUT, ACTED)
        if turn_off(orders, WATCH_PATIENCE_S) is not None:
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
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
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
