"""What a long history costs, printed: `python -m tests.bench.history_table 1000 20000`.

A column a history of so many units: every question, the cycle, every command as a
whole process, an import, and a daemon from its start until it idles. Processor time,
the least of several, since the machine may be shared; memory is the most that was
resident. Stores are made once and kept (`long_history`): a unit takes some 2 ms to
fold. `--unwatched` leaves out what needs the fold, of a store that is not folded.
"""

import argparse
import csv
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from time import process_time
from typing import Any
from unittest.mock import patch

from daemon.service import Client, Home
from daemon.trials.stories.demo import lay_out
from daemon.watch import ProductWatch
from storage import (
    DecidedRow,
    Evaluation,
    Mark,
    Shipment,
    UnreachableError,
)
from storage.door import Cell, cells
from storage.kept import Record
from storage.ledger import LedgerRow, chain
from storage.local import LocalStore
from storage.records import Build, Decision
from storage.seals import seal, text_of, unlike
from storage.tables import insert
from tests.bench import long_history
from tests.bench.flat_questions import OF_ROWS, Asked
from tests.bench.long_history import A_BUILD, NAME, PARTS, SETTINGS, serial_of
from tests.bench.test_command_start import Start, as_installed, cost
from tests.bench.test_flat import Side
from tests.daemon.making import AT

LEAST_OF = 5
MEASURED = 100
A_REEL = 1000
SHIPPED = 30
SHEET = 300
LEDGER_LINES = 100_000
A_STATEMENT = 1000
IDLE_S = 30.0
READY_S = 300.0
BIG_REEL = f"K-{PARTS[0]}-000000"
NOTHING: frozenset[str] = frozenset()


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("units", type=int, nargs="+")
    asked.add_argument("--unwatched", action="store_true")
    options = asked.parse_args()
    print(f"ledger verify, {LEDGER_LINES} lines: {_of_a_ledger()}")  # noqa: T201
    table: dict[str, dict[int, str]] = {}
    for units in options.units:
        for name, said in measured(units, watched=not options.unwatched):
            table.setdefault(name, {})[units] = said
            print(f"{units:>9}  {name:<34}{said}", flush=True)  # noqa: T201
    print(f"\n{'':<34}" + "".join(f"{one:>22}" for one in options.units))  # noqa: T201
    for name, by_units in table.items():
        cells = "".join(f"{by_units.get(one, '-'):>22}" for one in options.units)
        print(f"{name:<34}{cells}")  # noqa: T201


def measured(units: int, *, watched: bool) -> Iterator[tuple[str, str]]:
    """Measure everything over a history of so many units."""
    unfolded = patch.object(ProductWatch, "remember", lambda *_, **__: None)
    with ExitStack() as way_out:
        with nullcontext() if watched else unfolded:
            home = way_out.enter_context(long_history.long_home(units))
        with LocalStore(home.store) as store:
            side = Asked(units=units, store=store)
            for name, ask in OF_ROWS.items():
                yield name, f"{_least_ms(ask, side):.1f} ms"
            if watched:
                yield from _of_the_cycle(Side.over(units, home, store))
            _complete(store)
        folder = home.folder.parent
        if watched:
            yield from _of_a_daemon(home)
        for name, one in _commands(units, watched=watched).items():
            taken_s, memory_mb = cost(one, folder, home)
            yield f"`{name}`", f"{taken_s:.2f} s, {memory_mb:.0f} MB"
        if watched:
            yield "import", _of_an_import(home, folder)


