"""A source does not stay on when the daemon is killed or stopped."""

import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from select import select
from socketserver import StreamRequestHandler, ThreadingTCPServer
from time import monotonic, sleep

import pytest

from config.model import Instrument
from daemon.bench.errors import GuardLostError
from daemon.bench.guard import BEAT_S, BOUND_S, Guard, Orders, main
from tests.daemon.bench.fakes import PROFILES

WITHIN_S = 1.0
PATIENCE_S = 60.0
"""However busy this machine is: that something comes is the fact, not how soon."""
BEATS = 12
"""Heartbeats in more than the longest silence that a guard takes for life."""

DAEMON = """
import sys
from pathlib import Path
from socket import create_connection
from threading import Event
from daemon.bench.guard import Guard, Orders

orders = Orders.load(Path(sys.argv[1]))
guard = Guard(orders)
line = create_connection(("127.0.0.1", int(sys.argv[2])))
line.sendall(b"OUTP ON\\nOUTP?\\n")
print(line.recv(16).decode().strip(), guard.pid, flush=True)
Event().wait()
"""


class SourceServer(ThreadingTCPServer):
    """A source with nothing but an output."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self) -> None:
        self.on = False
        self.ignored_offs = 0
        self.off = threading.Event()
        super().__init__(("127.0.0.1", 0), SourceLine)

    @property
    def port(self) -> int:
        return int(self.server_address[1])

    @property
    def orders(self) -> Orders:
        instrument = Instrument(
            address=f"TCPIP::127.0.0.1::{self.port}::SOCKET", profile="source"
        )
        return Orders.of(instrument, PROFILES["source"])

    def handle_error(self, request: object, client_address: object) -> None:
        """Ignore it: killing the other end is what this server is for."""


class SourceLine(StreamRequestHandler):
    server: SourceServer

    def handle(self) -> None:
        for line in self.rfile:
            command = line.strip()
            if command == b"OUTP ON":
                self.server.off.clear()
                self.server.on = True
            elif command == b"OUTP OFF":
                if self.server.ignored_offs:
                    self.server.ignored_offs -= 1
                    continue
                self.server.on = False
                self.server.off.set()
            elif command == b"OUTP?":
                self.wfile.write(b"1\n" if self.server.on else b"0\n")


@pytest.fixture
def source() -> Iterator[SourceServer]:
    with SourceServer() as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        yield server
        server.shutdown()
        thread.join()


@contextmanager
def daemon(source: SourceServer, folder: Path) -> Iterator[tuple[int, int]]:
    """Run a process that has turned the source on; give its number and its guard's."""
    file = folder / "orders.json"
    source.orders.save(file)
    with subprocess.Popen(
        [sys.executable, "-c", DAEMON, str(file), str(source.port)],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            state, guard = process.stdout.readline().split()
            assert state == "1"
            yield process.pid, int(guard)
            process.kill()
            # Its last look at the source must find one, else it tries for minutes.
            see_end(int(guard))
        finally:
            process.kill()


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let guards wait a minute for a heartbeat, which may be late here and now.

    And let us wait as long for them to begin and to end.
    """
    for name in ("START_S", "END_S", "FIRE_S"):
        monkeypatch.setattr(f"daemon.bench.guard.{name}", PATIENCE_S)
    watch = "from daemon.bench import guard; guard.BOUND_S = {}; {}"
    code = watch.format(PATIENCE_S, "raise SystemExit(guard.main(['--watch']))")
    monkeypatch.setattr(
        "daemon.bench.guard.COMMAND", (sys.executable, "-P", "-c", code)
    )


def see_end(pid: int) -> None:
    """Wait for a process that is none of ours to be gone."""
    deadline_s = monotonic() + PATIENCE_S
    while Path(f"/proc/{pid}").exists():
        assert monotonic() < deadline_s
        sleep(0.02)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_killing_or_stopping_the_daemon_turns_the_source_off(
    source: SourceServer, tmp_path: Path, how: signal.Signals
) -> None:
    with daemon(source, tmp_path) as (pid, _):
        assert source.on
        os.kill(pid, how)
        assert source.off.wait(PATIENCE_S)
    assert not source.on


def test_silence_and_the_beat_before_it_leave_time_to_switch_within_a_second() -> None:
    assert BEAT_S + BOUND_S < WITHIN_S
    assert BEATS * BEAT_S > BOUND_S


@pytest.mark.bench
@pytest.mark.parametrize("trial", range(3))
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_the_source_is_off_within_a_second(
    source: SourceServer, tmp_path: Path, how: signal.Signals, trial: int
) -> None:
    del trial
    with daemon(source, tmp_path) as (pid, _):
        started_s = monotonic()
        os.kill(pid, how)
        assert source.off.wait(PATIENCE_S)
        assert monotonic() - started_s < WITHIN_S


def test_a_terminal_interrupt_does_not_end_the_guard(
    source: SourceServer, tmp_path: Path
) -> None:
    with daemon(source, tmp_path) as (pid, guard):
        assert os.getsid(guard) != os.getsid(pid)
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            os.kill(guard, number)
        os.kill(pid, signal.SIGKILL)
        assert source.off.wait(PATIENCE_S)


def test_the_guard_tries_again_until_the_output_reads_back_as_off(
    source: SourceServer, tmp_path: Path
) -> None:
    with daemon(source, tmp_path) as (pid, _):
        source.ignored_offs = 3
        os.kill(pid, signal.SIGKILL)
        assert source.off.wait(PATIENCE_S)
    assert source.ignored_offs == 0
    assert not source.on


def test_a_guard_that_cannot_reach_the_source_is_refused() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"TCPIP::127.0.0.1::{free.getsockname()[1]}::SOCKET"
    orders = Orders.of(
        Instrument(address=address, profile="source"), PROFILES["source"]
    )
    with pytest.raises(GuardLostError, match="nothing there takes the connection"):
        Guard(orders)


@pytest.mark.usefixtures("patient")
def test_a_guard_that_died_is_noticed_and_a_closed_one_left_the_source_off(
    source: SourceServer,
) -> None:
    guard = Guard(source.orders)
    guard.check()
    source.on = True
    guard.close()
    assert not source.on
    with pytest.raises(GuardLostError, match="not running"):
        guard.check()


@pytest.mark.usefixtures("patient")
def test_a_guard_that_died_is_noticed_though_another_thread_is_told_its_end(
    source: SourceServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one thread waits for a process, the others hear that it goes on."""
    guard = Guard(source.orders)
    monkeypatch.setattr(guard._process, "poll", lambda: None)
    seen = os.pidfd_open(guard.pid)
    os.kill(guard.pid, signal.SIGKILL)
    assert select([seen], [], [], PATIENCE_S)[0]
    os.close(seen)
    with pytest.raises(GuardLostError, match="not running"):
        guard.check()
    guard.close()


@pytest.mark.usefixtures("patient")
def test_a_measurement_that_makes_no_step_has_the_source_turned_off(
    source: SourceServer,
) -> None:
    """The thread of the heartbeats lives on, and that alone keeps nothing on."""
    told: list[str] = []
    known = threading.Event()

    def lost(reason: str) -> None:
        told.append(reason)
        known.set()

    # It acts on the word that it is late, long before it would take it for dead.
    guard = Guard(source.orders, busy=lambda: source.on, lost=lost)
    source.on = True
    guard.step(within_s=0.2)
    assert source.off.wait(PATIENCE_S)
    assert known.wait(PATIENCE_S)
    assert told == ["the measurement hangs: the source was turned off"]
    with pytest.raises(GuardLostError):
        guard.check()
    guard.close()


@pytest.mark.usefixtures("patient")
def test_a_measurement_that_goes_on_and_a_source_that_is_off_are_left_alone(
    source: SourceServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    guard = Guard(source.orders, busy=lambda: source.on)
    beaten = threading.Semaphore(0)
    beat = guard._beat

    def counted() -> None:
        beat()
        beaten.release()

    monkeypatch.setattr(guard, "_beat", counted)

    def goes_on() -> bool:
        """Whether it gave signs of life for longer than a guard waits for one."""
        return all(beaten.acquire(timeout=PATIENCE_S) for _ in range(BEATS))

    source.off.clear()
    guard.step(within_s=-1.0)  # long overdue, but the source is off
    assert goes_on()
    guard.step(within_s=10 * PATIENCE_S)
    source.on = True
    assert goes_on()
    assert not source.off.is_set()
    guard.check()
    guard.close()


def silent_until_off(
    guard: Guard, source: SourceServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Give no sign of life until the guard has turned the source off; then go on."""
    source.off.clear()
    with monkeypatch.context() as silence:
        silence.setattr(guard, "_beat", lambda: None)
        assert source.off.wait(PATIENCE_S)


def is_there_again(guard: Guard) -> bool:
    """Whether the guard serves on, once all that it had to say was heard."""
    deadline_s = monotonic() + PATIENCE_S
    while monotonic() < deadline_s:
        guard.forget()
        with suppress(GuardLostError):
            guard.check()
            return True
    return False


def test_silence_while_the_source_was_off_anyway_costs_nothing(
    source: SourceServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    guard = Guard(source.orders, busy=lambda: source.on)
    for _ in range(2):
        silent_until_off(guard, source, monkeypatch)
        assert is_there_again(guard)
    guard.close()


def test_a_measurement_that_was_cut_short_hears_of_it_and_the_guard_watches_on(
    source: SourceServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    guard = Guard(source.orders, busy=lambda: source.on)
    guard.forget()
    guard.step(within_s=60.0)
    source.on = True
    silent_until_off(guard, source, monkeypatch)
    assert not source.on
    for _ in range(2):
        with pytest.raises(GuardLostError, match="gave no sign of life"):
            guard.check()
    guard.close()


def test_whoever_measures_beats_where_the_beating_thread_must_wait(
    source: SourceServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    guard = Guard(source.orders)
    beaten: list[float] = []
    monkeypatch.setattr(guard, "_beat", lambda: beaten.append(monotonic()))
    monkeypatch.setattr(guard, "_beaten_s", 0.0)
    guard.step(within_s=1.0)
    assert beaten
    guard.close()


def test_a_guard_that_is_killed_is_told_with_what_to_do(source: SourceServer) -> None:
    told: list[str] = []
    known = threading.Event()

    def lost(reason: str) -> None:
        told.append(reason)
        known.set()

    guard = Guard(source.orders, lost=lost)
    os.kill(guard.pid, signal.SIGKILL)
    assert known.wait(PATIENCE_S)
    assert told[0].startswith("the safe-off guard ended: take the source's output")
    guard.close()


@pytest.mark.usefixtures("patient")
def test_off_now_does_not_wait_for_heartbeats_to_be_missed(
    source: SourceServer,
) -> None:
    guard = Guard(source.orders, busy=lambda: source.on)
    source.on = True
    guard.step(within_s=60.0)
    assert guard.fire()
    assert not source.on
    guard.close()


def test_the_stop_step_turns_the_source_off_from_saved_orders(
    source: SourceServer, tmp_path: Path
) -> None:
    file = tmp_path / "orders.json"
    source.orders.save(file)
    source.on = True
    assert main(["--off", str(file)]) == 0
    assert not source.on


def test_the_stop_step_speaks_through_visa_where_the_address_is_no_socket(
    source: SourceServer, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The same commands over the other path, here to the same instrument."""
    monkeypatch.setattr("daemon.bench.guard._socket_address", lambda _: None)
    silent = PROFILES["source"].model_copy(update={"identity": None})
    orders = source.orders
    orders.profile = silent.model_dump(mode="json")
    file = tmp_path / "orders.json"
    orders.save(file)
    source.on = True
    assert main(["--off", str(file)]) == 0
    assert not source.on


def test_a_source_that_stays_on_is_said_with_what_to_do(
    source: SourceServer,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("daemon.bench.guard.OFF_PATIENCE_S", 0.1)
    file = tmp_path / "orders.json"
    source.orders.save(file)
    source.on = True
    source.ignored_offs = 1000
    assert main(["--off", str(file)]) == 1
    assert "take the source's output as live" in capsys.readouterr().err


def test_the_guard_loads_no_statistics_and_no_settings_library() -> None:
    code = "import sys, daemon.bench.guard; print(' '.join(sys.modules))"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert not {"numpy", "scipy", "pandas", "pydantic", "pyvisa"} & set(loaded)
