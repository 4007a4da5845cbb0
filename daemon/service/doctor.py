"""What may be wrong with an installation, looked at from outside, nothing touched.

Each look says one sentence, and how to mend what it found. No instrument is told
anything: a line to it is opened and closed, to the source not even that.
"""

import os
import re
import shutil
import socket
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from functools import partial
from importlib.metadata import version
from pathlib import Path

from config import FILE_MODE, FOLDER_MODE, ConfigError, HoldpointError, Settings, load
from daemon.presentation import figures
from daemon.service.client import Client
from daemon.service.home import Home
from storage import (
    BusyError,
    LedgerRow,
    Store,
    UnreachableError,
    archive,
    at_rest,
    open_store,
    plain_rows,
    unlike,
    verify,
)

ENOUGH_BYTES = 2_000_000_000
"""Some years of records, their copies, and what an update needs."""
COPIES = 3
"""Room for as many more copies of the records is wanted."""
OLDEST_BACKUP = timedelta(hours=36)
"""One night may be missed, with the PC switched off."""
CLOCK_AHEAD = timedelta(minutes=5)
DASHBOARD_PORT = 8540
REACH_S = 2.0
_ON_WINDOWS = os.name == "nt"
_SOCKET = re.compile(r"TCPIP\d*::(\[[^\]]+\]|[^:]+)::(\d+)::SOCKET", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(/dev/[^:]+)::INSTR", re.IGNORECASE)


class State(StrEnum):
    """What a look came to."""

    GOOD = "good"
    MIND = "mind"
    """It works, and somebody should know."""
    WRONG = "wrong"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What was looked at, what was found, how to mend it; nothing where it is good."""

    what: str
    state: State
    says: str
    mend: str = ""


def looks(home: Home, *, now: datetime | None = None) -> Iterator[Look]:
    """Look at everything, one after another; nothing that is found ends it.

    Parameters
    ----------
    now
        The machine's time; left out, it is asked.
    """
    now = now or datetime.now(UTC)
    yield _versions()
    settings: Settings | None = None
    try:
        settings = load(home.folder)
    except ConfigError as exc:
        faults = len(exc.faults)
        yield Look(
            what="settings",
            state=State.WRONG,
            says=f"{faults} {'fault' if faults == 1 else 'faults'}; the first: "
            f"{exc.faults[0]}",
            mend="`holdpoint config check` says them all",
        )
    else:
        yield Look(what="settings", state=State.GOOD, says="they can be used")
    yield from _permissions(home)
    yield _space(home)
    yield from _daemon(home)
    yield from _records(home, now)
    yield _backup(home, now)
    yield _port()
    if settings is not None:
        yield from _instruments(home, settings)


def _versions() -> Look:
    python = ".".join(map(str, sys.version_info[:3]))
    said = f"Holdpoint {version('holdpoint')}, Python {python}"
    if not (3, 11) <= sys.version_info[:2] < (3, 14):
        return Look(
            what="versions",
            state=State.WRONG,
            says=f"{said}: Python 3.11 to 3.13 is needed",
            mend="install it anew with one of them",
        )
    return Look(what="versions", state=State.GOOD, says=said)


def _permissions(home: Home) -> Iterator[Look]:
    """Say which files others may read, or which of them this person may not write."""
    if _ON_WINDOWS:
        yield from _permissions_on_windows(home)
        return
    ours = [home.data, home.backups, *home.data.glob("*.duckdb*")]
    ours += [home.data / "tokens", *home.data.glob("tokens/*")]
    ours += [home.folder / "alerts.toml", *home.backups.glob("*")]
    open_ = []
    for one in ours:
        if one.exists():
            most = FOLDER_MODE if one.is_dir() else FILE_MODE
            if one.stat().st_mode & 0o777 & ~most:
                open_.append(one)
    if open_:
        named = ", ".join(str(one.relative_to(home.folder)) for one in open_[:3])
        more = f" and {len(open_) - 3} more" if len(open_) > 3 else ""  # noqa: PLR2004
        yield Look(
            what="permissions",
            state=State.WRONG,
            says=f"others on this PC can read {named}{more}",
            mend="chmod -R go= "
            + " ".join(
                str(one)
                for one in (home.data, home.folder / "alerts.toml")
                if one.exists()
            ),
        )
        return
    closed = [one for one in ours if one.exists() and not os.access(one, os.W_OK)]
    if closed:
        yield Look(
            what="permissions",
            state=State.WRONG,
            says=f"you may not write {closed[0]}",
            mend="start it as the user to whom the folder belongs, or give it to you: "
            f"chown -R $USER {home.folder}",
        )
        return
    says = "its owner alone reads what is recorded"
    yield Look(what="permissions", state=State.GOOD, says=says)


def _permissions_on_windows(home: Home) -> Iterator[Look]:
    """There files are open to whom their folder is; a person's own is closed."""
    if home.folder.resolve().is_relative_to(Path.home().resolve()):
        says = f"it is in your own folder, {Path.home()}, which others cannot read"
        yield Look(what="permissions", state=State.GOOD, says=says)
        return
    yield Look(
        what="permissions",
        state=State.MIND,
        says=f"others on this PC may read {home.folder}: it is not in your own folder",
        mend=f"put it below {Path.home()}, or take others' rights away: icacls "
        f'"{home.folder}" /inheritance:r /grant:r "%USERNAME%:(OI)(CI)F"',
    )


def _space(home: Home) -> Look:
    at = home.data
    while not at.exists():
        at = at.parent
    free = shutil.disk_usage(at).free
    size = home.store.stat().st_size if home.store.exists() else 0
    wanted = max(ENOUGH_BYTES, COPIES * size)
    says = f"{free / 1e9:.1f} GB are free"
    if free >= wanted:
        return Look(what="disk", state=State.GOOD, says=says)
    return Look(
        what="disk",
        state=State.WRONG if free < max(size, ENOUGH_BYTES // 10) else State.MIND,
        says=f"{says}; {wanted / 1e9:.1f} GB are wanted for records and copies",
        mend="delete what is not needed there, or `holdpoint move` to a larger disk",
    )


def _daemon(home: Home) -> Iterator[Look]:
    try:
        with Client.of(home.data) as client:
            state = client.state()
    except UnreachableError:
        yield Look(
            what="daemon",
            state=State.MIND,
            says="none runs here",
            mend="`holdpoint daemon` starts it; needless where readings are typed",
        )
        return
    except HoldpointError as exc:
        yield Look(
            what="daemon",
            state=State.WRONG,
            says=str(exc),
            mend="stop it and start it again",
        )
        return
    for key in ("stalled", "alarm"):
        if state.get(key):
            yield Look(
                what="daemon",
                state=State.WRONG,
                says=str(state[key]),
                mend="`holdpoint status` says what to do; data/daemon.log says more",
            )
            return
    yield Look(what="daemon", state=State.GOOD, says="it runs, and all of it goes on")


def _records(home: Home, now: datetime) -> Iterator[Look]:
    """Say whether records and ledger are whole, and whether the clock goes on."""
    if not home.store.exists():
        yield Look(what="records", state=State.MIND, says="nothing is recorded yet")
        return
    try:
        with open_store(home.data, wait_s=REACH_S) as store:
            yield _ledger(home, store)
            yield _clock(store, now)
    except BusyError as exc:
        yield Look(
            what="records",
            state=State.MIND,
            says=str(exc),
            mend="wait until it answers, then ask again",
        )
    except HoldpointError as exc:
        yield Look(
            what="records",
            state=State.WRONG,
            says=str(exc),
            mend=f"`holdpoint restore FILE --aside`; copies are in {home.backups}",
        )


def _ledger(home: Home, store: Store) -> Look:
    rows, _, kept = at_rest(store)
    broken = verify(rows, archive.anchors(home.backups))
    if broken is not None or unlike(rows, kept):
        return Look(
            what="records",
            state=State.WRONG,
            says="somebody changed decisions outside of the program",
            mend="`holdpoint ledger verify` names each",
        )
    return Look(
        what="records",
        state=State.GOOD,
        says=f"they can be read; the ledger is whole, {len(rows)} decisions",
    )


def _clock(store: Store, now: datetime) -> Look:
    said = [one.decided_at for one in store.rows(LedgerRow)]
    said += [row["succeeded_at"] for row in plain_rows(store.table("jobs"))]
    latest = max(said, default=now)
    if latest > now + CLOCK_AHEAD:
        return Look(
            what="clock",
            state=State.WRONG,
            says=f"it says {now:%Y-%m-%d %H:%M} UTC, and something was recorded at "
            f"{latest:%Y-%m-%d %H:%M} UTC",
            mend="set the clock of this PC, and let it follow a time server",
        )
    return Look(what="clock", state=State.GOOD, says=f"{now:%Y-%m-%d %H:%M} UTC")


def _backup(home: Home, now: datetime) -> Look:
    copies = list(home.backups.glob(f"*{archive.SUFFIX}"))
    nightly = [one for one in copies if not one.name.startswith("before-")]
    mend = "a daemon that runs makes one each day; `holdpoint backup FILE` now"
    # One that was written by command may lie on a disk that is not connected now.
    nightly += [one for one in [home.backed_up] if one.exists()]
    if not nightly:
        says = "there is no copy of the records yet"
        if not home.store.exists():
            return Look(what="backup", state=State.GOOD, says=f"{says}, and no records")
        return Look(what="backup", state=State.MIND, says=says, mend=mend)
    newest = max(one.stat().st_mtime for one in nightly)
    age = now - datetime.fromtimestamp(newest, UTC)
    hours = max(age.total_seconds() / 3600, 0.0)
    says = f"the newest copy is {figures.counted(round(hours), 'hour')} old"
    if age > OLDEST_BACKUP:
        return Look(what="backup", state=State.WRONG, says=says, mend=mend)
    return Look(what="backup", state=State.GOOD, says=says)


def _port() -> Look:
    try:
        socket.create_server(("127.0.0.1", DASHBOARD_PORT)).close()
    except OSError:
        return Look(
            what="screens",
            state=State.MIND,
            says=f"port {DASHBOARD_PORT} is in use: screens run, or another program",
            mend="`holdpoint dashboard --port` takes another",
        )
    return Look(what="screens", state=State.GOOD, says=f"port {DASHBOARD_PORT} is free")


def _instruments(home: Home, settings: Settings) -> Iterator[Look]:
    """Say who can be reached; while a daemon measures it alone speaks to them."""
    bench = settings.bench
    if bench is None:
        return
    with_daemon = _runs(home)
    for role, one in bench.instruments.items():
        what = f"instrument {role}"
        reach = _reach_of(one.address)
        if role == "source":
            yield Look(what=what, state=State.GOOD, says="left alone, as is right")
        elif with_daemon:
            yield Look(what=what, state=State.GOOD, says="the daemon has it")
        elif reach is None:
            says = f"not asked: at {one.address} there is no asking without a word"
            yield Look(what=what, state=State.GOOD, says=says)
        elif (fault := reach()) is None:
            says = f"{one.address} can be reached"
            yield Look(what=what, state=State.GOOD, says=says)
        else:
            yield Look(
                what=what,
                state=State.WRONG,
                says=f"{one.address} cannot be reached: {fault}",
                mend="switch it on, look at its cable, and at the address in "
                "bench.toml; `holdpoint bench find` lists what answers",
            )


def _runs(home: Home) -> bool:
    try:
        with Client.of(home.data) as client:
            client.state()
    except HoldpointError:
        return False
    return True


def _reach_of(address: str) -> Callable[[], str | None] | None:
    """Return what tells why an instrument cannot be reached; None: nothing tells it."""
    if found := _SOCKET.fullmatch(address):
        return partial(_dial, found[1].strip("[]"), int(found[2]))
    if found := _SERIAL.fullmatch(address):
        return partial(_port_file, Path(found[1]))
    return None


def _dial(host: str, port: int) -> str | None:
    try:
        socket.create_connection((host, port), REACH_S).close()
    except OSError as exc:
        return (exc.strerror or str(exc)).lower()
    return None


def _port_file(path: Path) -> str | None:
    if not path.exists():
        return "there is no such port"
    if not os.access(path, os.R_OK | os.W_OK):
        return "you may not use the port; the group that may is often dialout"
    return None
