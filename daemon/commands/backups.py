"""Everything in one file: kept elsewhere, put back, moved to another PC."""

from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from config import Settings
from daemon.commands.opened import home_here, opened
from daemon.commands.options import FILE, NEW_FILE
from daemon.commands.showing import Shown, fail, misuse, say, show, shown
from daemon.service import Contents, answers, bundle, moved
from storage import RemoteStore

KEEP_CLOSE = (
    "The addresses of messages and of a shared record are in it, and they often hold a "
    "password: keep it to yourself."
)
NOT_IN_IT = (
    "Not in a backup: documents that were written (folder documents; write them again "
    "from the records, or copy that folder), logs, and the sheets you imported."
)


@click.command()
@click.argument("file", type=NEW_FILE, required=False)
@shown
def backup(file: Path | None) -> Shown:
    """Write the settings and all records into one file.

    The settings and all records are in it, proven to be whole. Keep it on another
    disk. Without FILE a name with today's date is taken. The daemon may run.
    """
    now = datetime.now(UTC)
    file = file or Path(f"holdpoint-{now:%Y%m%dT%H%M%SZ}.zip")
    with opened() as at:
        contents = bundle.write(at.home, at.store, file.resolve(), at=now)
        at.home.note_backup(file.resolve())
    return _told(file, contents, at.settings)


@click.command()
@click.argument("file", type=FILE)
@click.option("--dry-run", is_flag=True, help="Prove the file and say what is in it.")
@click.option(
    "--aside", is_flag=True,
    help="Rename what is in the folder already; nothing of it is deleted.",
)  # fmt: skip
def restore(*, file: Path, dry_run: bool, aside: bool) -> None:
    """Put back what is in such a file.

    FILE is what `holdpoint backup` wrote, or a nightly copy of the records in
    data/backups. It is proven first. It goes to the folder of --home, where nothing is
    written over.
    """
    home = home_here()
    if answers(home):
        misuse("a daemon runs here; stop it first")
    with TemporaryDirectory(prefix="holdpoint-") as folder:
        contents = bundle.read(file, Path(folder))
        show(f"{file} is whole.", *contents.told())
        there = bundle.occupied(home, contents)
        if dry_run:
            say(
                f"A dry run: nothing is written. {home.folder} "
                + (f"has {', '.join(there)} already." if there else "is free for it.")
            )
            if there and not aside:
                fail()
            return
        now = datetime.now(UTC)
        kept = bundle.put_aside(home, contents, at=now) if aside else None
        if kept is not None:
            say(f"What was there is kept in {kept}.")
        noted = bundle.put_back(Path(folder), contents, home, at=now, aside=kept)
        moved.came_back(home)
    say(noted.told())
    say(
        f"The settings and all records are put back into {home.folder}. "
        if bundle.has_settings(contents)
        else f"All records are put back into {home.folder}; the settings stay as "
        "they were. "
    )
    say(NOT_IN_IT)
    say(
        "`holdpoint status` says what to do, `holdpoint ledger verify` proves the "
        "decisions."
    )


@click.command()
@click.argument("file", type=NEW_FILE)
@click.option("--back", is_flag=True, help="Open the records here again.")
def move(*, file: Path, back: bool) -> None:
    """Move everything to another PC.

    It writes FILE and closes the records here, so that they do not go on in two
    places. Take FILE to the other PC and say there: holdpoint restore FILE
    """
    home = home_here()
    if back:
        moved.came_back(home)
        say("The records go on here. Do not go on with the moved ones elsewhere.")
        return
    now = datetime.now(UTC)
    with opened() as at:
        if isinstance(at.store, RemoteStore):
            misuse("a daemon runs here; stop it first")
        contents = bundle.write(at.home, at.store, file.resolve(), at=now)
    moved.note(home, file.resolve(), at=now)
    show(f"{file} is written and whole.", *contents.told())
    _warn(at.settings)
    say(
        f"On the other PC: holdpoint --home FOLDER restore {file.name}. "
        "Here the records are closed; `holdpoint move FILE --back` opens them again."
    )


def _warn(settings: Settings) -> None:
    """Say that addresses are in the file, where there are any."""
    alerts = settings.alerts
    if alerts.channels or alerts.alive_url or settings.sharing:
        say(KEEP_CLOSE)


def _told(file: Path, contents: Contents, settings: Settings) -> Shown:
    _warn(settings)
    return Shown(
        {"file": str(file)} | bundle.vars_of(contents),
        f"{file} is written and whole.",
        *contents.told(),
        NOT_IN_IT,
    )
