"""Daemons and simulated benches for tests, forked from a process that is warm.

What `daemon.service.processes` starts imports for seconds before it says its first
word. Here one process has imported all of it, with the detector's loops, and has a copy
of itself run the same command: with arguments, environment, streams and a session of
its own, and killed, suspended and waited for like any other. Screens may be forked
too, from another one that has loaded what pages need. Stories, the three days in a
browser and whoever may look are still started as a maker starts them.
"""

import gc
import ipaddress
import json
import os
import runpy
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from importlib import import_module
from pathlib import Path
from typing import Any, ClassVar, NoReturn, TypeVar
from unittest.mock import patch

from config.files import open_log
from daemon.service import processes
from daemon.service.home import Home
from daemon.trials.stories import demo
from daemon.trials.stories.demo import Operator
from storage.store import Store

Given = TypeVar("Given")
ROOT = Path(__file__).parents[2]
ORDER_BYTES = 1 << 20
SCREENS = "dashboard.serve"
NEEDED = (
    # what a room offers is loaded only when it is asked for
    "daemon.commands.every_command",
    "daemon.commands.start",
    "daemon.service.wiring",
    "daemon.simulator.scenario",
    "daemon.simulator.server",
    # what these load only as they run
    "anyio._backends._asyncio",
    "apscheduler.triggers.interval",
    "duckdb",
    "encodings.idna",
    "pyvisa_py.serial",
    "pyvisa_py.tcpip",
    "scipy.optimize",
    "scipy.special",
    "starlette.formparsers",
    "uvicorn.lifespan.off",
    "uvicorn.loops.asyncio",
    "uvicorn.loops.auto",
    "uvicorn.protocols.http.h11_impl",
)
"""What daemons and simulated benches have loaded by the time that they answer."""
SERVING = (
    "anyio._backends._asyncio",
    "encodings.idna",
    "httpcore",
    "narwhals._pandas_like.dataframe",
    "pandas.io.formats.string",
    "streamlit.dataframe.lazy_df_adapters",
    "streamlit.watcher.polling_path_watcher",
    "streamlit.web.bootstrap",
    "streamlit.web.server.starlette",
    "streamlit.web.server.starlette.starlette_agent_routes",
    "uvicorn.lifespan.on",
    "uvicorn.loops.asyncio",
    "uvicorn.loops.auto",
    "uvicorn.protocols.http.h11_impl",
    "uvicorn.protocols.websockets.auto",
)
"""What screens load beside what pages need, by the time that they show one."""
ONE_THREAD = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "JE_ARROW_MALLOC_CONF": "background_thread:false",
}
"""Of a process with several threads no copy could be trusted."""
WENT_OUT = 97
"""How a process ends that asked for a name, or spoke to another machine."""
NAMES = {"socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"}


@contextmanager
def running_daemon(home: Home, *options: str) -> Iterator[subprocess.Popen[str]]:
    """Run a daemon while the context lasts, as `processes.running_daemon` does."""
    with _forked(processes.running_daemon(home, *options)) as process:
        yield process


@contextmanager
def simulated_bench(
    home: Home, *, seed: int, units: int
) -> Iterator[tuple[subprocess.Popen[str], dict[str, Any]]]:
    """Run a simulated bench, as `processes.simulated_bench` does."""
    with _forked(processes.simulated_bench(home, seed=seed, units=units)) as said:
        yield said


@contextmanager
def running(home: Home, *, seed: int, units: int) -> Iterator[tuple[Operator, Store]]:
    """Run simulated bench and daemon, as the demo does."""
    with _forked(demo.running(home, seed=seed, units=units)) as said:
        yield said


@contextmanager
def screens(home: Home, port: int) -> Iterator[subprocess.Popen[str]]:
    """Serve the screens at a port while the context lasts, as `dashboard` does."""
    command = processes.dashboard_command(port=port, browse=False)
    with _child(command, home, log=home.data / "shown.log") as process:
        yield process


@contextmanager
def _forked(started: AbstractContextManager[Given]) -> Iterator[Given]:
    """Start what starts processes, with ours in their place."""
    with ExitStack() as way_out:
        with patch.object(processes, "child", _child):
            given = way_out.enter_context(started)
        yield given


@contextmanager
def _child(
    command: Sequence[str], home: Home, *, log: Path
) -> Iterator[subprocess.Popen[str]]:
    with open_log(log) as errors:
        process = Forked(command, errors.fileno(), processes.environment(home))
    try:
        yield process
    finally:
        processes.end(process)


