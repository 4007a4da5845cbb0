"""How a hold is ended: the form under it, and the decision that it takes."""

from collections.abc import Callable
from datetime import UTC, datetime

import streamlit as st

from daemon.holds import policy
from daemon.presentation import sentences
from dashboard import data, look, who
from storage import Disposal, HoldState, Signal

NAMED = "hold"
"""In the address: which hold is meant."""
EVIDENCE = "a report's number, a run, a certificate"


def form(
    title: str,
    hold: HoldState,
    finding: Signal | None,
    offer: policy.EndOffer | None,
) -> None:
    """Offer to end a hold; what its finding gives for it is filled in."""
    name = hold.hold
    if offer is not None and offer != st.session_state.get(f"offered {name}"):
        # Once an offer, so that nothing typed since is lost.
        st.session_state[f"offered {name}"] = offer
        st.session_state[f"by {name}"] = offer.disposal
        st.session_state[f"why {name}"] = offer.reason
        st.session_state[f"shown {name}"] = offer.evidence
    with st.expander(look.plain(title), expanded=st.query_params.get(NAMED) == name):
        st.radio(
            "How it ends",
            list(Disposal),
            index=None,
            format_func=str,
            captions=[
                look.plain(sentences.leaving(one, hold.scope)) for one in Disposal
            ],
            key=f"by {name}",
        )
        chosen = st.session_state[f"by {name}"]
        if finding is not None and finding.standing and chosen is not None:
            look.quiet(sentences.taught(Disposal(chosen), hold.scope))
        st.text_area("Reason", key=f"why {name}")
        st.text_input("Evidence, if any", key=f"shown {name}", placeholder=EVIDENCE)
        st.button("End this hold", key=f"end {name}", on_click=end, args=(name,))


def end(name: str) -> None:
    """Take the decision that the form holds; a second click changes nothing."""
    before = next(one for one in data.here().holds if one.hold == name)
    if before.disposal is not None:
        data.refuse(
            f"The hold on {before.scope} {before.subject} is ended already: "
            f"{before.disposal} by {before.person}."
        )
        return
    person, disposal = who.chosen(), st.session_state[f"by {name}"]
    if person is None or disposal is None:
        data.refuse("Say who decides and how the hold ends.")
        return

    def keep(at: data.Connection) -> None:
        ended, decision = policy.ending(
            name,
            disposal=disposal,
            person=person,
            reason=st.session_state[f"why {name}"],
            people=at.settings.plan.people,
            at=datetime.now(UTC),
            evidence=st.session_state[f"shown {name}"],
        )
        at.store.keep(ended, decision=decision)

    decided(keep)


def decided(keep: Callable[[data.Connection], object]) -> bool:
    """Keep a decision; what is against it stands on the page."""
    try:
        return data.tried(keep)
    except policy.NotAllowedError as exc:
        data.refuse(str(exc))
        return False


def why_placed(hold: HoldState) -> str:
    """Tell a hold from another on the same build, reel or unit."""
    if hold.signal is not None:
        return f"finding {hold.signal}"
    return f"placed {look.local(hold.placed_at, form=look.TO_THE_SECOND)}"
