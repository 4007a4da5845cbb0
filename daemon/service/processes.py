"""The other processes of a running Holdpoint: how they are started and ended."""

import errno
import json
import os
import secrets
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Thread
from typing import IO, Any

from config import HoldpointError, open_log
from daemon.service.client import Client
from daemon.service.hands import noted
from daemon.service.home import VARIABLE, Home
from storage import UnreachableError

START_S = 300.0
"""The first start of all compiles the detector: minutes on a slow machine."""
END_S = 15.0
POLL_S = 0.05
WAY_S = 15.0
"""Until a daemon that makes way is gone, or nobody answers who could."""
TRIES = 3
"""How often a start is tried that a brief command was in the way of."""
CLAIM = "daemon.claim"
"""Locked by a daemon from its first moment on, long before it has the records: the
lock goes with its process, however that ends."""
CLAIM_S = 2.0
LOOK_S = 0.2
"""On Windows two who look at once are in each other's way for a moment."""
BEHIND = 15
"""How far a process steps back (POSIX nice value)."""
CODE = "HOLDPOINT_CODE"
"""Variable that tells the screens the code which lets in."""
LETTERS = "23456789abcdefghjkmnpqrstvwxyz"
"""None that is taken for another."""


class StartError(HoldpointError):
    """A process did not come up; its own words say why."""


def holdpoint(*arguments: str) -> list[str]:
    """Return our own command, run by this interpreter."""
    return [sys.executable, "-m", "daemon.commands.cli", *arguments]


def require_free(port: int, address: str = "127.0.0.1") -> None:
    """Refuse a port that somebody listens on; 0 is any free one.

    Raises
    ------
    StartError
        It is in use.
    """
    try:
        family = socket.AF_INET6 if ":" in address else socket.AF_INET
        socket.create_server((address, port), family=family).close()
    except OSError as exc:
        if exc.errno == errno.EADDRNOTAVAIL:
            message = f"{address} is no address of this machine; name one that is"
            raise StartError(message) from exc
        message = f"port {port} is in use on this machine; name another with --port"
        raise StartError(message) from exc


def new_code() -> str:
    """Return a code that lets in to the screens, as it is typed.

    Twelve letters of thirty: more than can be tried.
    """
    drawn = "".join(secrets.choice(LETTERS) for _ in range(12))
    return "-".join(drawn[at : at + 4] for at in (0, 4, 8))


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """Where the screens are shown beside this machine: one of its own addresses."""

    address: str
    certificate: Path | None = None
    key: Path | None = None


def dashboard_command(
    *, port: int, browse: bool, network: Network | None = None
) -> list[str]:
    """Return the command that serves the screens, to this machine alone unless told.

    Raises
    ------
    StartError
        The port is in use, or the address is not this machine's.
    """
    require_free(port, "127.0.0.1" if network is None else network.address)
    command = [sys.executable, "-m", "dashboard.serve", "--port", str(port)]
    if network is not None:
        command += ["--address", network.address]
        if network.certificate is not None:
            command += ["--certificate", str(network.certificate.resolve())]
            command += ["--key", str((network.key or network.certificate).resolve())]
    return [*command, "--browse"] if browse else command


def apart() -> dict[str, Any]:
    """Return what keeps a terminal's interrupt from a process that is started."""
    if os.name == "nt":
        return {"creationflags": getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)}
    return {"start_new_session": True}