class Forked(subprocess.Popen[str]):
    """A process of ours that another one has forked for us.

    Parameters
    ----------
    command
        This interpreter, `-m`, a module and its arguments.
    errors
        Where it writes what goes wrong; open.
    environment
        All of its own.
    """

    _child_created = False  # none of ours, so that nobody warns of its end

    def __init__(
        self, command: Sequence[str], errors: int, environment: dict[str, str]
    ) -> None:
        interpreter, dash_m, *words = command
        assert (interpreter, dash_m) == (sys.executable, "-m")
        taken, given = os.pipe()
        read, written = os.pipe()
        told, tells = os.pipe()
        order = {"words": words, "environment": environment, "folder": str(Path.cwd())}
        _Warm.of(words[0] == SCREENS).ask(order, [taken, written, errors, tells])
        for theirs in (taken, written, tells):
            os.close(theirs)
        self.args = command
        self.returncode: int | None = None
        self.stdin = os.fdopen(given, "w")
        self.stdout = os.fdopen(read)
        self.stderr = None
        self._told = os.fdopen(told)
        self.pid = int(self._told.readline())

    def poll(self) -> int | None:
        """Return how it ended; None while it goes on."""
        return self._look(0.0)

    def wait(self, timeout: float | None = None) -> int:
        """Return how it ended, once it has.

        Raises
        ------
        subprocess.TimeoutExpired
            It goes on.
        """
        ended = self._look(timeout)
        if ended is None:
            raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
        return ended

    def send_signal(self, sig: int) -> None:
        """Send a signal to it, if it goes on."""
        if self.poll() is None:
            # It may end just now, and is waited for by the one that forked it.
            with suppress(ProcessLookupError):
                os.kill(self.pid, sig)

    def _look(self, wait_s: float | None) -> int | None:
        if self.returncode is None and select.select([self._told], [], [], wait_s)[0]:
            self.returncode = int(self._told.readline())
            self._told.close()
        return self.returncode


class _Warm:
    """A process that forks, started when first needed: one for screens, one beside."""

    _kept: ClassVar[dict[bool, "_Warm"]] = {}

    def __init__(self, *, screens: bool) -> None:
        self._line, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [
                    sys.executable, "-m", __name__, str(theirs.fileno()),
                    *([SCREENS] if screens else []),
                ],
                cwd=ROOT,
                env={**os.environ, **ONE_THREAD},
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                start_new_session=True,
            )  # fmt: skip

    @classmethod
    def of(cls, screens: bool) -> "_Warm":
        if screens not in cls._kept:
            cls._kept[screens] = cls(screens=screens)
        return cls._kept[screens]

    @classmethod
    def end(cls) -> None:
        for one in cls._kept.values():
            one._line.close()
            one._process.terminate()  # it may be importing yet
            one._process.wait()
        cls._kept.clear()

    def ask(self, order: dict[str, Any], streams: list[int]) -> None:
        socket.send_fds(self._line, [json.dumps(order).encode()], streams)


def end() -> None:
    """End the processes that fork; those that they have forked go on."""
    _Warm.end()


def load_daemon() -> None:
    """Load what daemons and simulated benches need."""
    from tests.compiling import warm  # noqa: PLC0415 -- what is forked has it all

    for name in NEEDED:
        import_module(name)
    warm()


def load_screens() -> None:
    """Load what screens need, but for what starts threads."""
    import daemon.service  # noqa: F401, PLC0415
    import dashboard.serve  # noqa: PLC0415

    dashboard.serve.load_pages()
    for name in SERVING:
        import_module(name)
    del sys.modules[SCREENS]  # it is run as the command


def serve(line: socket.socket, load: Callable[[], None]) -> None:
    """Fork what is asked for, until nobody can ask any more."""
    load()
    gc.freeze()  # what all copies share stays shared
    threads = len([*Path("/proc/self/task").iterdir()])
    assert threads == 1, f"{threads} threads: a copy would have one of them alone"
    while True:
        said, streams, _, _ = socket.recv_fds(line, ORDER_BYTES, 4)
        if not said:
            return
        if os.fork() == 0:
            line.close()
            _watch_over(json.loads(said), streams)
        for one in streams:
            os.close(one)
        _collect()


def _collect() -> None:
    """Let those be gone that have told how theirs ended."""
    while os.waitpid(-1, os.WNOHANG) != (0, 0):
        pass


def _watch_over(order: dict[str, Any], streams: list[int]) -> None:
    """Fork once more: tell who it is, and later how it ended."""
    *standard, tells = streams
    pid = os.fork()
    if pid == 0:
        os.close(tells)
        _become(order, standard)
    for one in standard:
        os.close(one)
    os.write(tells, f"{pid}\n".encode())
    _, status = os.waitpid(pid, 0)
    os.write(tells, f"{os.waitstatus_to_exitcode(status)}\n".encode())
    os._exit(0)


def _become(order: dict[str, Any], streams: list[int]) -> NoReturn:
    """Be the command, as if started anew."""
    os.setsid()
    for number, one in enumerate(streams):
        os.dup2(one, number)
        os.close(one)
    os.chdir(order["folder"])
    os.environ.clear()
    os.environ.update(order["environment"])
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    sys.addaudithook(_stays_here)
    module, *arguments = order["words"]
    sys.argv = [module, *arguments]
    runpy.run_module(module, run_name="__main__", alter_sys=True)
    sys.exit(0)


def _stays_here(event: str, arguments: tuple[Any, ...]) -> None:
    """End at once where a name is resolved, or another machine is spoken to.

    An error could be caught, and nobody would know.
    """
    if event in NAMES:
        host = arguments[0]
    elif event == "socket.connect" and isinstance(arguments[1], tuple):
        host = arguments[1][0]
    else:
        return
    if not _is_here(host):
        os.write(2, f"{event}: {host!r} is not this machine\n".encode())
        os._exit(WENT_OUT)


def _is_here(host: str | bytes | None) -> bool:
    named = host.decode() if isinstance(host, bytes) else host
    if named in {None, "", "localhost"}:
        return True
    try:
        here = ipaddress.ip_address(named)
    except ValueError:
        return False
    return here.is_loopback or here.is_unspecified


if __name__ == "__main__":
    serve(
        socket.socket(fileno=int(sys.argv[1])),
        load_screens if SCREENS in sys.argv else load_daemon,
    )
