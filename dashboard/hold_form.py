"""How a hold is ended: the form under it, and the decision that it takes."""

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime

import streamlit as st

from daemon.holds import policy
from daemon.presentation import sentences, spans
from dashboard import data, look, rework_form, who
from storage import (
    Disposal,
    HoldState,
    Scope,
    SerialRangeError,
    Signal,
    counted_runs,
)

NAMED = "hold"
"""In the address: which hold is meant."""
ENDED_TOGETHER = "holds ended together"
"""Key of a viewer's session: how often that was done."""
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


def together(units: Sequence[HoldState]) -> None:
    """Offer to end the holds of several units, which are held each by itself, at once.

    Parameters
    ----------
    units
        Their holds.
    """
    if len(units) < 2:  # noqa: PLR2004
        return
    serials = [one.subject for one in units]
    times = st.session_state.get(ENDED_TOGETHER, 0)
    # What is offered changes with the units; a field of before keeps what was typed.
    key = f"{times} {' '.join(sorted(set(serials)))}"
    title = f"End the holds on several units together ({len(set(serials))} are held)"
    with st.expander(title):
        st.text_input(
            "Units: serials, or the first and the last of many",
            value=", ".join(as_typed(serials)),
            key=f"units together {key}",
        )
        st.radio(
            "How they end",
            list(Disposal),
            index=None,
            format_func=str,
            captions=[
                look.plain(sentences.leaving(one, Scope.UNIT)) for one in Disposal
            ],
            key=f"by together {key}",
        )
        st.text_area("Reason", key=f"why together {key}")
        st.text_input(
            "Evidence, if any", key=f"shown together {key}", placeholder=EVIDENCE
        )
        st.button(
            "End these holds",
            key=f"end together {key}",
            on_click=end_together,
            args=(key, times),
        )


def as_typed(serials: Iterable[str]) -> list[str]:
    """Return serials as they are typed: of those that count up the ends.

    >>> as_typed(["PA-2", "PA-1", "PA-3", "PA-9"])
    ['PA-1..PA-3', 'PA-9']
    """
    return [
        run[0] if len(run) == 1 else f"{run[0]}..{run[-1]}"
        for run in counted_runs(dict.fromkeys(serials))
    ]


def end_together(key: str, ended_before: int) -> None:
    """End every hold by itself on the units of the form.

    What may refuse it is looked at before the first is ended.
    """
    state = st.session_state
    if ended_before != state.get(ENDED_TOGETHER, 0):
        return
    person, disposal = who.chosen(), state[f"by together {key}"]
    if person is None or disposal is None:
        data.refuse("Say who decides and how the holds end.")
        return
    try:
        named = dict.fromkeys(rework_form.meant(state[f"units together {key}"]))
    except SerialRangeError as exc:
        data.refuse(str(exc))
        return
    mine = [
        one
        for one in data.here().standing
        if one.scope is Scope.UNIT and one.subject in named
    ]
    if free := [one for one in named if one not in {each.subject for each in mine}]:
        data.refuse(f"Not held by itself: {spans(free)}. Nothing was ended.")
        return
    if not mine:
        data.refuse("Say which units.")
        return

    def keep(at: data.Connection) -> None:
        ends = [
            policy.ending(
                one.hold,
                disposal=disposal,
                person=person,
                reason=state[f"why together {key}"],
                people=at.settings.plan.people,
                at=datetime.now(UTC),
                evidence=state[f"shown together {key}"],
            )
            for one in mine
        ]
        for ended, decision in ends:
            at.store.keep(ended, decision=decision)

    if decided(keep):
        state[ENDED_TOGETHER] = ended_before + 1


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