def environment(home: Home, more: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return our environment with the home named, and what else is said."""
    return {**os.environ, VARIABLE: str(home.folder.resolve()), **(more or {})}


@contextmanager
def child(
    command: Sequence[str],
    home: Home,
    *,
    log: Path | None = None,
    more: Mapping[str, str] | None = None,
) -> Iterator[subprocess.Popen[str]]:
    """Run a process while the context lasts; it is told to end, then made to.

    It has a session of its own: a terminal's interrupt comes to us alone, and we
    end our children in order. Where it inherits a pipe it ends when we are killed.
    """
    with open_log(log) if log else Path(os.devnull).open("a") as errors:
        process = subprocess.Popen(  # noqa: S603 -- our own commands only
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            env=environment(home, more),
            **apart(),
        )
    try:
        yield process
    finally:
        end(process)


def run_beside(home: Home, *arguments: str) -> subprocess.Popen[str]:
    """Run one of our commands, behind all that somebody waits for.

    What it says and its errors come on one pipe, line by line.
    """
    process = subprocess.Popen(  # noqa: S603 -- our own commands only
        holdpoint(*arguments),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        env=environment(home, {"PYTHONUNBUFFERED": "1", "PYTHONIOENCODING": "utf-8"}),
        **apart(),
    )
    if hasattr(os, "setpriority"):
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, process.pid, BEHIND)
    return process


def end(process: subprocess.Popen[str]) -> None:
    """Tell a process to end and wait for it."""
    process.terminate()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with suppress(BrokenPipeError):
                stream.close()


@contextmanager
def claimed(home: Home) -> Iterator[None]:
    """Let others know, while the context lasts, that a daemon is here or is coming.

    Where another has claimed it already nothing is changed: the records tell who is
    first.
    """
    home.data.mkdir(mode=0o700, parents=True, exist_ok=True)
    with (home.data / CLAIM).open("a") as claim:
        deadline_s = time.monotonic() + CLAIM_S  # whoever looks has it for a moment
        while not _locked(claim, alone=True) and time.monotonic() < deadline_s:
            time.sleep(POLL_S)
        yield


def is_claimed(home: Home) -> bool:
    """Whether a daemon is here or is coming."""
    try:
        with (home.data / CLAIM).open() as claim:
            deadline_s = time.monotonic() + (LOOK_S if os.name == "nt" else 0.0)
            while not (ours := _locked(claim, alone=False)):
                if time.monotonic() >= deadline_s:
                    break
                time.sleep(POLL_S)
            return not ours
    except FileNotFoundError:
        return False


def make_way(home: Home) -> None:
    """Have a daemon end that keeps records for screens alone, before one that measures.

    One that was started for itself goes on, and one that has an order: then the records
    tell who has them. Screens find whoever comes after it.
    """
    deadline_s = time.monotonic() + WAY_S
    while is_claimed(home) and time.monotonic() < deadline_s:
        # One that has just been started does not answer yet.
        with suppress(HoldpointError), Client.of(home.data) as client:
            if not client.make_way():
                return
        time.sleep(POLL_S)


def _locked(claim: IO[str], *, alone: bool) -> bool:
    """Lock a file without waiting, alone or beside others who look; say whether."""
    if os.name == "nt":
        return _locked_on_windows(claim)
    import fcntl  # noqa: PLC0415 -- not on Windows

    try:
        fcntl.flock(claim, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _locked_on_windows(claim: IO[str]) -> bool:
    """Lock its first byte; that goes with the process too, and knows no lookers."""
    import msvcrt  # noqa: PLC0415 -- there alone

    claim.seek(0)
    try:
        msvcrt.locking(claim.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    except OSError:
        return False
    return True


@contextmanager
def running_daemon(home: Home, *options: str) -> Iterator[subprocess.Popen[str]]:
    """Run a daemon while the context lasts; ready when it has an address.

    Raises
    ------
    StartError
        It ended, or did not answer in time.
    """
    log = home.log
    command = holdpoint("--home", str(home.folder), "daemon", *options)
    with child(command, home, log=log) as process:
        wait_for_daemon(home, process, log)
        yield process


class SharedDaemon:
    """The daemon of a home, for as long as somebody uses it.

    Where one runs it is used, whoever started it. Else one is started without a bench,
    which ends by itself once the last who uses it is gone: whoever started it may end
    before the others.
    """

    def __init__(self, home: Home, *, needs_this: bool = True) -> None:
        self._home = home
        self._needs_this = needs_this
        self._log = home.log
        self._process: subprocess.Popen[str] | None = None
        self._tries = 0
        self._used = False
        self._left = Event()
        self._fault: StartError | None = None
        # Whoever types meanwhile is known to use it from its first answer on.
        self._coming = Thread(target=self._come, name="daemon coming", daemon=True)

    def begin(self) -> None:
        """See to it that one comes up, without waiting for it."""
        if not self._in_use():
            if not is_claimed(self._home):
                self._start()
            self._coming.start()

    def wait(self) -> None:
        """Return once it answers.

        Raises
        ------
        StartError
            It ended, or did not answer in time.
        """
        if self._coming.ident is not None:
            self._coming.join()
        if self._fault is not None:
            raise self._fault

    def _come(self) -> None:
        try:
            self._until_it_answers()
        except StartError as exc:
            self._fault = exc

    def _until_it_answers(self) -> None:
        deadline_s = time.monotonic() + START_S
        while not self._left.is_set() and not self._in_use():
            ended = self._process is None or self._process.poll() is not None
            if time.monotonic() > deadline_s or (ended and not self._again()):
                message = f"the daemon did not start: {_last_line(self._log)}"
                raise StartError(message)
            time.sleep(POLL_S)

    @property
    def ready(self) -> bool:
        """Whether it answers by now."""
        return self._used

    def leave(self) -> None:
        """Use it no more; where it ends with that, wait until it has."""
        self._left.set()
        if self._coming.ident is not None:
            self._coming.join()
        ends = not self._used
        with suppress(HoldpointError), Client.of(self._home.data) as client:
            ends = client.leave(os.getpid()) or ends
        if self._process is None:
            return
        if ends:
            end(self._process)
        elif self._process.poll() is None:
            self._process.returncode = 0  # it goes on for others, and is theirs

    def _in_use(self) -> bool:
        if not self._used:
            with suppress(HoldpointError), Client.of(self._home.data) as client:
                self._used = client.use(os.getpid(), needs_this=self._needs_this)
        return self._used

    def _again(self) -> bool:
        """Go on where another process has the records, or had them for a moment."""
        from storage import BusyError, open_store  # noqa: PLC0415 -- the database

        if is_claimed(self._home):
            return True
        try:
            open_store(self._home.data, wait_s=0.0).close()
        except BusyError:
            return True  # most likely a daemon that starts
        except HoldpointError:
            return False
        self._tries += 1
        if self._tries > TRIES:
            return False
        self._start()
        return True

    def _start(self) -> None:
        options = ("daemon", "--no-bench", "--used-by", str(os.getpid()))
        with open_log(self._log) as errors:
            self._process = subprocess.Popen(  # noqa: S603 -- our own commands only
                holdpoint("--home", str(self._home.folder), *options),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=errors,
                text=True,
                env=environment(self._home),
                **apart(),
            )


@contextmanager
def shared_daemon(home: Home, *, needs_this: bool = True) -> Iterator[SharedDaemon]:
    """Use the daemon of a home while the context lasts; it comes up meanwhile.

    Screens need no daemon of their own: one that measures may take its place.
    """
    shared = SharedDaemon(home, needs_this=needs_this)
    try:
        shared.begin()
        yield shared
    finally:
        shared.leave()


def wait_for_daemon(home: Home, process: subprocess.Popen[str], log: Path) -> None:
    """Return once the daemon of a home answers.

    Raises
    ------
    StartError
        It ended, or did not answer in time.
    """
    deadline_s = time.monotonic() + START_S
    while not answers(home, pid=process.pid):
        if process.poll() is not None or time.monotonic() > deadline_s:
            message = f"the daemon did not start: {_last_line(log)}"
            raise StartError(message)
        time.sleep(POLL_S)


def answers(home: Home, *, pid: int | None = None) -> bool:
    """Whether a daemon, or the one with this process number, answers for a home."""
    try:
        with Client.of(home.data) as client:
            client.state()
            return pid is None or client.endpoint.pid == pid
    except UnreachableError:
        return False


@contextmanager
def simulated_bench(
    home: Home, *, seed: int, units: int, options: Sequence[str] = ()
) -> Iterator[tuple[subprocess.Popen[str], dict[str, Any]]]:
    """Run the simulated bench of a home's settings; yield what it says of itself.

    Parameters
    ----------
    options
        More of what the simulator takes.

    Raises
    ------
    StartError
        It did not start.
    """
    log = home.data / "simulator.log"
    command = [
        sys.executable,
        "-m",
        "daemon.simulator",
        "--config",
        str(home.folder),
        "--seed",
        str(seed),
        "--units",
        str(units),
        *options,
    ]
    with child(command, home, log=log) as process:
        line = "" if process.stdout is None else process.stdout.readline()
        if not line:
            message = f"the simulated bench did not start: {_last_line(log)}"
            raise StartError(message)
        greeting = json.loads(line)
        with noted(home, greeting["fixture"], process.pid):
            yield process, greeting


def _last_line(log: Path) -> str:
    if not log.exists():  # the daemon that was waited for has a terminal of its own
        return "another one was starting and did not come up"
    lines = log.read_text(errors="replace").strip().splitlines()
    return lines[-1] if lines else "it said nothing"
