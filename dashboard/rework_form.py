"""Rework: a form that records which part of which units was replaced, from which reel.

What is recorded, and what is refused, is the same as by `holdpoint rework replace`.
"""

from collections.abc import Sequence
from datetime import UTC, datetime

import streamlit as st

from config import HoldpointError
from daemon.presentation import screens, spans
from daemon.traceability import replace_part
from dashboard import data, look, who
from storage import Reel, counted_runs, counted_serials

DONE = "reworks done"
"""Key of a viewer's session: what was recorded last, of which form, and how often."""


def form(
    shown: data.Shown,
    name: str,
    *,
    serials: Sequence[str] = (),
    part: str | None = None,
    choose_who: bool = False,
) -> None:
    """Offer to record that a part was replaced; say what became of the last one.

    Parameters
    ----------
    name
        Tells the form from others.
    serials
        Units that stand in it, to be corrected.
    part
        The part that is meant, where it is known.
    choose_who
        Whether nothing else on the page asks who decides.
    """
    said, of, count = st.session_state.get(DONE, ((), None, 0))
    parts = [*shown.connection.settings.product.parts]
    mine = f"{name} {count}"
    with st.expander(screens.REPLACED):
        if choose_who:
            with st.container(key=f"who of {name}", width=360):
                who.choose(shown.connection.settings.plan.people)
        st.text_input(
            "Units",
            value=typed(serials),
            key=f"rework units {mine}",
            placeholder="such as PA-3005..PA-3009",
        )
        st.selectbox(
            "Part",
            parts,
            index=parts.index(part) if part in parts else None,
            placeholder="Which part was replaced",
            key=f"rework part {mine}",
        )
        chosen = st.session_state[f"rework part {mine}"]
        st.selectbox(
            "The new part is of reel",
            reels(shown, chosen),
            index=None,
            placeholder="Choose the reel",
            key=f"rework reel {mine}",
        )
        st.text_area("Reason", key=f"rework why {mine}")
        look.quiet(screens.REPLACED_MEANS)
        # Another key after each record, so that a second click is known as one.
        st.button(
            "Record it", key=f"rework keep {mine}", on_click=keep, args=(name, count)
        )
    if said and of == name:
        look.lines(*said)
        st.page_link("views/bench.py", label=screens.TO_THE_BENCH)


def typed(serials: Sequence[str]) -> str:
    """Return units as a person would type them."""
    return ", ".join(
        run[0] if len(run) == 1 else f"{run[0]}..{run[-1]}"
        for run in counted_runs(serials)
    )


def meant(text: str) -> list[str]:
    """Return the units that a person typed: serials, or the first and the last of many.

    >>> meant("PA-3005..PA-3007, PA-3009")
    ['PA-3005', 'PA-3006', 'PA-3007', 'PA-3009']
    """
    return [
        serial
        for one in text.replace(",", " ").replace(";", " ").split()
        for serial in counted_serials(one)
    ]


def reels(shown: data.Shown, part: str | None) -> list[str]:
    """Return the reels, first those of the part's value, the newest first."""
    planned = shown.connection.settings.product.parts.get(part or "")

    def of_another_value(reel: Reel) -> bool:
        if planned is None:
            return False
        allowed_ohm = planned.nominal_ohm * planned.tolerance_ppm * 1e-6
        return abs(reel.nominal_ohm - planned.nominal_ohm) > allowed_ohm

    rows = shown.connection.store.rows(Reel)[::-1]
    return [one.reel for one in sorted(rows, key=of_another_value)]


def keep(name: str, count: int) -> None:
    """Record what the form says; a second click records nothing."""
    state = st.session_state
    if count != state.get(DONE, ((), None, 0))[2]:
        return
    mine = f"{name} {count}"
    person = who.chosen()
    part, reel = state.get(f"rework part {mine}"), state.get(f"rework reel {mine}")
    text = str(state.get(f"rework units {mine}") or "")
    if person is None or part is None or reel is None or not text.strip():
        data.refuse(screens.REPLACED_NEEDS)
        return
    told: list[str] = []

    def record(at: data.Connection) -> None:
        done = replace_part(
            at.store,
            at.name,
            meant(text),
            part,
            reel,
            parts=at.settings.product.parts,
            ranges=at.product.keys,
            person=person,
            reason=str(state.get(f"rework why {mine}") or ""),
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        )
        told.extend(done.sentences())
        told.append(screens.then_measure(spans((*done.recorded, *done.already))))

    try:
        if data.tried(record):
            state[DONE] = (tuple(told), name, count + 1)
    except HoldpointError as exc:
        data.refuse(str(exc))
