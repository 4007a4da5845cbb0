"""One record of several benches: is it reached, and what could not be shared."""

from dataclasses import asdict

import click

from daemon.commands.opened import opened
from daemon.commands.showing import Shown, fail, listed, misuse, show, shown
from storage import NotShared, PostgresStore, StorageError


@click.command("try")
def sharing_try() -> None:
    """Reach the shared database once.

    A new database gets its tables, an older one what this version adds.
    """
    with opened() as at:
        settings = at.settings.sharing
    if settings is None:
        misuse("this bench is alone: there is no sharing.toml beside product.toml")
    try:
        with PostgresStore(settings.database) as store:
            benches = store.benches()
    except StorageError as exc:
        show(f"Not reached: {exc}.")
        fail()
    known = ", ".join(benches) or "none yet"
    show(f"Reached. Benches that share it: {known}. This one is {settings.bench}.")


@click.command("list")
@shown
def sharing_list() -> Shown:
    """List what could not be shared, and why.

    Two benches recorded one thing in two ways. What each recorded stays as it is at
    that bench; correct one of the two, for instance with `holdpoint reel edit`.
    """
    with opened() as at:
        rows = [asdict(one) for one in at.store.rows(NotShared)]
    if not rows:
        return Shown(rows, "Nothing was refused.")
    return listed(rows, {
        "when": ("noted_at", "%Y-%m-%d %H:%M"), "told by bench": "bench",
        "what": "said", "why not": "reason",
    })  # fmt: skip
