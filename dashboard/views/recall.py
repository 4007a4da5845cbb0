"""Recall: every serial that a finding or a reel concerns, and how far each is."""

from math import isnan

import streamlit as st

from daemon.presentation import capital, figures, screens, sentences
from daemon.traceability import (
    CLEAR,
    COLUMNS,
    Concerned,
    Containment,
    Place,
    contain,
    note,
    records_about,
)
from daemon.traceability.papers import Of
from dashboard import address, data, documents, look, who
from storage import Step, StorageError

INTERVAL = "interval"
SHOWN = ("serial", "todo", "destination", "step", "error_ppm", INTERVAL, "basis",
         "probability", "nonconforming")  # fmt: skip
HEADS = {
    "error_ppm": "Error",
    INTERVAL: "Between (95 %)",
    "probability": "Has such a part",
    "nonconforming": "Outside limit",
}
LONGEST = 200
"""Rows of a list that are shown."""
NOTED = "steps noted"
"""Key of a viewer's session: how often steps were noted."""
ADVICE = "On a finding every unit that it may concern is listed here, wherever it is."


def recall() -> None:
    """Choose what is contained, then show its lists."""
    shown = data.here()
    # What holds comes first; one that was withdrawn concerns nobody any more.
    newest = sorted(shown.findings, key=lambda one: (one.standing, one.holds))
    subjects = [one.signal for one in newest[::-1]]
    named = {one.signal: sentences.name(one) for one in shown.findings}
    for reel in shown.fittings["reel"].drop_duplicates():
        subjects.append(reel)
        named[reel] = f"Reel {reel}"
    if not subjects:
        look.say("Nothing to contain.", [ADVICE])
        return
    with st.container(key="subject", width=360):
        subject = address.choose(
            "Finding or reel",
            "about",
            subjects,
            otherwise=subjects[0],
            said=lambda one: named.get(one, one),
            many=True,
            label_stands=True,
        )
    found = ask(shown, subject)
    if found is None:
        return
    look.say(found.headline(), found.lines())
    documents.offer(papers(shown, found), key="contained")
    for name, units in found.listed().items():
        if name != CLEAR:
            listed(name, units)
    look.heading(f"Not concerned: {found.clear}")
    steps(shown, found)


def ask(shown: data.Shown, subject: str) -> Containment | None:
    """Ask the daemon for what is concerned."""
    at = shown.connection
    try:
        records = records_about(at.store, at.name, at.product.keys, subject)
        return contain(at.store, records, subject, at.product)
    except StorageError as exc:
        look.stands_out(str(exc))
        return None


def papers(shown: data.Shown, found: Containment) -> list[documents.Paper]:
    """Return the lists as files, and what customers and supplier are told."""
    offered = [*documents.lists(found.subject)]
    if found.noticed:
        offered += documents.every(Of.CONTAINMENT, found.subject)
    asked = [one for one in shown.findings if one.signal == found.subject]
    if not asked:
        return [*offered, *documents.of_reel(shown, found.subject)]
    named = [one.signal for one in asked if one.reel and one.part]
    return [*offered, *(paper for one in named for paper in documents.of_finding(one))]


def listed(name: str, units: tuple[Concerned, ...]) -> None:
    """Show one list; of a long one its beginning, all of it is in the file."""
    look.heading(f"{capital(name)}: {len(units)}")
    look.table(
        [HEADS.get(key) or capital(COLUMNS[key]) for key in SHOWN],
        [[cell(one, key) for key in SHOWN] for one in units[:LONGEST]],
    )
    if len(units) > LONGEST:
        look.quiet(screens.more_in_file(len(units) - LONGEST))


def cell(one: Concerned, key: str) -> str:
    """Return one cell as it is read, in the digits that its interval allows."""
    value = one.low_ppm if key == INTERVAL else getattr(one, key)
    if value is None or (isinstance(value, float) and isnan(value)):
        return ""
    half_ppm = (one.high_ppm - one.low_ppm) / 2
    match key:
        case "error_ppm" if one.measured:
            text = figures.measured(value, half_ppm, one.limit_ppm)
        case "error_ppm":
            text = figures.percent(value, half_ppm)
        case "interval":
            text = figures.between(one.low_ppm, one.high_ppm, beside_ppm=one.error_ppm)
        case "probability":
            text = figures.carries(value)
        case "nonconforming":
            text = figures.share(value)
        case _:
            text = str(value)
    return text


def steps(shown: data.Shown, found: Containment) -> None:
    """Offer to note how far units that left are."""
    away = [
        one.serial
        for one in found.concerned
        if one.where in (Place.SHIPPED, Place.RESELLER, Place.RETURNED)
    ]
    if not away:
        return
    look.heading(
        "Follow to the end",
        [f"{len(found.still_open)} of those that left are not closed."],
    )
    with st.expander("Note a step"):
        who.choose(shown.connection.settings.plan.people)
        st.multiselect("Units", away, key="stepped")
        st.segmented_control("Step", [one.value for one in Step], key="step")
        st.text_input("Note", key="step note")
        times = st.session_state.get(NOTED, 0)
        # Another key after each step, so that a second click is known as one.
        st.button(
            "Note it",
            key=f"note step {times}",
            on_click=stepped,
            args=(found.subject, times),
        )


def stepped(subject: str, noted_before: int) -> None:
    """Keep the step of each chosen unit, once: also where two tabs say the same."""
    if noted_before != st.session_state.get(NOTED, 0):
        return
    person, step = st.session_state.get(who.PERSON), st.session_state.get("step")
    serials = st.session_state.get("stepped", [])
    if person is None or step is None or not serials:
        data.refuse("Say who, which units and which step")
        return
    text = st.session_state.get("step note", "")
    kept: list[str] = []

    def keep(at: data.Connection) -> None:
        kept.extend(
            serial
            for serial in serials
            if note(at.store, at.name, subject, serial, Step(step), person, text)
        )

    if not data.tried(keep):
        return
    st.session_state[NOTED] = noted_before + 1
    st.session_state["stepped"] = []
    if not kept:
        data.refuse("This step is noted already")


recall()
