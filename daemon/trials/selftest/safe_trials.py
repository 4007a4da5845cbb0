"""The safe state put to the test: something goes wrong while the source is on.

``python -m daemon.trials.selftest.safe_trials FOLDER`` is the side that comes to
harm: told "go" on a line, it forks a process that opens the bench of that folder,
measures for ever, and says so, line by line. `trials` is the side that does the
harm and looks at the simulated source, whose own watchdog is disabled unless a row
says otherwise.
"""

import os
import queue
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Thread

from config import HoldpointError, Settings, load, write_whole
from daemon.bench import Bench, BenchError, ScaledClock, cautions, connect, measure
from daemon.judging import ProductModel
from daemon.service import Hands, Home, environment, simulated_bench
from daemon.simulator import STOPS_S
from daemon.trials.selftest.shifted_time import Shift
from daemon.trials.stories.demo import lay_out, write_addresses

OFF_WITHIN_S = 1.0
WATCHDOG_WITHIN_S = STOPS_S + OFF_WITHIN_S
"""The simulated source's own watchdog waits as long as a busy machine may stop."""
STEPS_S = (3600, -3600)
LONGEST_S = 60.0
LOOK_S = 0.002
POINTS_AFTER_STEP = 3
SHIFTED_WITHIN_S = 60.0
WITHOUT_WATCHDOG, WITH_WATCHDOG = "scpi_current_source", "watched_current_source"

Harm = Callable[[int, "Victims"], bool]
"""Does harm to the process with this number; says whether the due alarm came."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeStateRow:
    """What many trials of one mishap came to; the table's columns.

    `failures` counts trials in which the source was not off in time, where it can
    be, or in which an alarm that was due did not come. `slowest_off_s` is None where
    nothing could turn it off; `note` says so, or why nothing was tried.
    """

    mishap: str
    watchdog: bool
    trials: int
    failures: int
    slowest_off_s: float | None
    note: str = ""


class TrialError(HoldpointError):
    """A trial could not be made."""


def trials(
    number: int, *, seed: int = 1, progress: Callable[[str], None] = lambda _: None
) -> list[SafeStateRow]:
    """Return the table: each mishap done so many times.

    Parameters
    ----------
    number
        Trials of each row.
    seed
        For the moments at which it happens.
    progress
        Told of each trial that was made.

    Raises
    ------
    TrialError
        The side that comes to harm does not measure, or this system has no such side.
    """
    _require_fork()
    chance = random.Random(seed)  # noqa: S311 -- moments, no secrets
    with tempfile.TemporaryDirectory() as folder:
        with _bench(Path(folder) / "plain", WITHOUT_WATCHDOG) as plain:
            made = _Trials(plain, number, chance, progress)
            rows = [
                made.harmed("killed", _kill),
                made.harmed("stopped", _stop),
                *(made.clock_moved(by_s) for by_s in STEPS_S),
                made.pulled(watchdog=False),
            ]
        with _bench(Path(folder) / "watched", WITH_WATCHDOG) as watched:
            made = _Trials(watched, number, chance, progress)
            rows.append(made.pulled(watchdog=True))
    return rows


def few_trials(number: int, *, seed: int = 1) -> list[SafeStateRow]:
    """Return the table's first rows, killed and stopped: seconds, not an hour.

    Parameters and errors are those of `trials`.
    """
    _require_fork()
    chance = random.Random(seed)  # noqa: S311 -- moments, no secrets
    with (
        tempfile.TemporaryDirectory() as folder,
        _bench(Path(folder) / "plain", WITHOUT_WATCHDOG) as plain,
    ):
        made = _Trials(plain, number, chance, lambda _: None)
        return [made.harmed("killed", _kill), made.harmed("stopped", _stop)]


def _require_fork() -> None:
    if not hasattr(os, "fork"):
        message = (
            "the safe state cannot be tried on this system: no process can be made and "
            "stopped as the trials need it. Try it on Linux or macOS"
        )
        raise TrialError(message)


class Victims:
    """Starts processes that measure, and hears what they say."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        self.last = ""
        self._said: queue.Queue[str] = queue.Queue()
        Thread(target=self._listen, name="listener", daemon=True).start()

    def start(self) -> int:
        """Have one measure; return its number."""
        while not self._said.empty():
            self._said.get_nowait()
        if self._process.stdin is not None:
            self._process.stdin.write("go\n")
            self._process.stdin.flush()
        return int(self.hear("pid"))

    def hear(self, word: str) -> str:
        """Return the rest of the next line that begins with a word.

        Raises
        ------
        TrialError
            None came in time.
        """
        deadline_s = time.monotonic() + LONGEST_S
        heard = ""
        while (left_s := deadline_s - time.monotonic()) > 0:
            try:
                heard = self._said.get(timeout=left_s)
            except queue.Empty:
                break
            first, _, rest = heard.partition(" ")
            if first == word:
                return rest
            if first == "alarm":  # it measures no more
                break
        message = f"the process that measures said {heard!r}, not {word!r}"
        raise TrialError(message)

    def _listen(self) -> None:
        for line in self._process.stdout or ():
            self.last = line.strip()
            self._said.put(self.last)


