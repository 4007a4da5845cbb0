"""What would settle a finding: a checklist, and a form for what was measured."""

import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from datetime import UTC, datetime

import streamlit as st

from config import QuantityError, Unit
from daemon.holds import NoProofError, limits_of_meter_ppm, not_by_bench, taken
from daemon.presentation import figures
from daemon.service import RefusedOrderError
from daemon.watch import UNITS, Step, checklist, probabilities
from dashboard import data, look, who
from dashboard.data import Connection, Shown
from storage import ProofKind, Signal, StorageError

OHMS = (
    "Ohms only on unpowered boards, battery out, capacitors discharged; loose parts "
    "are safest."
)
SAYABLE = 0.01
EVERY_S = 3.0
WHO = "choose your name above: it says who measures"


def settle(shown: Shown, signal: str, *, expanded: bool = False) -> None:
    """Show the checklist under one finding, and take what a person measured."""
    raised = next((one for one in shown.raised if one.signal == signal), None)
    if raised is None or not raised.standing:
        return
    own = [one for one in shown.measured if one.signal == signal]
    steps = checklist(raised, own, shown.product, replaced=shown.replaced)
    settled = not any(one.telling for one in steps)
    label = "The cause is settled" if settled else "What would settle it"
    with st.expander(label, expanded=expanded):
        look.lines(stands(probabilities(raised, own, shown.product)))
        worths = {one.worth for one in steps if one.worth}
        look.lines(*(line(one, alone=len(worths) > 1) for one in steps))
        if len(worths) == 1:
            look.quiet(f"Each {worths.pop()}.")
        form(raised, steps, shown)
        if st.session_state.get(f"proof asked {signal}"):
            became(signal)


def heading(shown: Shown, signal: str) -> str:
    """Return what stands above the checklist of a finding."""
    raised = next(one for one in shown.raised if one.signal == signal)
    own = [one for one in shown.measured if one.signal == signal]
    return titled(checklist(raised, own, shown.product, replaced=shown.replaced))


def titled(steps: Iterable[Step]) -> str:
    """Return what a checklist is called: one that tells nothing more settles nothing.

    >>> titled([])
    'Measurements on this finding'
    """
    if any(one.telling for one in steps):
        return "Measurements that would settle it, the most telling first"
    return "Measurements on this finding"


def stands(after: Mapping[str, float]) -> str:
    """Return how probable each cause is now, likeliest first, the unlikely left out.

    >>> stands({"bench": 0.1, "reel": 0.9})
    'Now: reel 90 %, bench 10 %.'
    """
    ordered = sorted(
        ((name, p) for name, p in after.items() if p >= SAYABLE),
        key=lambda pair: -pair[1],
    )
    return f"Now: {', '.join(f'{name} {figures.share(p)}' for name, p in ordered)}."


def line(step: Step, *, alone: bool) -> str:
    """Return one line of the checklist, with what it alone is likely to do."""
    mark = "\N{BALLOT BOX WITH CHECK}" if step.proofs else "\N{BALLOT BOX}"
    text = f"{mark} {figures.capital(step.words)}"
    if step.proofs:
        text += f" ({figures.counted(len(step.proofs), 'time')}, last by "
        text += f"{step.proofs[-1].person})"
    if alone and step.worth:
        text += f": it {step.worth}"
    return f"{text}."


def form(signal: Signal, steps: list[Step], shown: Shown) -> None:
    """Take what was measured."""
    name = signal.signal
    st.selectbox(
        "What to measure",
        [one.kind for one in steps],
        format_func=lambda kind: kind.value,
        key=f"proof kind {name}",
    )
    kind = ProofKind(st.session_state[f"proof kind {name}"])
    ohms = UNITS[kind] is Unit.OHM
    if ohms:
        look.quiet(OHMS)
    left, right = st.columns(2, gap="small")
    left.text_input(
        "Which part, serial, reel or meter",
        key=f"proof of {name}",
        placeholder="optional",
    )
    right.text_input(
        "Accuracy of the meter", key=f"proof meter {name}", placeholder="0.02 %"
    )
    by_bench(signal, kind, shown)
    st.text_input(
        "Read: ohms, one part after another, such as 10.031k 10.029k"
        if ohms
        else "Read: how far from what it should, such as +0.02 %. Left blank: as the "
        "bench has measured it since",
        key=f"proof read {name}",
    )
    times = st.session_state.get(f"proofs recorded {name}", 0)
    st.button(
        "Record it",
        # Another key after each record, so that a second click is known as one.
        key=f"proof record {name} {times}",
        on_click=record,
        args=(signal, times),
    )


