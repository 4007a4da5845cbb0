"""One daemon that works without a pause, and whether it grows or gets slower.

A daemon of its own process, as a maker starts it, is given unit after unit through its
door. Every unit is judged, kept and watched; reels come and some are bad, so that there
are findings, holds and messages to a receiver on this machine. Beside that somebody
looks: the daemon's state and the rows of the first page are asked for all the time.
"""

import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from threading import Event, Thread

import numpy as np

from daemon.judging import ProductModel
from daemon.service import Client, Home
from daemon.service.processes import running_daemon
from daemon.traceability import kitting
from daemon.trials.stories.demo import lay_out
from storage import RemoteStore, endpoint
from tests.daemon.alerts.fakes import refusing
from tests.daemon.making import AT, demo_settings
from tests.studies.used import memory_mb, used_s

SETTINGS = demo_settings()
Running = subprocess.Popen[str]
PRODUCT = ProductModel.of(SETTINGS.product)
NAME = SETTINGS.product.name
A_BUILD = 100
BAD_EACH = 20
"""Every so many builds take a reel that is off."""
BAD_PPM = 4000.0
FEWEST = 20
"""Fewer have no tenth of their own."""
LOOK_S = 1.0
"""How often somebody looks."""
LOOKS = 200
"""So often is noted, over the whole, how large the daemon is."""
WARM_UP = 0.1
"""The share of the units that warm the daemon up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Soaked:
    """What a long work came to.

    Times are those of a unit, from its order to its decision, medians of a tenth of
    the units; the first tenth is of the units after the warm-up.
    """

    units: int
    refused: int
    findings: int
    holds: int
    messages_arrived: int
    looks: int
    memory_after_warm_up_mb: float
    memory_at_end_mb: float
    growth_mb: float
    first_tenth_ms: float
    last_tenth_ms: float
    slower_percent: float
    first_tenth_used_ms: float
    """Processor time of the daemon a unit, all that it does beside counted in: what
    tells of it on a machine that is shared."""
    last_tenth_used_ms: float
    hours: float


@dataclass(slots=True)
class _Watched:
    taken_s: list[float] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)
    used_s: list[tuple[int, float]] = field(default_factory=list)
    """Processor time of the daemon, and after how many units."""
    refused: int = 0


def study(
    *,
    units: int,
    seed: int = 7,
    tell: Callable[[float, str], None] = lambda _share, _said: None,
    running: Callable[..., AbstractContextManager[Running]] = running_daemon,
) -> Soaked:
    """Give a daemon so many units; return what became of it.

    Parameters
    ----------
    tell
        Is told how far it is, as a share, and in words.
    running
        Starts the daemon, as a maker does unless told otherwise.
    """
    begun_s = time.monotonic()
    with (
        TemporaryDirectory(prefix="holdpoint-soak-") as folder,
        refusing(0.0) as (port, arrived),
    ):
        home = lay_out(Path(folder) / "home")
        (home.folder / "alerts.toml").write_text(
            '[[channels]]\nname = "hook"\n'
            f'url = "json://127.0.0.1:{port}/hook"\nfrom_severity = "notice"\n',
            encoding="utf-8",
        )
        with (
            running(home, "--no-bench") as process,
            Client.of(home.data) as client,
            _asked(home) as store,
            _looking(home) as looks,
        ):
            seen = _Watched()
            _work(store, client, process.pid, units, seed, seen, tell)
            findings = len({one["signal"] for one in _rows(store, "signals")})
            holds = len(_rows(store, "holds"))
        return _told(
            seen,
            findings=findings,
            holds=holds,
            messages=arrived.total(),
            looks=looks[0],
            hours=(time.monotonic() - begun_s) / 3600,
        )


def _told(
    seen: _Watched,
    *,
    findings: int,
    holds: int,
    messages: int,
    looks: int,
    hours: float,
) -> Soaked:
    warm = int(len(seen.taken_s) * WARM_UP)
    tenth = max(1, (len(seen.taken_s) - warm) // 10)
    first_s = median(seen.taken_s[warm : warm + tenth])
    last_s = median(seen.taken_s[-tenth:])
    after_mb = seen.memory_mb[int(len(seen.memory_mb) * WARM_UP)]
    return Soaked(
        units=len(seen.taken_s),
        refused=seen.refused,
        findings=findings,
        holds=holds,
        messages_arrived=messages,
        looks=looks,
        memory_after_warm_up_mb=after_mb,
        memory_at_end_mb=seen.memory_mb[-1],
        growth_mb=seen.memory_mb[-1] - after_mb,
        first_tenth_ms=1e3 * first_s,
        last_tenth_ms=1e3 * last_s,
        slower_percent=100 * (last_s / first_s - 1),
        first_tenth_used_ms=_used_ms(seen.used_s, warm, warm + tenth),
        last_tenth_used_ms=_used_ms(
            seen.used_s, len(seen.taken_s) - tenth, len(seen.taken_s)
        ),
        hours=hours,
    )


def _used_ms(used_s: Sequence[tuple[int, float]], since: int, until: int) -> float:
    """Return the processor time a unit between two units, ms."""
    inside = [one for one in used_s if since <= one[0] <= until]
    (first, before_s), (last, after_s) = inside[0], inside[-1]
    return 1e3 * (after_s - before_s) / max(1, last - first)


def _work(
    store: RemoteStore,
    client: Client,
    pid: int,
    units: int,
    seed: int,
    seen: _Watched,
    tell: Callable[[float, str], None],
) -> None:
    """Give unit after unit, and note what each took."""
    chance = np.random.default_rng(seed)
    level_ppm = np.zeros(len(PRODUCT.ranges))
    note_every = max(1, units // LOOKS)
    for unit in range(units):
        build = f"B-{unit // A_BUILD:05d}"
        if unit % A_BUILD == 0:
            level_ppm = _next_build(store, chance, unit // A_BUILD, level_ppm)
        errors_ppm = level_ppm + chance.normal(0.0, 150.0, len(PRODUCT.ranges))
        begun_s = time.perf_counter()
        ticket = client.measure(
            build=build,
            serial=f"PA-{unit:07d}",
            typed=[
                {
                    "range": one.key,
                    "reference": 0.9 * one.settings.full_scale,
                    "output": 0.9
                    * one.settings.full_scale
                    * one.nominal_transfer
                    * (1 + 1e-6 * float(ppm)),
                }
                for one, ppm in zip(PRODUCT.ranges, errors_ppm, strict=True)
            ],
            attended=False,
        )
        while (became := client.ticket(ticket, wait_s=20.0))["state"] not in {
            "done",
            "failed",
        }:
            pass
        seen.taken_s.append(time.perf_counter() - begun_s)
        seen.refused += became["state"] == "failed"
        if unit % note_every == 0:
            seen.memory_mb.append(memory_mb(pid))
            seen.used_s.append((unit, used_s(pid)))
            tell(unit / units, f"{seen.memory_mb[-1]:.0f} MB")
    seen.memory_mb.append(memory_mb(pid))
    seen.used_s.append((units, used_s(pid)))


def _next_build(
    store: RemoteStore, chance: np.random.Generator, number: int, before_ppm: np.ndarray
) -> np.ndarray:
    """Open a build with a new reel for one part; return what ranges read, ppm."""
    build = f"B-{number:05d}"
    kitting.open_build(store, NAME, build, planned_units=A_BUILD, at=AT)
    place = number % len(PRODUCT.ranges)
    part = PRODUCT.ranges[place].part
    level_ppm = before_ppm.copy()
    level_ppm[place] = chance.normal(0.0, 150.0)
    if number % BAD_EACH == BAD_EACH - 1:
        level_ppm[place] += BAD_PPM
    if part is not None:
        planned = SETTINGS.product.parts[part]
        reel = f"K-{number:05d}"
        kitting.receive_reel(
            store,
            reel,
            nominal_ohm=planned.nominal_ohm,
            tolerance_ppm=planned.tolerance_ppm,
            at=AT,
        )
        store.keep(kitting.fitting_of(NAME, build, part, reel, from_serial=None, at=AT))
    return level_ppm


@contextmanager
def _asked(home: Home) -> Iterator[RemoteStore]:
    found = endpoint.read(home.data)
    assert found is not None
    with RemoteStore(found) as store:
        yield store


@contextmanager
def _looking(home: Home) -> Iterator[list[int]]:
    """Ask for the daemon's state and the first page's rows, again and again."""
    stop, looks = Event(), [0]

    def look() -> None:
        with Client.of(home.data) as client, _asked(home) as store:
            while not stop.wait(LOOK_S):
                client.state()
                _rows(store, "signals")
                _rows(store, "holds")
                _rows(store, "builds", newest=12)
                _rows(store, "latest_errors", newest=12)
                looks[0] += 1

    thread = Thread(target=look)
    thread.start()
    try:
        yield looks
    finally:
        stop.set()
        thread.join()


def _rows(store: RemoteStore, query: str, **more: int) -> list[dict[str, object]]:
    found: list[dict[str, object]] = store.table(
        query, product=NAME, **more
    ).to_pylist()
    return found
