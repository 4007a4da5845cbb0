"""Addresses that carry what a page is about, and survive a reload.

A page's subject stands in its address: `?range=`, `?build=`, `?unit=`, `?finding=`.
"""

from collections.abc import Callable, Hashable, Mapping, Sequence
from typing import Any

import streamlit as st

from config import HoldpointError
from daemon.presentation import plots, screens
from dashboard import look
from storage import meant

PAGES = {
    "unit": "views/units.py",
    "build": "views/build.py",
    "range": "views/range.py",
    "finding": "views/finding.py",
}
"""Which page shows a subject."""


TAKEN: Mapping[str, frozenset[str]] = {
    "Build": frozenset({"build"}),
    "Range": frozenset({"range", "build", "chart", "from", "to"}),
    "Finding": frozenset({"finding"}),
    "Holds": frozenset({"hold"}),
    "Recall": frozenset({"about"}),
    "Messages": frozenset({"about"}),
    "Packing": frozenset({"order"}),
    "Units": frozenset({"unit"}),
    "Reels": frozenset({"reel"}),
}
"""Which words of an address a page goes by, by its title; the others take none."""


def strange(title: str) -> list[str]:
    """Return the words of the address that the page of this title does not go by."""
    return [one for one in st.query_params if one not in TAKEN.get(title, ())]


def asked(name: str, among: Sequence[str]) -> str | None:
    """Return what the address asks for, as `meant` by it; None where nothing is."""
    try:
        return meant(st.query_params.get(name, ""), among, kind=name)
    except HoldpointError:
        return None


def choose(
    label: str,
    name: str,
    among: Sequence[str],
    *,
    otherwise: str,
    said: Callable[[str], str] = str,
    many: bool = False,
    label_stands: bool = False,
) -> str:
    """Let a person choose the subject; the address follows, and leads.

    What is shown for want of a choice is not written: each writing is a step that the
    browser's way back would have to undo, and that would be written again. Only where
    another would be shown by now, what is shown stays, and is written.

    Parameters
    ----------
    name
        Of the subject in the address.
    among
        What may be chosen.
    otherwise
        What is shown while the address names nothing that is there.
    said
        How a person reads one.
    many
        Whether there may be more than stand side by side.
    label_stands
        Whether the label is read; else it is there for who hears the page.
    """
    key, state = f"{name} of the address: {label}", st.session_state
    wanted, unknown = otherwise, ""
    if given := st.query_params.get(name):
        try:
            wanted = meant(given, among, kind=label.lower())
        except HoldpointError as exc:
            unknown = str(exc)
    # The address came from elsewhere: a link, a reload, the way back.
    if state.get(f"{key} seen") != st.query_params.get(name) or key not in state:
        state[key] = wanted
    if state[key] not in among:
        state[key] = otherwise
    if unknown and state[key] == wanted:
        look.stands_out(screens.another_is_shown(unknown, said(wanted)))
    asked_for: dict[str, Any] = {
        "label": label, "options": list(among), "format_func": said, "key": key,
        "label_visibility": "visible" if label_stands else "collapsed",
    }  # fmt: skip
    chosen = str(
        st.selectbox(**asked_for)
        if many
        else st.segmented_control(required=True, **asked_for)
    )
    if chosen != wanted:
        st.query_params[name] = chosen
    state[f"{key} seen"] = st.query_params.get(name)
    return chosen


def link(label: str, subject: str, value: str, **more: str) -> None:
    """Lead to the page of a subject."""
    st.page_link(
        PAGES[subject], label=look.plain(label), query_params={subject: value, **more}
    )


def go(subject: str, value: str, **more: str) -> None:
    """Go to the page of a subject."""
    st.switch_page(PAGES[subject], query_params={subject: value, **more})


def opened(picked: Mapping[Hashable, Any]) -> None:
    """Go where a click on a picture leads; nowhere while nothing was clicked.

    Parameters
    ----------
    picked
        The chart's selection, by the names of `daemon.presentation.plots.OPENED`.
    """
    for name, columns in plots.OPENED.items():
        # Marks that lie over each other share one scene: each selection is told what
        # the clicked mark has of its columns, so the first one that has all is meant.
        marks = picked.get(name) or [{}]
        one = {key: str(value) for key, value in marks[0].items() if value is not None}
        if set(one) != set(columns):
            continue
        match name:
            case plots.UNIT_OPENED:
                go("unit", one["serial"])
            case plots.CELL_OPENED:
                go("range", one["range"], build=one["build"])
            case plots.BUILD_OPENED:
                go("build", one["build"])
            case plots.RANGE_OPENED:
                go("range", one["range"])