def _complete(store: LocalStore) -> None:
    """Add a reel of a thousand units, a long ledger, and what was said last."""
    wide = [f"B-{one:06d}" for one in range(A_REEL // A_BUILD)]
    connection = store._database._connection
    assert connection is not None
    connection.execute(
        "update fitting set reel = $reel where part = $part and build in "
        "(select unnest($builds))",
        {"reel": BIG_REEL, "part": PARTS[0], "builds": wide},
    )
    store.keep(Build(build="B-sheet", product=NAME, planned_units=None, opened_at=AT))
    known = ProductWatch(SETTINGS, store)
    known.was_corrected()
    (mark,) = store.rows(Mark, product=NAME)
    store.record_evaluation(
        Evaluation(
            product=NAME,
            number=mark.number,
            history="It is compared with earlier builds.",
            worked_out_with=known.worked_out_with(),
        )
    )


def _least_ms(ask: Callable[[Asked], None], side: Asked) -> float:
    taken = []
    for _ in range(LEAST_OF):
        begin = process_time()
        ask(side)
        taken.append(1e3 * (process_time() - begin))
    return min(taken)


def _commands(units: int, *, watched: bool) -> dict[str, Start]:
    def asked(*words: str) -> Start:
        return Start(words, NOTHING, 0.0)

    last = units - A_BUILD - SHIPPED
    to_ship = f"{serial_of(last)}..{serial_of(last + SHIPPED - 1)}"
    return {
        "--version": asked("--version"),
        "--help": asked("--help"),
        "TAB": Start(("",), NOTHING, 0.0, completing=True),
        "config check": asked("config", "check"),
        "status": asked("status"),
        "hold list": asked("hold", "list"),
        "trace": asked("trace", serial_of(units // 2)),
        "ship --check, 1 unit": asked("ship", serial_of(last), "--check"),
        f"ship --check, {SHIPPED} units": asked("ship", to_ship, "--check"),
        "contain, 1000 units": asked("contain", BIG_REEL),
        "report unit": asked("report", "unit", serial_of(units // 2)),
    } | ({"whatif --build 500": asked("whatif", "--build", "500")} if watched else {})


def _of_a_ledger() -> str:
    """Return what it costs to verify a ledger of many lines, by command."""
    with TemporaryDirectory() as folder:
        home = _decided_home(Path(folder) / "home")
        words = Start(("ledger", "verify"), NOTHING, 0.0)
        taken_s, memory_mb = cost(words, Path(folder), home)
    return f"{taken_s:.2f} s, {memory_mb:.0f} MB"


def _decided_home(folder: Path) -> Home:
    """Make a home with a long ledger, each line of which seals a shipment."""
    home = lay_out(folder)
    home.data.mkdir(parents=True)
    shipped = [
        Shipment(
            shipment=f"{serial_of(one)} out",
            serial=serial_of(one),
            product=NAME,
            destination="order 1",
            reseller=False,
            person="Ada Moreno",
            shipped_at=AT,
        )
        for one in range(LEDGER_LINES)
    ]
    with LocalStore(home.store) as store:
        _insert(store, Shipment, [cells(one) | {"against": "[]"} for one in shipped])
        kept = store.rows(DecidedRow)
        row, lines = None, []
        for one, as_kept in zip(shipped, kept, strict=True):
            decision = Decision(
                person=one.person,
                action="ship",
                subject=one.serial,
                reason="to order 1",
                decided_at=one.shipped_at,
            )
            sealed = [(as_kept.kind, as_kept.key, seal(as_kept.kept_row))]
            row = chain(decision, row, text_of(sealed))
            lines.append(row)
        _insert(store, LedgerRow, [cells(one) for one in lines])
        assert not unlike(lines, kept)
    return home


def _insert(
    store: LocalStore, kind: type[Record], rows: Sequence[Mapping[str, Cell]]
) -> None:
    for first in range(0, len(rows), A_STATEMENT):
        with store._database.transaction() as transaction:
            insert(transaction, kind.kept.table, rows[first : first + A_STATEMENT])


def _of_an_import(home: Home, folder: Path) -> str:
    """Return what a unit of a sheet costs beyond the start of the command."""
    short_s, _ = _imported(home, folder / "short.csv", 1)
    long_s, memory_mb = _imported(home, folder / "long.csv", SHEET)
    a_unit_ms = 1e3 * (long_s - short_s) / (SHEET - 1)
    return f"{a_unit_ms:.1f} ms a unit, {memory_mb:.0f} MB"


def _imported(home: Home, path: Path, units: int) -> tuple[float, float]:
    """Import a sheet of so many units; return processor time, s, and memory, MB."""
    ranges = [*SETTINGS.product.ranges.values()]
    titles = [f"{one.title} {way}" for one in ranges for way in ("in", "out")]
    levels = [level for one in ranges for level in (0.9 * one.full_scale, 0.9)]
    with path.open("w", newline="") as file:
        lines = csv.writer(file)
        lines.writerow(["serial", "build", "measured at", *titles])
        for unit in range(units):
            at = f"2026-11-20 {unit // 60:02d}:{unit % 60:02d}"
            lines.writerow([f"{path.stem}-{unit:05d}", "B-sheet", at, *levels])
    return cost(Start(("import", str(path)), NOTHING, 0.0), path.parent, home, times=1)


def _of_the_cycle(side: Side) -> Iterator[tuple[str, str]]:
    taken = []
    for _ in range(MEASURED):
        begin = process_time()
        side.measure()
        taken.append(1e3 * (process_time() - begin))
    taken.sort()
    told = f"{median(taken):.1f} / {taken[round(0.99 * MEASURED) - 1]:.1f} ms"
    yield "last reading to decision, median / 99 %", told


def _of_a_daemon(home: Home) -> Iterator[tuple[str, str]]:
    """Tell when a daemon serves and has caught up, what it takes then and idle."""
    with _daemon(home):  # its bytecode is kept then, as where it is installed
        _wait_until(home, _caught_up)
    begin_s = time.monotonic()
    with _daemon(home) as process:
        for name, reached in (
            ("daemon serves", lambda _: True),
            ("daemon has caught up", _caught_up),
        ):
            _wait_until(home, reached)
            wall_s, used_s = time.monotonic() - begin_s, _used_s(process.pid)
            yield name, f"{used_s:.1f} s ({wall_s:.1f} by the clock)"
        yield "its memory", f"{_memory_mb(process.pid):.0f} MB"
        time.sleep(IDLE_S)
        before_s = _used_s(process.pid)
        time.sleep(IDLE_S)
        share = (_used_s(process.pid) - before_s) / IDLE_S
        yield "it idles, of a core", f"{100 * share:.1f} %"
        yield "its memory then", f"{_memory_mb(process.pid):.0f} MB"


def _caught_up(state: dict[str, Any]) -> bool:
    return bool(state["history"])


@contextmanager
def _daemon(home: Home) -> Iterator[subprocess.Popen[bytes]]:
    """Run a daemon without a bench; end it with what is done."""
    command = [sys.executable, "-m", "daemon.commands.cli", "--home", str(home.folder)]
    with subprocess.Popen(
        [*command, "daemon", "--no-bench"],
        cwd=home.folder,
        env=as_installed(home.folder.parent),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as process:
        try:
            yield process
        finally:
            process.terminate()


def _wait_until(home: Home, reached: Callable[[dict[str, Any]], bool]) -> None:
    deadline_s = time.monotonic() + READY_S
    while time.monotonic() < deadline_s:
        with suppress(UnreachableError), Client.of(home.data) as client:
            if reached(client.state()):
                return
        time.sleep(0.05)
    raise TimeoutError(home)


def _used_s(pid: int) -> float:
    """Return the processor time that a process has taken, s."""
    after_name = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")


def _memory_mb(pid: int) -> float:
    """Return how much of a process is resident, MB."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    (found,) = [one for one in lines if one.startswith("VmRSS:")]
    return int(found.split()[1]) / 1024


if __name__ == "__main__":
    main()
