"""One record of several benches: is it reached, what does it say of the benches."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime

import click

from daemon.commands.opened import opened
from daemon.commands.showing import (
    Headline,
    Part,
    Shown,
    Table,
    fail,
    listed,
    misuse,
    say,
    show,
    shown,
)
from daemon.presentation import (
    DIFFERENCES,
    beside,
    difference_rows,
    measured_where,
    seen_elsewhere,
    untold,
)
from daemon.presentation.figures import moment
from daemon.traceability import benches_of
from storage import (
    Benches,
    NotShared,
    PostgresStore,
    SharedView,
    StorageError,
    Untold,
)

ALONE = "this bench is alone: there is no sharing.toml beside product.toml"


@click.command("try")
def sharing_try() -> None:
    """Reach the shared database once.

    A new database gets its tables, an older one what this version adds.
    """
    with opened() as at:
        settings = at.settings.sharing
    if settings is None:
        misuse(ALONE)
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


@click.command("compare")
@shown
def sharing_compare() -> Shown:
    """Say how the benches compare.

    How they read the same check standard; and of each finding of this bench what the
    others read of such units, so that a bench that is off is told from a bad reel.
    """
    with opened() as at:
        settings = at.settings.sharing
        if settings is None:
            misuse(ALONE)
        name = at.settings.product.name
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
        try:
            with PostgresStore(settings.database) as shared:
                now = datetime.now(UTC)
                seen = benches_of(at.store, shared, name, bench=settings.bench, at=now)
        except StorageError as exc:
            kept = at.store.rows(SharedView, shared_view=name)
            if not kept:
                say(f"Not reached: {exc}. Nothing was seen before.")
                fail()
            seen = Benches.of(kept[0].body)
            say(f"Not reached: {exc}. This was seen {moment(kept[0].seen_at)}.")
        waiting = at.store.rows(Untold)
    return Shown(json.loads(seen.text), *_compared(seen, titles, waiting))


def _compared(
    seen: Benches, titles: Mapping[str, str], waiting: Sequence[Untold]
) -> Iterator[Part]:
    yield from measured_where(seen)
    if line := untold(waiting):
        yield line
    yield ""
    yield Headline("One check standard at several benches")
    yield from beside(seen, titles)
    if rows := difference_rows(seen, titles):
        yield Table(rows, {name.lower(): key for name, key in DIFFERENCES.items()})
    for one in seen.findings:
        yield ""
        yield Headline(f"Finding {one.signal}")
        yield from seen_elsewhere(one)
