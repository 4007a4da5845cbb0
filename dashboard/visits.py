"""When this browser looked last: kept by the browser, in a cookie of this address.

Nobody is named and nothing is sent elsewhere. Another browser has looked never, and
one that forgets its cookies too; then the page says what happened in the last days. A
reload is no new visit: one begins half an hour after the last look.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import streamlit as st

COOKIE = "holdpoint-looked"
APART = timedelta(minutes=30)
"""A look so long after the last one begins a visit."""
KEPT_S = 400 * 24 * 3600
WITHOUT = timedelta(days=7)
"""How far back is told where no visit is known."""
SINCE = "since the last visit"
"""Key of a viewer's session: what was found in the cookie when it began."""


@dataclass(frozen=True, slots=True)
class Visit:
    """Since when a viewer is told what happened; whether that was his last visit."""

    since: datetime
    known: bool


def last() -> Visit:
    """Return when the visit before this one ended, and note that one looks now."""
    now = datetime.now(UTC)
    if SINCE not in st.session_state:
        st.session_state[SINCE] = before(st.context.cookies.get(COOKIE, ""), now)
    ended: datetime | None = st.session_state[SINCE]
    _note(ended, now)
    if ended is None:
        # Of a day, so that what was asked since then is not asked anew at each look.
        morning = now.replace(hour=0, minute=0, second=0, microsecond=0)
        return Visit(morning - WITHOUT, known=False)
    return Visit(ended, known=True)


def before(cookie: str, now: datetime) -> datetime | None:
    """Return when the visit before the present one ended; None where none is known.

    Parameters
    ----------
    cookie
        Seconds: the end of the visit before (0: none), a point, the latest look.

    Examples
    --------
    >>> now = datetime(2026, 3, 2, 12, tzinfo=UTC)
    >>> before("0.1772409600", now)  # looked at midnight: another visit
    datetime.datetime(2026, 3, 2, 0, 0, tzinfo=datetime.timezone.utc)
    >>> before("1772409600.1772452700", now)  # looked five minutes ago: this one
    datetime.datetime(2026, 3, 2, 0, 0, tzinfo=datetime.timezone.utc)
    >>> before("nonsense", now) is None
    True
    """
    parts = cookie.split(".")
    if len(parts) != 2 or not all(one.isdecimal() for one in parts):  # noqa: PLR2004
        return None
    try:
        earlier, latest = (datetime.fromtimestamp(int(one), UTC) for one in parts)
    except (ValueError, OverflowError, OSError):
        return None
    if latest > now:
        return None
    if now - latest >= APART:
        return latest
    return earlier if int(parts[0]) else None


def _note(ended: datetime | None, now: datetime) -> None:
    kept = f"{0 if ended is None else int(ended.timestamp())}.{int(now.timestamp())}"
    st.html(
        f'<script>document.cookie="{COOKIE}={kept}; path=/; max-age={KEPT_S}; '
        'SameSite=Strict"</script>',
        unsafe_allow_javascript=True,
    )
