"""Holds: what stays and why; a named person ends a hold with a reason."""

from datetime import UTC, datetime

import streamlit as st

from daemon import holds as policy
from daemon import words
from dashboard import data, look
from storage.errors import StorageError
from storage.records import Disposal

MEANINGS = {
    Disposal.RELEASE: "release: it conforms, it may leave",
    Disposal.CONCESSION: "concession: it may leave although it does not conform",
    Disposal.REWORK: "rework: it is made to conform and measured again",
    Disposal.SCRAP: "scrap: it never leaves",
}

connection = data.connected()
rows = connection.about_product("holds")


def end(name: str) -> None:
    """Take the decision that the form holds; a second click changes nothing."""
    try:
        ended, decision = policy.ending(
            name,
            disposal=st.session_state[f"by {name}"],
            person=st.session_state[f"who {name}"],
            reason=st.session_state[f"why {name}"],
            people=connection.settings.plan.people,
            at=datetime.now(UTC),
        )
        connection.store.end_hold(ended, decision)
    except (policy.NotAllowedError, StorageError) as exc:
        st.session_state["refused"] = str(exc)


if refused := st.session_state.pop("refused", None):
    st.warning(refused)
standing = rows[rows["disposal"].isna()]
look.saying(
    "Nothing is held."
    if standing.empty
    else f"{words.counted(len(standing), 'hold')} to decide on."
)
for one in standing.to_dict("records"):
    name = one["hold"]
    st.markdown(
        f"**{one['scope'].capitalize()} {one['subject']}**: {one['reason']}  \n"
        f"Since {one['placed_at']:%Y-%m-%d %H:%M} UTC, placed by {one['placed_by']}."
    )
    with st.expander(f"End the hold on {one['scope']} {one['subject']}"):
        st.selectbox("Who decides", connection.settings.plan.people, key=f"who {name}")
        st.radio(
            "How it ends",
            list(MEANINGS),
            format_func=MEANINGS.__getitem__,
            key=f"by {name}",
        )
        st.text_area("Reason", key=f"why {name}")
        st.button("End this hold", key=f"end {name}", on_click=end, args=(name,))
ended_rows = rows[rows["disposal"].notna()]
if not ended_rows.empty:
    st.subheader("Ended", anchor=False)
    st.dataframe(
        ended_rows[
            ["scope", "subject", "disposal", "person", "end_reason", "ended_at"]
        ],
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
