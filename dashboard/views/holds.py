"""Holds: what stays and why; a named person ends a hold with a reason."""

from collections.abc import Hashable, Mapping
from datetime import UTC, datetime
from typing import Any

import pandas as pd
import streamlit as st

from daemon import holds as policy
from daemon import words
from dashboard import data, look, settle
from storage.records import Disposal

EVERY_S = 3.0
MEANINGS = {
    Disposal.RELEASE: "release: it conforms, it may leave",
    Disposal.CONCESSION: "concession: it may leave although it does not conform",
    Disposal.REWORK: "rework: it is made to conform and measured again",
    Disposal.SCRAP: "scrap: it never leaves",
}


@st.fragment(run_every=EVERY_S)
def holds() -> None:
    """Show the holds that stand, each with its form, and those that were ended."""
    shown = data.here()
    findings = {one.signal: one for one in shown.findings}
    standing = shown.standing.to_dict("records")
    look.say(
        f"{words.counted(len(standing), 'hold')} to decide on."
        if standing
        else "Nothing is held."
    )
    settled: set[str] = set()
    for one in standing:
        finding = findings.get(one["signal"])
        why = one["reason"] if finding is None else words.reads(finding)
        stands_on = words.held(one)
        look.heading(
            f"{stands_on[0].upper()}{stands_on[1:]}: {why}",
            [f"Placed by {one['placed_by']}, {one['placed_at']:%Y-%m-%d %H:%M} UTC."],
        )
        if finding is not None and finding.signal not in settled:
            # One finding may hold a build and a reel.
            settled.add(finding.signal)
            settle.settle(shown, finding.signal)
        form(one, shown.connection.settings.plan.people)
    ended = shown.holds[shown.holds["disposal"].notna()]
    if not ended.empty:
        look.heading("Ended")
        st.dataframe(
            ended[["scope", "subject", "disposal", "person", "end_reason", "ended_at"]],
            hide_index=True,
            column_config={
                "scope": "On",
                "subject": "Which",
                "disposal": "Ended by",
                "person": "Who",
                "end_reason": "Why",
                "ended_at": st.column_config.DatetimeColumn(
                    "When", format="YYYY-MM-DD HH:mm"
                ),
            },
        )


def form(hold: Mapping[Hashable, Any], people: tuple[str, ...]) -> None:
    """Offer to end a hold."""
    name = hold["hold"]
    with st.expander(f"End the hold on {hold['scope']} {hold['subject']}"):
        st.selectbox(
            "Who decides",
            people,
            index=None,
            placeholder="Choose your name",
            key=f"who {name}",
        )
        st.radio(
            "How it ends",
            list(MEANINGS),
            index=None,
            format_func=MEANINGS.__getitem__,
            key=f"by {name}",
        )
        st.text_area("Reason", key=f"why {name}")
        st.button("End this hold", key=f"end {name}", on_click=end, args=(name,))


def end(name: str) -> None:
    """Take the decision that the form holds; a second click changes nothing."""
    before = data.here().holds.set_index("hold").loc[name]
    if pd.notna(before["disposal"]):
        data.refuse(
            f"The hold on {before['scope']} {before['subject']} is ended already: "
            f"{before['disposal']} by {before['person']}."
        )
        return
    person, disposal = st.session_state[f"who {name}"], st.session_state[f"by {name}"]
    if person is None or disposal is None:
        data.refuse("Say who decides and how the hold ends.")
        return
    try:
        ended, decision = policy.ending(
            name,
            disposal=disposal,
            person=person,
            reason=st.session_state[f"why {name}"],
            people=data.here().connection.settings.plan.people,
            at=datetime.now(UTC),
        )
    except policy.NotAllowedError as exc:
        data.refuse(str(exc))
        return
    data.tried(lambda at: at.store.end_hold(ended, decision))


holds()