def by_bench(signal: Signal, kind: ProofKind, shown: Shown) -> None:
    """Offer to have the bench measure it; say why not where it cannot."""
    name = signal.signal
    reason = not_by_bench(signal, kind, shown.connection.settings.bench)
    needed = "instruments" if UNITS[kind] is Unit.OHM else "bench"
    if reason is None and not ((doing := data.doing()) and doing[1][needed]):
        reason = "no bench is open: type what was read"
    if reason is not None:
        look.quiet(f"Not by the bench: {reason}.")
        return
    asked: list[str] = st.session_state.setdefault(f"proof asked {name}", [])
    st.button(
        "Have the bench measure it",
        # Another key after each order: a second click orders nothing twice.
        key=f"proof run {name} {len(asked)}",
        on_click=run,
        args=(signal, kind, len(asked)),
    )


def run(signal: Signal, kind: ProofKind, number: int) -> None:
    """Order a measurement; what it asks for stands above, on every page."""
    name, state = signal.signal, st.session_state
    asked: list[str] = state[f"proof asked {name}"]
    if number != len(asked):
        return
    if (person := who.chosen()) is None:
        data.refuse(WHO)
        return
    meter = state[f"proof meter {name}"].strip() or None
    try:
        accuracy_ppm = None if meter is None else limits_of_meter_ppm(meter)
    except (NoProofError, QuantityError) as exc:
        data.refuse(str(exc))
        return
    proof = {
        "signal": name,
        "kind": kind.value,
        "person": person,
        "subject": state[f"proof of {name}"].strip() or None,
        "accuracy_ppm": accuracy_ppm,
    }
    once = data.once(f"proof run {name} {number}")

    def order(at: data.Connection) -> None:
        ticket = at.client.work("prove", proof=proof, once=once)
        if ticket not in asked:
            asked.append(ticket)

    data.tried(order)


@st.fragment(run_every=EVERY_S)
def became(name: str) -> None:
    """Say what became of the last measurement that was ordered for a finding."""
    asked: list[str] = st.session_state.get(f"proof asked {name}", [])
    if not asked:
        return
    with suppress(StorageError, RefusedOrderError):
        seen = data.connection().client.ticket(asked[-1])
        if seen["message"]:
            look.lines(seen["message"])
        else:
            look.lines(f"The bench: {seen['state']}. What it asks for stands above.")


def record(signal: Signal, recorded_before: int) -> None:
    """Keep what was measured; what is wrong with it stands on the page.

    A second click keeps nothing: by then the line is blank, which would read as
    another measurement, by the bench.
    """
    name, state = signal.signal, st.session_state
    if recorded_before != state.get(f"proofs recorded {name}", 0):
        return
    kind = ProofKind(state[f"proof kind {name}"])
    texts = readings(state[f"proof read {name}"])
    person = who.chosen() or ""
    subject = state[f"proof of {name}"].strip() or None

    def keep(at: Connection) -> None:
        if not person:
            raise NoProofError(WHO)
        proof = taken(
            signal,
            kind,
            texts,
            at.product,
            store=at.store,
            bench=at.settings.bench,
            person=person,
            at=datetime.now(UTC),
            subject=subject,
            meter=state[f"proof meter {name}"].strip() or None,
        )
        at.store.keep(proof)

    try:
        kept = data.tried(keep)
    except NoProofError as exc:
        data.refuse(str(exc))
        return
    if kept:
        state[f"proofs recorded {name}"] = recorded_before + 1
        state[f"proof read {name}"] = state[f"proof of {name}"] = ""


def readings(text: str) -> list[str]:
    """Return the quantities in a line, parted by blanks, semicolons or commas.

    A unit or a percent sign may stand apart from its number. A comma between two digits
    parts nothing: it is a decimal sign, or refused where the piece is read. Nothing
    that was typed is left out.

    >>> readings("10.031k, 10.029 kohm"), readings("+0.02 % -0.01 %; .5 %")
    (['10.031k', '10.029 kohm'], ['+0.02 %', '-0.01 %', '.5 %'])
    >>> readings("10,10 ten"), readings("R47 10.2")
    (['10,10 ten'], ['R47', '10.2'])
    """
    return [
        one
        for piece in re.split(r";|,(?!\d)|(?<!\d),", text)
        for one in re.split(r"\s+(?=[+\-\N{MINUS SIGN}]?(?:\.?\d|R\d))", piece.strip())
        if one
    ]
