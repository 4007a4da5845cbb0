"""Packing: scan a unit, hear and read whether it may leave, scan the next."""

from dataclasses import dataclass
from datetime import UTC, datetime

import streamlit as st

from daemon.holds import NotAllowedError
from daemon.presentation import figures
from daemon.traceability import BY_PLAN, Gate
from dashboard import data, documents, look, sound, who
from storage import FINAL

SCANNED, LAST = "scanned", "last scanned"
"""Keys of a viewer's session: the newest answer, and those before it."""
SHOWN = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """One answer."""

    serial: str
    to: str
    reasons: tuple[str, ...]
    overridden: bool = False
    by_plan: bool = False

    @property
    def sentence(self) -> str:
        """What to do with the unit."""
        if self.overridden:
            return f"{self.serial} leaves by override."
        if not self.reasons:
            how = f", {BY_PLAN}" if self.by_plan else ""
            return f"May leave{how}: {self.serial}."
        return f"Must not leave: {self.serial}."


def packing() -> None:
    """Ask for person and order once, then for one serial after another."""
    answer = st.session_state.get(SCANNED)
    tell(answer)
    shown = data.here()
    person, order, kind = st.columns([2, 3, 2], vertical_alignment="bottom")
    with person:
        who.choose(shown.connection.settings.plan.people)
    with order:
        st.text_input("Order", key="order", placeholder="Its reference, no name")
    with kind:
        st.toggle("To a reseller", key="reseller")
    st.text_input(
        "Serial", key="scan", on_change=scanned, placeholder="Scan or type, then Enter"
    )
    if (text := data.said()) is not None:
        look.stands_out(text)
    if answer is not None and answer.reasons and not answer.overridden:
        override(answer)
    if answer is not None and shown.measured_ever(answer.serial):
        documents.offer([documents.named("unit", answer.serial)], key="scanned")
    before = st.session_state.get(LAST, [])
    if before:
        look.heading("Before")
        look.quiet(*(f"{one.sentence} {_why(one)}" for one in before))


def tell(answer: Scan | None) -> None:
    """Say the newest answer, aloud too."""
    if answer is None:
        look.say(
            "Scan a unit.",
            ["It may leave when it was measured, conforms, and nothing holds it."],
        )
        return
    look.say(answer.sentence, [f"For {answer.to}."] if not answer.reasons else [])
    for reason in answer.reasons:
        look.stands_out(f"{figures.capital(reason.rstrip('.'))}.")
    with st.container(key="sound"):
        st.audio(
            sound.tones(sound.STAYS_HZ if answer.reasons else sound.LEAVES_HZ),
            format="audio/wav",
            autoplay=True,
        )


def scanned() -> None:
    """Take what the scanner typed."""
    serial = st.session_state["scan"].strip()
    st.session_state["scan"] = ""
    if serial:
        attempt(serial, None)


def attempt(serial: str, reason: str | None) -> None:
    """Let a unit leave if nothing is against it, or somebody overrides that."""
    person, to = st.session_state.get(who.PERSON), st.session_state.get("order", "")
    if person is None or not to.strip():
        data.refuse("Say who packs and for which order")
        return
    said: list[str] = []
    by_plan: list[bool] = []

    def ship(at: data.Connection) -> None:
        gate = Gate(at.settings, at.store)
        said.extend(
            gate.ship(
                serial,
                to=to,
                person=person,
                at=datetime.now(UTC),
                reseller=st.session_state.get("reseller", False),
                override=reason,
            )
        )
        by_plan.append(gate.by_plan(serial))

    try:
        if not data.tried(ship):
            return
    except NotAllowedError as exc:
        data.refuse(str(exc))
        return
    before = st.session_state.get(SCANNED)
    if before is not None:
        st.session_state[LAST] = [before, *st.session_state.get(LAST, [])][:SHOWN]
    st.session_state[SCANNED] = Scan(
        serial=serial,
        to=to,
        reasons=tuple(said),
        overridden=reason is not None,
        by_plan=any(by_plan),
    )


def override(answer: Scan) -> None:
    """Offer to let a unit leave although something is against it."""
    if any(one in FINAL for one in answer.reasons):
        return
    with st.expander(f"Let {answer.serial} leave all the same"):
        look.quiet("Your name, your reason and all that is against it stay for ever.")
        st.text_input("Reason", key="override")
        st.button(
            "Let it leave",
            on_click=overridden,
            args=(answer.serial,),
        )


def overridden(serial: str) -> None:
    """Take an override."""
    reason = st.session_state.get("override", "")
    if not reason.strip():
        data.refuse("An override needs a reason")
        return
    attempt(serial, reason)


def _why(one: Scan) -> str:
    return "; ".join(one.reasons)


packing()
