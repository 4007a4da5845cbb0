"""Now: what to do, the map of ranges by builds, what is held."""

from typing import Any

import pandas as pd
import streamlit as st

from daemon import plots, words
from daemon.look import DARK, LIGHT
from daemon.rows import as_signals, signals_of
from dashboard import data, look

EVERY_S = 3.0
BUILDS_WIDE = 6
BUILDS_NARROW = 3


@st.fragment(run_every=EVERY_S)
def standing() -> None:
    """Say what stands, and show it."""
    connection = data.connected()
    builds = connection.about_product("builds")
    errors = connection.about_product("latest_errors")
    signals = signals_of(connection.store, connection.name)
    saying = words.standing(
        signals=signals,
        held_builds=list(builds.loc[builds["state"] == "held", "build"]),
        units=errors["serial"].nunique(),
    )
    look.saying(saying.headline, saying.lines)
    if errors.empty:
        first_run()
        return
    with st.container(key="wide", gap=None):
        ranges_by_builds(connection, errors, builds, most=BUILDS_WIDE, each_named=False)
    with st.container(key="narrow", gap=None):
        ranges_by_builds(
            connection, errors, builds, most=BUILDS_NARROW, each_named=True
        )
    held(connection)


def ranges_by_builds(
    connection: data.Connection,
    errors: pd.DataFrame,
    builds: pd.DataFrame,
    *,
    most: int,
    each_named: bool,
) -> None:
    """Show a strip a range; on a narrow screen each names range and builds itself."""
    drawn = strips(
        errors,
        builds,
        connection.about_product("signals"),
        connection.about_product("fittings"),
        tuple((one.key, one.title, one.part) for one in connection.product.ranges),
        dark=look.current() is DARK,
        most=most,
        each_named=each_named,
    )
    for title, spec in drawn:
        if each_named:
            st.markdown(f"**{title}**")
        st.vega_lite_chart(spec=spec, theme=None, width="stretch")


@st.cache_data(max_entries=16, show_spinner=False)
def strips(
    errors: pd.DataFrame,
    builds: pd.DataFrame,
    signals: pd.DataFrame,
    fittings: pd.DataFrame,
    ranges: tuple[tuple[str, str, str | None], ...],
    *,
    dark: bool,
    most: int,
    each_named: bool,
) -> list[tuple[str, dict[str, Any]]]:
    """Draw the strips: title and chart a range. Drawing is slow, so it is kept."""
    shown = plots.shown_builds(list(dict.fromkeys(errors["build"])), most=most)
    frame = plots.laid_out(errors[errors["build"].isin(shown)], signals)
    parts = {key: part for key, _, part in ranges if part is not None}
    changes = plots.reel_changes(frame, fittings, parts)
    labels = plots.labels_of_builds(builds)
    notes = {
        one.range: words.beside(one, short=each_named) for one in as_signals(signals)
    }
    drawn: list[tuple[str, dict[str, Any]]] = []
    for key, title, _ in ranges:
        rows = frame[frame["range"] == key]
        if rows.empty:
            continue
        chart = plots.range_strip(
            rows,
            changes[changes["range"] == key],
            title=None if each_named else title,
            note=notes.get(key),
            look=DARK if dark else LIGHT,
            build_labels=labels if each_named or not drawn else None,
        )
        drawn.append((title, chart.to_dict(validate=False)))
    return drawn


def held(connection: data.Connection) -> None:
    """List what may not leave."""
    holds = connection.about_product("holds")
    holds = holds[holds["disposal"].isna()]
    if holds.empty:
        return
    st.subheader("Stays", anchor=False)
    for one in holds.to_dict("records"):
        st.markdown(
            f"**{one['scope'].capitalize()} {one['subject']}**: {one['reason']}"
        )
    st.page_link("views/holds.py", label="Decide on holds")


def first_run() -> None:
    """Say how to begin."""
    st.markdown(
        """
1. Open a build: `holdpoint build open B-1 --units 30`
2. Record the reels on the machine: `holdpoint reel add K-101 --nominal 10k
   --tolerance 0.1%`, then `holdpoint reel fit K-101 R12 --build B-1`
3. Connect the check standard and measure the first unit: `holdpoint measure PA-0001`,
   or the page *Bench*.

No instruments at hand? `holdpoint import FILE` reads a spreadsheet, and
`holdpoint demo` shows everything with a simulated bench.
"""
    )


standing()