@dataclass(frozen=True, slots=True)
class _Trials:
    """Trials on one simulated bench."""

    bench: tuple[Home, Hands]
    number: int
    chance: random.Random
    progress: Callable[[str], None]

    def harmed(
        self, mishap: str, harm: Harm, *, preloaded: dict[str, str] | None = None
    ) -> SafeStateRow:
        """Do harm to a measuring process again and again; time the source."""
        home, hands = self.bench
        times_s = []
        alarms = 0
        with _victims(home, preloaded or {}) as victims:
            for _ in range(self.number):
                pid = self._measuring(victims)
                alarms += harm(pid, victims)
                times_s.append(_seconds_until_off(hands))
                _end(pid)
                self.progress(mishap)
        return SafeStateRow(
            mishap=mishap,
            watchdog=False,
            trials=self.number,
            failures=sum(one > OFF_WITHIN_S for one in times_s)
            + (self.number - alarms),
            slowest_off_s=max(times_s),
        )

    def clock_moved(self, by_s: int) -> SafeStateRow:
        """Move the time of day under process and guard; it goes on, then is killed."""
        mishap = f"clock moved by {by_s / 3600:+.0f} h, then killed"
        shift = Shift.made_in(self.bench[0].folder)
        if shift is None:
            return SafeStateRow(
                mishap=mishap,
                watchdog=False,
                trials=0,
                failures=0,
                slowest_off_s=None,
                note="not tried: it needs a C compiler, and there is none here",
            )

        def harm(pid: int, victims: Victims) -> bool:
            shift.set(by_s)
            undisturbed = _points_go_on(victims, by_s)
            _wait_until_on(self.bench[1], victims)
            os.kill(pid, signal.SIGKILL)
            shift.set(0)
            return undisturbed

        return self.harmed(
            mishap,
            harm,
            preloaded=shift.environment,
        )

    def pulled(self, *, watchdog: bool) -> SafeStateRow:
        """Pull the source's cable: an alarm, and off where it has a watchdog."""
        home, hands = self.bench
        mishap = "source's cable pulled"
        slowest_s, failures, put_back_s = 0.0, 0, 0.0
        with _victims(home, {}) as victims:
            for _ in range(self.number):
                pid = self._measuring(victims)
                hands.fault("source", "closed port")
                failures += not _alarmed(victims)
                if watchdog:
                    took_s = _seconds_until_off(hands)
                    slowest_s = max(slowest_s, took_s)
                    failures += took_s > WATCHDOG_WITHIN_S
                hands.clear()
                put_back_s = max(put_back_s, _seconds_until_off(hands))
                failures += put_back_s > OFF_WITHIN_S
                _end(pid)
                self.progress(mishap)
        return SafeStateRow(
            mishap=mishap,
            watchdog=watchdog,
            trials=self.number,
            failures=failures,
            slowest_off_s=slowest_s if watchdog else None,
            note=f"alarm each time; put back, off within {put_back_s:.2f} s"
            + ("" if watchdog else "; said at start that nothing else turns it off"),
        )

    def _measuring(self, victims: Victims) -> int:
        pid = victims.start()
        if not self._said_at_start(victims):
            message = "what the source cannot do was not said at start"
            raise TrialError(message)
        _wait_until_on(self.bench[1], victims)
        time.sleep(self.chance.uniform(0.0, 0.2))
        _wait_until_on(self.bench[1], victims)
        return pid

    def _said_at_start(self, victims: Victims) -> bool:
        bench = load(self.bench[0].folder).bench
        watched = bench is not None and bench.source.profile == WITH_WATCHDOG
        return (victims.hear("cautions") == "0") == watched


