"""Messages: what was told to whom, whether it arrived, and who took note."""

from collections.abc import Hashable
from datetime import UTC, datetime
from typing import Any

import pandas as pd
import streamlit as st

from daemon.alerts import UnknownMessageError, noted, state
from daemon.holds import NotAllowedError
from daemon.presentation import figures
from dashboard import address, data, look, who

ABOUT = "about"
"""What a message is about, in the address: a finding, a hold, a build."""
ALL = "About everything"
NEWEST = 200
"""Messages that are listed at once."""
COLUMNS = {
    "made_at": "Told",
    "title": "What it says",
    "target": "Channel",
    "state": "State",
    "tries": "Tries",
    "last_error": "Last error",
    "next_at": "Next try",
    "delivered_at": "Arrived",
    "person": "Noted by",
}


def messages() -> None:
    """Say what did not arrive, offer to take note, and list all, newest first."""
    shown = data.followed()
    settings = shown.connection.settings
    rows = shown.messages.assign(
        state=[
            state(delivered=arrived, dead=given_up, tries=tries)
            for arrived, given_up, tries in zip(
                shown.messages["delivered_at"].notna(),
                shown.messages["dead_at"].notna(),
                shown.messages["tries"],
                strict=True,
            )
        ]
    )
    look.say(*_headline(rows, channels=len(settings.alerts.channels)))
    for one in shown.given_up.to_dict("records"):
        look.stands_out(dead(one))
    unread = rows[rows["acknowledged_at"].isna()].drop_duplicates("alert")
    if not unread.empty:
        note(unread, settings.plan.people)
    if not rows.empty:
        look.heading("All messages")
        listed(about(rows.iloc[::-1]))


def _headline(rows: pd.DataFrame, *, channels: int) -> tuple[str, list[str]]:
    if rows.empty:
        if not channels:
            how = "No channel is named in alerts.toml: name one, then try it with:"
            return "Nobody is told.", [f"{how} holdpoint alerts test"]
        return "No message was sent yet.", []
    dead = rows.loc[rows["state"] == "given up", "alert"].nunique()
    waiting = rows.loc[rows["state"].isin(["waits", "tried again"]), "alert"].nunique()
    if dead:
        still = f"; {waiting} on the way" if waiting else ""
        return f"{figures.counted(dead, 'message')} did not arrive{still}.", []
    if waiting:
        return f"{figures.counted(waiting, 'message')} on the way.", []
    return "Every message arrived.", []


def dead(row: dict[Hashable, Any]) -> str:
    """Return what is said of a message that was given up."""
    why = "" if pd.isna(row["last_error"]) else f" Last error: {row['last_error']}"
    return (
        f"Given up on {row['target']}, times tried: {row['tries']}. {row['title']}{why}"
    )


def note(unread: pd.DataFrame, people: tuple[str, ...]) -> None:
    """Offer to take note of messages."""
    titles = dict(zip(unread["alert"], unread["title"], strict=True))
    look.heading(
        f"Nobody took note of {figures.counted(len(titles), 'message')} yet",
        ["You are reminded of the important ones until somebody does."],
    )
    with st.container(key="form"):
        who.choose(people)
        st.multiselect(
            "Messages",
            list(titles),
            format_func=lambda one: titles.get(one, one),
            placeholder="All of them",
            key="noted",
        )
        st.button("Take note", on_click=take, args=(tuple(titles),))


def take(offered: tuple[str, ...]) -> None:
    """Keep who took note of the chosen messages, or of all that were offered."""
    person = who.chosen()
    chosen = [one for one in st.session_state["noted"] if one in offered] or offered
    if person is None:
        data.refuse("Say who takes note")
        return

    def keep(at: data.Connection) -> None:
        known = set(at.store.frame("alerts", product=at.name)["alert"])
        for taken, decision in noted(
            chosen,
            known=known,
            person=person,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        ):
            at.store.keep(taken, decision=decision)

    try:
        data.tried(keep)
    except (NotAllowedError, UnknownMessageError) as exc:
        data.refuse(str(exc))


def about(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the messages on what the address names; all, where it names nothing."""
    with st.container(key="subject", width=360):
        chosen = address.choose(
            "About",
            ABOUT,
            [ALL, *rows["subject"].drop_duplicates()],
            otherwise=ALL,
            said=lambda one: ALL if one == ALL else f"About {one}",
            many=True,
        )
    return rows if chosen == ALL else rows[rows["subject"] == chosen]


def listed(rows: pd.DataFrame) -> None:
    """List messages, the newest first; of many the newest alone."""
    look.table(
        tuple(COLUMNS.values()),
        [
            [cell(row[name]) for name in COLUMNS]
            for row in rows.head(NEWEST).to_dict("records")
        ],
    )
    if len(rows) > NEWEST:
        look.quiet(f"The newest {NEWEST} are listed. All: holdpoint alerts list --all")


def cell(value: object) -> str:
    """Return one cell as it is read; empty where nothing is known."""
    if pd.isna(value):  # type: ignore[call-overload]
        return ""
    if isinstance(value, datetime):
        return look.moment(value)
    return str(value)


messages()
