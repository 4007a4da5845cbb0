"""Everything of a maker in one file: to keep elsewhere, to put back, to move.

The file is an ordinary archive (ZIP) of the settings and of a consistent copy of the
records, with a list of what must be in it. It is proven when it is written, and again
before anything of it is put back.
"""

import hashlib
import json
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from zipfile import ZIP_DEFLATED, ZipFile

from config import HoldpointError, being_written, private_folder, sync, write_whole
from daemon.service.home import Home
from storage import (
    LedgerRow,
    Restored,
    StorageError,
    Store,
    archive,
    note_restore,
)

LIST = "contents.json"
RECORDS = "data/holdpoint.duckdb"
WAL = f"{RECORDS}.wal"
"""What the records' file has not taken in yet."""
ANCHORS = f"data/backups/{archive.ANCHORS}"
"""What the copies of every night noted of the ledger: it proves that none was cut."""
SECRET = ("alerts.toml", "sharing.toml")
"""What often holds a password."""
SETTINGS = ("product.toml", "bench.toml", "plan.toml", *SECRET)
COUNTED = (
    "build", "reel", "fitting", "unit", "run", "hold", "shipment", "decision",
)  # fmt: skip
_CHUNK = 1 << 20
_MOST_BYTES = 1 << 40


class BundleError(HoldpointError):
    """A file that cannot be written or put back, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What is in such a file.

    `files` has by name the SHA-256 of each, `rows` the number of rows by table.
    """

    made_at: str
    program: str
    files: Mapping[str, str]
    rows: Mapping[str, int]

    def told(self) -> Iterator[str]:
        """Say what is in it, a line each."""
        day = self.made_at.replace("T", " ")[:16]
        by = f" by version {self.program}" if self.program else ""
        yield f"Written on {day} UTC{by}."
        settings = sorted(name for name in self.files if name not in {RECORDS, ANCHORS})
        yield f"Settings: {', '.join(settings) or 'none; those here stay'}."
        counts = ", ".join(
            f"{name}s {self.rows[name]}" for name in COUNTED if name in self.rows
        )
        yield f"Records: {counts}."


def write(home: Home, store: Store, file: Path, *, at: datetime) -> Contents:
    """Write everything of a home into one new file; return what is in it.

    Raises
    ------
    BundleError
        The file is there already, or cannot be written.
    storage.errors.StorageError
        The records could not be copied.
    """
    if file.exists():
        message = f"{file} is there already and is not written over; name another file"
        raise BundleError(message)
    try:
        private_folder(file.parent)
        with TemporaryDirectory(prefix="holdpoint-", dir=file.parent) as folder:
            copy = Path(store.backup(folder))
            names = {RECORDS: copy} | {
                path.relative_to(home.folder).as_posix(): path for path in _beside(home)
            }
            contents = Contents(
                made_at=at.astimezone(UTC).isoformat(timespec="seconds"),
                program=version("holdpoint"),
                files={name: _sha256(path) for name, path in names.items()},
                rows=dict(archive.check(copy)),
            )
            with (
                being_written(file) as raw,
                ZipFile(raw, "w", ZIP_DEFLATED) as packed,
            ):
                packed.writestr(LIST, json.dumps(vars_of(contents), indent=1))
                for name, path in names.items():
                    packed.write(path, name)
    except OSError as exc:
        message = f"{file} cannot be written: {exc.strerror or exc}"
        raise BundleError(message) from exc
    return contents


def vars_of(contents: Contents) -> dict[str, object]:
    """Return what is written of the contents."""
    return {
        "made_at": contents.made_at,
        "program": contents.program,
        "files": dict(contents.files),
        "rows": dict(contents.rows),
    }


def read(file: Path, folder: Path) -> Contents:
    """Unpack a file into an empty folder and prove that all of it is whole.

    Raises
    ------
    BundleError
        It is no such file, damaged, or not whole.
    """
    damaged = f"{file} is no backup of this program, or it is damaged"
    if file.suffix == archive.SUFFIX:
        return _records_alone(file, folder)
    try:
        with ZipFile(file) as packed:
            said = json.loads(packed.read(LIST))
            contents = Contents(
                made_at=str(said["made_at"]),
                program=str(said["program"]),
                files={str(k): str(v) for k, v in said["files"].items()},
                rows={str(k): int(v) for k, v in said["rows"].items()},
            )
            for name in contents.files:
                _refuse_name(name, file)
                target = folder / name
                target.parent.mkdir(parents=True, exist_ok=True)
                with packed.open(name) as source, target.open("wb") as out:
                    shutil.copyfileobj(source, out, _CHUNK)
    except OSError as exc:
        message = f"{file} cannot be read: {exc.strerror or exc}"
        raise BundleError(message) from exc
    except Exception as exc:  # a damaged archive makes the library raise anything
        if isinstance(exc, BundleError):
            raise
        raise BundleError(damaged) from exc
    for name, sha256 in contents.files.items():
        if _sha256(folder / name) != sha256:
            message = f"{damaged}: {name} is not what was written"
            raise BundleError(message)
    if RECORDS not in contents.files:
        message = f"{damaged}: it has no records"
        raise BundleError(message)
    archive.check(folder / RECORDS, contents.rows)
    return contents


