"""Open a build: one form, for each page that is empty without one."""

from datetime import UTC, datetime

import streamlit as st

from config import HoldpointError
from daemon.traceability import kitting
from dashboard import data, look

WIDE_PX = 420
NAME, UNITS = "open build", "open units"
"""Keys of the fields."""
SAID = "build opened"
"""Key of a viewer's session: what became of the last one."""
TIMES = "builds opened"
"""Key of a viewer's session: how many were; a second click is known by it."""


def form(*, alone: bool = False) -> None:
    """Offer to open a build; say what became of the last one.

    Parameters
    ----------
    alone
        Whether a page has nothing else to offer: then it stands open.
    """
    with st.container(width=WIDE_PX) if alone else st.expander("Open a build"):
        st.text_input("Name", key=NAME, placeholder="such as B-1")
        st.number_input("Units planned", min_value=1, value=None, step=1, key=UNITS)
        times = st.session_state.get(TIMES, 0)
        st.button("Open it", key=f"Open it {times}", on_click=_keep)
    if said := st.session_state.get(SAID):
        look.lines(said)


def _keep() -> None:
    st.session_state[SAID] = None
    name = str(st.session_state.get(NAME) or "").strip()
    units = st.session_state.get(UNITS)
    if not name:
        data.refuse("Give the build a name")
        return
    fresh: list[bool] = []

    def keep(at: data.Connection) -> None:
        fresh.append(
            kitting.open_build(
                at.store,
                at.name,
                name,
                planned_units=None if units is None else int(units),
                at=datetime.now(UTC),
            )
        )

    try:
        if not data.tried(keep):
            return
    except HoldpointError as exc:
        data.refuse(str(exc))
        return
    already = "" if fresh[0] else " already"
    st.session_state[SAID] = f"Build {name} is open{already}."
    st.session_state[TIMES] = st.session_state.get(TIMES, 0) + 1
    # A key that is taken away would leave in the browser what was typed.
    st.session_state[NAME], st.session_state[UNITS] = "", None
