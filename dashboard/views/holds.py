"""Holds: what stays and why; a named person places or ends one with a reason."""

from collections import Counter
from collections.abc import Hashable, Mapping
from datetime import UTC, datetime
from typing import Any

import streamlit as st

from daemon.holds import ending as ending_of_doubt, offered_ends, policy
from daemon.presentation import figures, hold_order, screens, sentences, spans
from dashboard import data, documents, hold_form, look, rework_form, settle, who
from dashboard.data import Shown
from storage import HoldState, Scope

SCOPES = {
    Scope.BUILD: "build",
    Scope.REEL: "reel",
    Scope.SERIALS: "range of serials",
    Scope.UNIT: "unit",
}
BY_CHECK = (
    "A good check in the same session ends it; else a person does, who knows why these "
    "runs are right."
)
OFFERED = "The hold stands until a named person ends it; the form is filled in."
PLACED = "holds placed"
"""Key of a viewer's session: how many holds were placed by hand."""
ENDED = ("What", "Ended by", "Who", "Why", "Evidence", "When")
NEWEST = 200
"""Ended holds that are listed."""


def holds() -> None:
    """Show what stands, each with its form; a form to place one; what was ended."""
    shown = data.followed()
    people = shown.connection.settings.plan.people
    standing = shown.standing
    doubts = shown.in_doubt
    look.say(_headline(len(standing), len(doubts)))
    with st.container(key="subject", width=360):
        who.choose(people)
    # What comes and goes stands in a place of its own: what is below keeps its place,
    # and with it what somebody is typing there.
    with st.container():
        hold_form.together([one for one in standing if one.scope is Scope.UNIT])
        standing_ones(shown, standing)
    with st.container():
        for doubt in doubts:
            in_doubt(doubt)
    place(shown)
    if shown.units:
        rework_form.form(shown, "holds")
    ended(shown)
    stepped_back(shown)


def standing_ones(shown: Shown, standing: list[HoldState]) -> None:
    """Show each hold that stands, with its form."""
    settled: set[str] = set()
    findings = {one.signal: one for one in shown.findings}
    raised = {one.signal: one for one in shown.raised}
    at = shown.connection
    offers = offered_ends(at.store, at.name, standing, shown.raised, shown.findings)
    names = Counter(sentences.held(one) for one in standing)
    # The hold that the address names comes first, its form open.
    asked = st.query_params.get(hold_form.NAMED, "")
    if asked and asked not in {one.hold for one in standing}:
        look.stands_out(screens.hold_is_over(asked))
    for one in sorted(standing, key=lambda o: (o.hold != asked, hold_order(o))):
        with st.container(key=f"standing {one.hold}"):
            finding = findings.get(one.signal or "")
            offer = offers.get(one.hold)
            why = sentences.why_held(one, finding)
            placed = f"Placed by {one.placed_by}, {look.moment(one.placed_at)}."
            look.heading(
                f"{figures.capital(sentences.held(one))}: {why}",
                [placed] if offer is None else [f"{offer.sentence} {OFFERED}", placed],
            )
            if finding is not None and finding.signal not in settled:
                # One finding may hold a build and a reel.
                settled.add(finding.signal)
                settle.settle(shown, finding.signal)
            documents.offer(papers(one, shown), key=one.hold)
            title = f"End the hold on {sentences.held(one)}"
            if names[sentences.held(one)] > 1:
                title += f", {hold_form.why_placed(one)}"
            hold_form.form(title, one, raised.get(one.signal or ""), offer)


def _headline(standing: int, doubts: int) -> str:
    said = [
        figures.counted(number, name)
        for number, name in ((standing, "hold"), (doubts, "doubt"))
        if number
    ]
    return f"{' and '.join(said)} to decide on." if said else "Nothing is held."


def papers(hold: HoldState, shown: Shown) -> list[documents.Paper]:
    """Return the documents on what a hold stands on."""
    match hold.scope:
        case Scope.BUILD:
            return [documents.named("build", hold.subject)]
        case Scope.UNIT if shown.measured_ever(hold.subject):
            return [documents.named("unit", hold.subject)]
        case Scope.REEL:
            return documents.of_reel(shown, hold.subject)
        case _:
            return []


