"""What the bench does just now, on every page, and the button that stops it."""

from typing import Any

import streamlit as st

from dashboard import data
from storage.errors import UnreachableError

EVERY_S = 1.0
RETRY_S = 2.0


@st.fragment(run_every=RETRY_S)
def try_again() -> None:
    """Run the whole page again once a daemon answers."""
    if data.connection() is not None:
        st.rerun()


@st.fragment(run_every=EVERY_S)
def line() -> None:
    """Say what the bench does; offer to turn the source off while a bench is live."""
    connection = data.connected()
    try:
        state = connection.client.state()
    except UnreachableError:
        st.rerun()
    with st.container(
        horizontal=True, vertical_alignment="center", gap="medium", key="live"
    ):
        st.caption(in_words(state, connection), width="stretch")
        if state["bench"] is None:
            return
        if state["phase"] == "source off":
            st.button("Allow measuring", on_click=connection.client.resume)
        else:
            st.button(
                "Source off now",
                type="primary",
                on_click=connection.client.source_off,
                help="Turns the output off by command. No emergency stop and no "
                "isolation: disconnect before you touch anything.",
            )
    if state["prompt"] is not None:
        with st.container(horizontal=True, vertical_alignment="center", key="prompt"):
            st.markdown(f"**{state['prompt']['text']}**", width="stretch")
            st.button(
                "Connected",
                key=state["prompt"]["prompt"],
                on_click=_connected,
                args=(connection, state["prompt"]["prompt"]),
            )
    if state["trouble"]:
        st.warning(state["trouble"])


def _connected(connection: data.Connection, prompt: str) -> None:
    connection.client.answer(prompt)


def in_words(state: dict[str, Any], connection: data.Connection) -> str:
    """Return one line on what the bench does."""
    if state["bench"] is None:
        return "No bench: rows are shown, nothing is measured."
    bench = f"Bench {state['bench']}"
    if state["phase"] in {"measuring", "checking"} and state["serial"]:
        doing = f"{state['phase']} {state['serial']}"
        if state["range"]:
            title = connection.product.range(state["range"]).title
            doing += f", range {title}, point {state['done']} of {state['points']}"
        return f"{bench}: {doing}"
    return f"{bench}: {state['phase']}"
