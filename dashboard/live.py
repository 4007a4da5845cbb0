"""What the bench does just now, on every page, and the button that stops it."""

from datetime import UTC, datetime
from typing import Any

import streamlit as st

from daemon.judging import ProductModel
from daemon.presentation import figures, screens
from dashboard import data, look

EVERY_S = 1.0
SOURCE_ON = "The source is on: touch no leads."
THERE = "there"
"""Key of a viewer's session: whether the daemon answered."""
HELP = (
    "Turns the output off by command. No emergency stop and no isolation: disconnect "
    "before you touch anything."
)


@st.fragment(run_every=EVERY_S)
def line(*, alone: bool) -> None:
    """Say what the bench does; offer to turn the source off while a bench is live.

    Parameters
    ----------
    alone
        Whether it is said nowhere else what the bench does and asks for. The page of
        the bench says it itself: at two places it would be of two moments.
    """
    if data.outdated():
        st.rerun()
    found = data.doing()
    was_there = st.session_state.get(THERE, found is not None)
    st.session_state[THERE] = found is not None
    if was_there != (found is not None):
        st.rerun()
    if found is None:
        silence = data.silence()
        with st.container(key="silent"):
            look.stands_out(silence.headline())
            look.lines(*silence.lines(datetime.now(UTC)))
        return
    with st.container(
        key="live", horizontal=True, vertical_alignment="center", gap="small"
    ):
        connection, state = found
        look.quiet(in_words(state, connection.product) if alone else named(state))
        if state["bench"] is not None:
            source(off=state["phase"] == "source off")
    if alone and state["prompt"] is not None:
        prompt(state["prompt"], state["order"])
    if state["alarm"]:
        look.stands_out(f"Alarm: {state['alarm']}")
    if state["stalled"]:
        look.stands_out(
            f"Stalled: {state['stalled']}. Look at the bench, then stop the daemon "
            "and start it again."
        )
    if state["check_overdue"]:
        look.stands_out(f"No unit is judged before a check: {state['check_due']}.")
    if state["trouble"]:
        look.stands_out(state["trouble"])
    if (text := data.said()) is not None:
        look.stands_out(text)


def source(*, off: bool) -> None:
    """Offer to turn the source off, or to allow measuring again."""
    if off:
        st.button("Allow measuring", on_click=_resume, key="allow")
        return
    st.button(
        "Source off now",
        type="primary",
        on_click=_source_off,
        key="off",
        help=HELP,
    )


def prompt(asked: dict[str, Any], order: dict[str, Any] | None) -> None:
    """Show what the daemon asks for, with the button that says it is done.

    Parameters
    ----------
    order
        For which it asks: `work` and `serial`.
    """
    with st.container(
        key="prompt", horizontal=True, vertical_alignment="center", gap="small"
    ):
        look.heading(asked["text"])
        wants = asked.get("wants")
        if wants is not None:
            st.text_input(
                f"In {wants}",
                key=f"value {asked['prompt']}",
                label_visibility="collapsed",
                placeholder=wants,
                width=180,
                on_change=_answer_with_value,
                args=(asked["prompt"],),
            )
        st.button(
            "Done" if wants is None else "That is it",
            type="primary",
            key=f"answer {asked['prompt']}",
            on_click=_answer if wants is None else _answer_with_value,
            args=(asked["prompt"],),
        )
        if asked.get("by_scan"):
            st.button(
                look.plain(screens.drop_order(order)),
                key=f"drop {asked['prompt']}",
                on_click=_drop,
                args=(asked["prompt"],),
            )


def _source_off() -> None:
    data.tried(lambda at: at.client.source_off())


def _resume() -> None:
    data.tried(lambda at: at.client.resume())


def _answer(prompt: str) -> None:
    data.tried(lambda at: at.client.answer(prompt))


def _drop(prompt: str) -> None:
    data.tried(lambda at: at.client.drop(prompt))


def _answer_with_value(prompt: str) -> None:
    value = st.session_state[f"value {prompt}"].strip()
    if value:
        data.tried(lambda at: at.client.answer(prompt, value))


def gone() -> None:
    """Say that there is nothing to show; what to do stands above."""
    look.say(screens.NOTHING_YET, [screens.GOES_ON])


def doing(state: dict[str, Any]) -> tuple[str, list[str]]:
    """Return what the bench does, in a sentence, and more of it."""
    lines = [] if state["checked"] is None else [state["checked"]]
    if state["source_on"]:
        lines.insert(0, SOURCE_ON)
    if state["waiting"] > 1:
        lines.append(
            f"{figures.counted(state['waiting'] - 1, 'order')} after this one."
        )
    if state.get("catching_up"):
        return "Wait: earlier runs are checked first.", [state["catching_up"]]
    if state["bench"] is None:
        return "No bench: type what you read.", lines
    if state["phase"] == "source off":
        return "The source is off.", ["Check leads and board, then allow measuring."]
    if state["prompt"] is not None:
        return f"Waiting for {state['prompt']['subject']}.", lines
    return under_way(state), lines


def under_way(state: dict[str, Any]) -> str:
    """Return what the bench does while it asks nobody anything.

    It is ready only where it is known to do nothing: people touch leads at that word.
    """
    phase = state["phase"]
    if phase != "waiting":
        said = {
            "connecting": "{serial} is connected: it begins now.",
            "checking": "Checking {serial}.",
            "measuring": "Measuring {serial}.",
            "reading again": "Reading {serial} again.",
            "trouble": "Not measured.",
        }
        return said.get(phase, f"{figures.capital(phase)}.").format_map(state)
    if state["source_on"]:
        return "Wait: the source is on."
    if state["order"] is not None:
        return "Wait: an order begins."
    return "Ready for the next unit."


def in_words(state: dict[str, Any], product: ProductModel) -> str:
    """Return one line on what the bench does."""
    bench = named(state)
    if state["bench"] is None:
        return bench
    if state["prompt"] is not None:
        # What was measured last is done: it waits for a person now.
        return f"{bench}: waiting for {state['prompt']['subject']}"
    if state["phase"] in {"measuring", "checking"} and state["serial"]:
        doing = f"{state['phase']} {state['serial']}"
        if state["range"]:
            title = product.range(state["range"]).title
            doing += f", {screens.level_read(title, state['level'], state['levels'])}"
        return f"{bench}: {doing}"
    return f"{bench}: {state['phase']}"


def named(state: dict[str, Any]) -> str:
    """Return which bench it is; in a sentence where there is none."""
    if state["bench"] is None:
        return "No bench is connected. The records are shown, and nothing is measured."
    return f"Bench {state['bench']}"
