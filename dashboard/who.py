"""Who decides: chosen once a browser session from the control plan's list.

Behind a proxy that knows its users the choice is made by the proxy's header, but only
when it proves itself by the secret that this process was given.
"""

import hmac
import os
from collections.abc import Sequence

import streamlit as st

PERSON, ASKED = "person", "who decides"
"""Keys of a viewer's session: who was chosen; the list that asks."""
SECRET = "HOLDPOINT_PROXY_SECRET"  # noqa: S105 -- the variable's name
USER_HEADER, SECRET_HEADER = "X-Holdpoint-User", "X-Holdpoint-Secret"


def choose(people: Sequence[str]) -> str | None:
    """Offer the list once; return who was chosen, None so far."""
    named = by_proxy(people)
    if named is not None:
        st.session_state[PERSON] = named
        return named
    kept = st.session_state.get(PERSON)
    said: str | None = st.selectbox(
        "Who decides",
        people,
        index=people.index(kept) if kept in people else None,
        placeholder="Choose your name",
        key=ASKED,
    )
    st.session_state[PERSON] = said
    return said


def chosen() -> str | None:
    """Return who decides, as a button's callback must know it before it is drawn."""
    said: str | None = st.session_state.get(ASKED) or st.session_state.get(PERSON)
    return said


def by_proxy(people: Sequence[str]) -> str | None:
    """Return the user that a trusted proxy names, when the plan lists that name."""
    secret = os.environ.get(SECRET, "")
    given = st.context.headers.get(SECRET_HEADER) or ""
    if not secret or not hmac.compare_digest(secret.encode(), given.encode()):
        return None
    user = st.context.headers.get(USER_HEADER)
    return user if user in people else None
