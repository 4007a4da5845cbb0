"""Benches that share a record: what one bench's screens say of the others."""

from contextlib import suppress

import streamlit as st

from daemon.presentation import (
    DIFFERENCES,
    beside,
    difference_rows,
    held_where,
    measured_where,
    seen_elsewhere,
    untold,
)
from daemon.presentation.figures import moment
from dashboard import data, look
from dashboard.data import Shown
from storage import (
    Benches,
    Cause,
    SharedView,
    Signal,
    StorageError,
    Untold,
    Whose,
)

SEEN, WAITING = "benches seen", "not told to benches"
"""Keys of a viewer's session: what the daemon said last of the benches."""


def seen(shown: Shown) -> tuple[Benches, SharedView] | None:
    """Return what the shared database said last; None for a bench that is alone.

    While the daemon does not answer, what it said last.
    """
    _ask(shown)
    kept: list[SharedView] = st.session_state.get(SEEN, [])
    return (Benches.of(kept[0].body), kept[0]) if kept else None


def _ask(shown: Shown) -> None:
    """Remember what the daemon says; nothing anew while it does not answer."""
    at = shown.connection
    if (found := data.doing()) is None or found[1]["sharing"] is None:
        return  # a bench that is alone is asked for nothing
    with suppress(StorageError):
        views = at.store.rows(SharedView, shared_view=at.name)
        waiting = at.store.rows(Untold)
        st.session_state[SEEN], st.session_state[WAITING] = views, waiting


def show(shown: Shown) -> None:
    """Say which bench measured and holds what, and what they were not told yet."""
    found = seen(shown)
    waiting = untold(st.session_state.get(WAITING, []))
    if found is None:
        if waiting:
            look.heading("Benches", [waiting])
        return
    benches, view = found
    lines = [*measured_where(benches), *held_where(shown.holds, benches)]
    look.heading("Benches", [*lines, *([waiting] if waiting else [])])
    look.quiet(f"As the shared database had it {moment(view.seen_at)}.")


def standard(shown: Shown) -> None:
    """Say how the benches read one check standard."""
    found = seen(shown)
    if found is None:
        return
    benches, view = found
    titles = {one.key: one.title for one in shown.connection.product.ranges}
    look.heading("Bench against bench", beside(benches, titles))
    if rows := difference_rows(benches, titles):
        look.table(
            list(DIFFERENCES),
            [[str(row[key]) for key in DIFFERENCES.values()] for row in rows],
        )
        look.quiet(
            "Of each bench its newest checks, ten at most, of 60 days. Known within: "
            "how sure the difference is, by how checks repeat (k = 2). Both state: "
            "what the stated uncertainties of both benches allow (k = 2). As the "
            f"shared database had it {moment(view.seen_at)}."
        )


def of_finding(shown: Shown, finding: Signal) -> tuple[str, ...]:
    """Return what other benches say of a finding; nothing for a bench that is alone."""
    found = seen(shown)
    if found is None:
        return ()
    own = [one for one in found[0].findings if one.signal == finding.signal]
    return seen_elsewhere(own[0]) if own else ()


def whose(shown: Shown, finding: Signal | None, said: str) -> str:
    """Return whose a finding is: as this bench says, unless other benches tell more."""
    found = None if finding is None else seen(shown)
    if found is None or finding is None:
        return said
    for one in found[0].findings:
        if one.signal == finding.signal and one.whose is not Whose.OPEN:
            told = seen_elsewhere(one)[-1]
            # What this bench alone thought of itself is not said beside it.
            beside_it = one.whose is Whose.PRODUCT and finding.cause is not Cause.BENCH
            return f"{said} {told}" if beside_it else told
    return said