def _kill(pid: int, _: Victims) -> bool:
    os.kill(pid, signal.SIGKILL)
    return True


def _stop(pid: int, _: Victims) -> bool:
    os.kill(pid, signal.SIGSTOP)
    return True


def _end(pid: int) -> None:
    """Make sure that a process measures no more, whatever was done to it."""
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return


def _alarmed(victims: Victims) -> bool:
    try:
        return bool(victims.hear("alarm"))
    except TrialError:
        return False


def _points_go_on(victims: Victims, by_s: int) -> bool:
    """Whether points are read at the shifted time of day."""
    try:
        for _ in range(POINTS_AFTER_STEP):
            while abs(float(victims.hear("point")) - time.time() - by_s) > (
                SHIFTED_WITHIN_S
            ):
                pass
    except TrialError:
        return False
    return True


def _wait_until_on(hands: Hands, victims: Victims) -> None:
    deadline_s = time.monotonic() + LONGEST_S
    while not hands.state()["source_on"]:
        if time.monotonic() > deadline_s:
            message = f"the source was not turned on; last heard: {victims.last!r}"
            raise TrialError(message)
        time.sleep(LOOK_S)  # a look without pause would slow what it waits for


def _seconds_until_off(hands: Hands) -> float:
    started_s = time.monotonic()
    while hands.state()["source_on"]:
        if time.monotonic() - started_s > LONGEST_S:
            break
        time.sleep(LOOK_S)
    return time.monotonic() - started_s


@contextmanager
def _bench(folder: Path, source: str) -> Iterator[tuple[Home, Hands]]:
    """Run the simulated bench with a source of this profile, a unit mounted."""
    home = lay_out(folder)
    file = home.folder / "bench.toml"
    text = file.read_text(encoding="utf-8").replace(WITH_WATCHDOG, source)
    write_whole(file, text)
    with simulated_bench(home, seed=1, units=4) as (_, said):
        write_addresses(file, said["instruments"])
        with Hands(said["fixture"]["host"], said["fixture"]["port"]) as hands:
            hands.mount(str(hands.scenario()["builds"][0]["serials"][0]))
            yield home, hands


@contextmanager
def _victims(home: Home, preloaded: dict[str, str]) -> Iterator[Victims]:
    with subprocess.Popen(  # noqa: S603 -- our own command only
        [sys.executable, "-m", "daemon.trials.selftest.safe_trials", str(home.folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**environment(home), **preloaded},
        start_new_session=True,
    ) as process:
        try:
            yield Victims(process)
        finally:
            process.kill()


def main() -> None:
    """Fork a process that measures for each line on standard input."""
    settings = load(Path(sys.argv[1]))
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody asks how they ended
    for _ in sys.stdin:
        pid = os.fork()
        if pid == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            _say(f"pid {os.getpid()}")
            try:
                _measure_for_ever(settings)
            except BenchError as exc:
                _say(f"alarm {exc}")
            os._exit(0)


def _measure_for_ever(settings: Settings) -> None:
    if settings.bench is None:
        return
    product = ProductModel.of(settings.product)
    clock = ScaledClock(settings.bench.time_scale)
    _say(f"cautions {len(cautions(settings.bench, settings.profiles))}")
    bench = Bench(
        settings.bench,
        settings.product,
        settings.plan.reading,
        profiles=settings.profiles,
        nominal_transfer={one.key: one.nominal_transfer for one in product.ranges},
        connect=connect,
        clock=clock,
    )
    while True:
        measure(
            bench,
            product.keys,
            clock,
            stop=Event(),
            progress=lambda _: _say(f"point {time.time():.3f}"),
        )


def _say(line: str) -> None:
    os.write(sys.stdout.fileno(), f"{line}\n".encode())


if __name__ == "__main__":
    main()