def in_doubt(doubt: Mapping[Hashable, Any]) -> None:
    """Show runs of a bench that no good check stands behind; offer to end the doubt."""
    name, serials = doubt["doubt"], doubt["serials"]
    look.heading(
        f"Bench in doubt, {figures.counted(len(serials), 'unit')}: {doubt['reason']}",
        [
            f"{spans(serials)}.",
            f"Raised {look.moment(doubt['raised_at'].to_pydatetime())}.",
            BY_CHECK,
        ],
    )
    with st.expander(look.plain(f"End the doubt on {spans(serials)}")):
        st.text_area("Reason", key=f"why {name}")
        st.button("End this doubt", key=f"end {name}", on_click=trust, args=(name,))


def trust(name: str) -> None:
    """End a doubt as the form says."""
    person = who.chosen()
    if person is None:
        data.refuse("Say who decides")
        return

    def keep(at: data.Connection) -> None:
        ended, decision = ending_of_doubt(
            name,
            person=person,
            reason=st.session_state[f"why {name}"],
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        )
        at.store.keep(ended, decision=decision)

    hold_form.decided(keep)


def place(shown: Shown) -> None:
    """Offer to hold something by hand."""
    if not shown.builds:
        return
    with st.expander("Hold something by hand"):
        scope = st.segmented_control(
            "On",
            list(SCOPES),
            format_func=SCOPES.__getitem__,
            default=Scope.BUILD,
            required=True,
            key="hold on",
        )
        # A key a scope: another widget does not take over what was typed.
        key = f"held {scope}"
        match scope:
            case Scope.BUILD:
                st.selectbox("Build", shown.builds[::-1], key=key)
            case Scope.REEL:
                st.selectbox("Reel", shown.reels[::-1], key=key)
            case Scope.SERIALS:
                first, last = st.columns(2, gap="small")
                first.text_input("First serial", key=key)
                last.text_input("Last serial", key="held to")
            case _:
                st.text_input("Serial", key=key)
        st.text_area("Reason", key="hold why")
        times = st.session_state.get(PLACED, 0)
        # Another key after each hold, so that a second click is known as one.
        st.button("Hold it", key=f"hold it {times}", on_click=held, args=(times,))


def held(placed_before: int) -> None:
    """Place the hold that the form describes; a second click places none."""
    state, person = st.session_state, who.chosen()
    if placed_before != state.get(PLACED, 0):
        return
    scope = Scope(state["hold on"])
    subject = str(state.get(f"held {scope}") or "").strip()
    last = str(state.get("held to") or "").strip()
    if person is None or not subject or (scope is Scope.SERIALS and not last):
        data.refuse("Say who decides and what is held")
        return

    def keep(at: data.Connection) -> None:
        placed, decision = policy.by_hand(
            scope=scope,
            subject=subject,
            product=at.name,
            person=person,
            reason=state["hold why"],
            people=at.settings.plan.people,
            at=datetime.now(UTC),
            to_serial=last if scope is Scope.SERIALS else None,
        )
        at.store.keep(placed, decision=decision)

    if hold_form.decided(keep):
        state[PLACED] = placed_before + 1
        state["hold why"] = ""


def ended(shown: Shown) -> None:
    """List the holds that were ended."""
    rows = [one for one in shown.holds if one.disposal is not None]
    if not rows:
        return
    look.heading("Ended")
    look.table(
        ENDED,
        [
            (
                figures.capital(sentences.held(one)),
                str(one.disposal),
                one.person or "",
                one.end_reason or "",
                one.evidence or "",
                look.moment(one.ended_at) if one.ended_at is not None else "",
            )
            for one in reversed(rows[-NEWEST:])
        ],
    )
    if len(rows) > NEWEST:
        look.quiet(f"The newest {NEWEST} are listed. All: holdpoint hold list --all")


def stepped_back(shown: Shown) -> None:
    """List the findings that were withdrawn, with the reason."""
    lines = [sentences.withdrawn(one) for one in shown.findings if not one.standing]
    if lines:
        look.heading("Withdrawn", lines[::-1])


holds()