def _records_alone(file: Path, folder: Path) -> Contents:
    """Prove a copy of the records as it was made at night; the settings stay."""
    rows = archive.check(file)
    copy = folder / RECORDS
    copy.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(file, copy)
    made_at = datetime.fromtimestamp(file.stat().st_mtime, UTC)
    return Contents(
        made_at=made_at.isoformat(timespec="seconds"),
        program="",
        files={RECORDS: _sha256(copy)},
        rows=rows,
    )


def has_settings(contents: Contents) -> bool:
    """Whether the settings are in it, not the records alone."""
    return not contents.files.keys() <= {RECORDS, ANCHORS}


def occupied(home: Home, contents: Contents) -> list[str]:
    """Return what stands in a home already, in the place of what would be put there."""
    places = [WAL, RECORDS, ANCHORS]
    if set(contents.files) != {RECORDS}:
        places = [*SETTINGS, "profiles", *places]
    return [one for one in places if (home.folder / one).exists()]


def put_back(
    unpacked: Path,
    contents: Contents,
    home: Home,
    *,
    at: datetime,
    aside: Path | None = None,
) -> Restored:
    """Put proven files into a home in which nothing stands in their place.

    The restore is noted among the anchors, which are joined and not replaced.

    Parameters
    ----------
    aside : Path, optional
        What `put_aside` returned: what stood here is in it.

    Raises
    ------
    BundleError
        Something stands there, or cannot be written.
    """
    there = occupied(home, contents)
    if aside is not None and ANCHORS in there:
        there.remove(ANCHORS)  # kept in `aside` too
    if there:
        message = (
            f"{home.folder} has {', '.join(there)} already, and nothing is written "
            "over. Name an empty folder with --home, or say --aside: then what is "
            "there is renamed and kept"
        )
        raise BundleError(message)
    try:
        noted, text = note_restore(
            _text(home.folder / ANCHORS),
            _text(unpacked / ANCHORS) if ANCHORS in contents.files else "",
            rows=archive.ledger(unpacked / RECORDS),
            before=() if aside is None else _ledger_of(aside / RECORDS),
            at=at,
        )
        anchors = unpacked / ANCHORS
        anchors.parent.mkdir(parents=True, exist_ok=True)
        anchors.write_text(text, encoding="utf-8", errors="surrogateescape")
        # The records come last: a home without them is seen to be unfinished.
        for name in sorted({*contents.files, ANCHORS}, key=lambda one: one == RECORDS):
            target = home.folder / name
            private_folder(target.parent)
            with (unpacked / name).open("rb") as source, being_written(target) as out:
                shutil.copyfileobj(source, out, _CHUNK)
    except OSError as exc:
        message = f"{home.folder} cannot be written: {exc.strerror or exc}"
        raise BundleError(message) from exc
    return noted


def _text(anchors: Path) -> str:
    """Return a file of anchors as it is, damaged or not; nothing without one."""
    if not anchors.exists():
        return ""
    return anchors.read_text(encoding="utf-8", errors="surrogateescape")


def _ledger_of(records: Path) -> tuple[LedgerRow, ...]:
    """Return the ledger of records kept aside; none where it cannot be read."""
    try:
        return archive.ledger(records)
    except StorageError:
        return ()


def put_aside(home: Home, contents: Contents, *, at: datetime) -> Path | None:
    """Move what stands in a home into a folder beside it; return the folder.

    The anchors are copied: those here still stand, should the restore not be ended.

    Raises
    ------
    BundleError
        It cannot be moved.
    """
    there = occupied(home, contents)
    if not there:
        return None
    folder = home.folder / f"before-{at.astimezone(UTC):%Y%m%dT%H%M%S.%fZ}"
    try:
        for name in there:
            target = folder / name
            private_folder(target.parent)
            if name == ANCHORS:
                write_whole(target, (home.folder / name).read_bytes())
            else:
                (home.folder / name).replace(target)
            sync(target.parent)
    except OSError as exc:
        message = f"{home.folder} cannot be written: {exc.strerror or exc}"
        raise BundleError(message) from exc
    return folder


def _beside(home: Home) -> Iterator[Path]:
    for name in (*SETTINGS, ANCHORS):
        if (home.folder / name).exists():
            yield home.folder / name
    yield from sorted((home.folder / "profiles").glob("*.toml"))


def _refuse_name(name: str, file: Path) -> None:
    """Refuse a name that would be written elsewhere than in its folder."""
    inside = name in {RECORDS, ANCHORS, *SETTINGS} or (
        name.startswith("profiles/")
        and name.endswith(".toml")
        and Path(name).name == name.removeprefix("profiles/")
    )
    if not inside:
        message = f"{file} has {name!r} in it, which no backup of this program has"
        raise BundleError(message)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
