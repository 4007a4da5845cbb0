"""Ledger: who decided what and why, the newest first; whether anybody changed it."""

import streamlit as st

from daemon.presentation import counted
from daemon.traceability import decided_on
from dashboard import data, look
from storage import Decided, LedgerRow, StorageError, undecided, verify

NEWEST = 200
"""Decisions that are listed."""
PROVED = "ledger proved"
"""Key of a viewer's session: what the last proof said."""
COLUMNS = ("No.", "When", "Who", "What", "On", "Why")
MEANING = (
    "Each line carries a number worked out from the line before, so a line that is "
    "changed, removed or moved breaks the chain. To hold it against the copies of each "
    "night too: holdpoint ledger verify"
)


def ledger() -> None:
    """List the newest decisions; prove the chain when asked."""
    store = data.here().connection.store
    try:
        # Asked anew each time: not every decision changes what other pages show.
        rows = store.rows(LedgerRow, "newest_decisions", newest=NEWEST)
        on = decided_on(store)
    except StorageError as exc:
        look.stands_out(str(exc))
        return
    if not rows:
        look.say("Nobody has decided anything yet.", [MEANING])
        return
    look.say(f"{counted(rows[0].seq, 'decision')} so far.", [MEANING])
    st.button("Prove that none was changed", on_click=prove)
    broken, said = st.session_state.get(PROVED, (False, ""))
    if broken:
        look.stands_out(said)
    elif said:
        look.lines(said)
    look.table(
        COLUMNS,
        [
            (
                str(one.seq),
                look.moment(one.decided_at),
                one.person,
                one.action,
                on.get(one.subject, one.subject),
                one.reason,
            )
            for one in rows
        ],
    )
    if rows[-1].seq > 1:
        look.quiet(f"The newest {NEWEST} are listed. All: holdpoint ledger list")


def prove() -> None:
    """Work the chain out anew, from its first line on."""

    def check(at: data.Connection) -> None:
        kept = at.store.rows(Decided)
        rows = at.store.rows(LedgerRow)
        broken, missing = verify(rows), undecided(rows, kept)
        if broken is not None:
            found = True, f"The ledger is broken at line {broken}."
        elif missing:
            one = missing[0]
            found = True, f"No line for {one.kind} {one.subject} by {one.person}."
        else:
            found = False, f"The ledger is whole: {counted(len(rows), 'decision')}."
        st.session_state[PROVED] = found

    data.tried(check)


ledger()
