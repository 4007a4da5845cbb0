"""Budget: what makes a verdict unsure, line by line, and what would help most."""

from collections.abc import Sequence

import pandas as pd
import streamlit as st

from daemon.judging import NoBudgetError, budgets_of_bench, drifts_of
from daemon.metrology import Budget
from daemon.presentation import budgets as words, plots
from dashboard import charts, data, look, pictures
from storage import StorageError

KEPT = "budgets"
"""Key of a viewer's session: the budgets, kept by the settings' hash."""


def budget() -> None:
    """Show one range's budget: sentence, picture, table, checks."""
    at = data.here().connection
    look.say(words.HEADLINE)
    try:
        found = _budgets(at)
    except NoBudgetError as exc:
        look.lines(f"{exc}.")
        return
    titles = {one.title: one for one in found}
    worst = min(found, key=lambda one: one.ratio)
    with st.container(key="budget range", width=320):
        chosen = st.selectbox(
            "Range", list(titles), index=list(titles).index(worst.title)
        )
    one = titles[chosen]
    if one.judges:
        look.lines(words.summary(one))
    else:
        look.stands_out(words.summary(one))
    look.lines(words.what_helps(one))
    for form, columns in (("wide", tuple(words.COLUMNS)), ("narrow", words.NARROW)):
        with st.container(key=form):
            _lines(one, columns, narrow=form == "narrow")
    look.quiet(words.drawn(one), words.MEANING)


def _lines(one: Budget, columns: Sequence[str], *, narrow: bool) -> None:
    """Show the share of each line, and the lines."""
    look.heading("Share of each line")
    charts.plain(
        pictures.packed(
            plots.shares_of_budget(one, look=look.current(), narrow=narrow)
        ),
        words=f"{words.what_helps(one)} The table below says the same.",
        key=f"budget {one.title} {'narrow' if narrow else 'wide'}",
        rows=pd.DataFrame(words.table(one)),
        columns=words.COLUMNS,
    )
    look.heading("Line by line")
    st.table(
        [{words.COLUMNS[key]: row[key] for key in columns} for row in words.table(one)],
        border="horizontal",
        hide_index=True,
    )


def _budgets(at: data.Connection) -> tuple[Budget, ...]:
    """Return the budgets of the settings in force; numbers are drawn only once."""
    kept = st.session_state.get(KEPT)
    try:
        drifts = drifts_of(at.settings, at.store)
    except StorageError:
        # The daemon is away: what the bench did by what was heard last.
        drifts = {} if kept is None else kept[0][1]
    if kept is None or kept[0] != (id(at.settings), drifts):
        kept = (id(at.settings), drifts), budgets_of_bench(at.settings, drifts)
        st.session_state[KEPT] = kept
    found: tuple[Budget, ...] = kept[1]
    return found


budget()
