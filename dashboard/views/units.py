"""Units: all that is known of a unit, a reel or a build, from any part of its name."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

import pandas as pd
import streamlit as st

from daemon.holds import NotAllowedError
from daemon.presentation import screens
from daemon.presentation.plots import segments, shares_of_limits
from daemon.traceability import Place, Records, Trace, came_back, trace
from daemon.traceability.papers import Of
from dashboard import (
    charts,
    data,
    documents,
    look,
    measured,
    pictures,
    rework_form,
    scanner,
    who,
)
from storage import StorageError, UnitRow, UnreachableError

FOUND = 30
"""Serials that are offered where several have what was typed."""
BACK = "came back"
"""Key of a viewer's session: which unit was taken back last."""
ASKED = "asked for"
"""Key of a viewer's session: what was scanned or typed here, the newest first."""
SHOWN = 30
"""How many of them are listed."""
SUBJECT = "unit"
"""Of the address: what is shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was asked for, and what was said of it; `number` counts them."""

    number: int
    text: str
    said: str


def show() -> None:
    """Ask for a serial, a reel or a build; show what it is connected with."""
    shown = data.here()
    if not shown.builds:
        look.say("Nothing is recorded yet.")
        return
    place = st.container(key="subject", width=420)
    subject = st.query_params.get(SUBJECT, "").strip() or shown.builds[-1]
    headline, body = st.container(), st.container()
    before(subject)
    with headline:
        found = what_it_is(shown, subject)
    # It stands above, and comes once each scan has its line: the next are sent then,
    # and what is not drawn by that time is drawn for the last of them alone.
    with place:
        scanner.field(
            "Serial, or a part of it; a reel or a build",
            key="asked",
            take=asked,
            placeholder="Scan or type, then Enter",
        )
    if found is not None:
        with body:
            about(shown, *found)


def asked(text: str, _given: Mapping[str, Any] | None) -> None:
    """Show what was scanned or typed; of several at once the last, and a line each."""
    st.query_params[SUBJECT] = text
    listed: list[Asked] = st.session_state.get(ASKED, [])
    number = listed[0].number + 1 if listed else 1
    one = Asked(number=number, text=text, said=in_a_line(text))
    st.session_state[ASKED] = [one, *listed][:SHOWN]


def in_a_line(text: str) -> str:
    """Return what is known of a name in one sentence."""
    if (shown := data.shown()) is None:
        return screens.not_looked_up(text)
    try:
        named = meant(shown, text)
        if len(named) == 1:
            return known(shown, named[0])[1].headline
    except UnreachableError:
        return screens.not_looked_up(text)
    except StorageError:
        named = []
    if not named:
        return screens.unknown(text)
    return screens.several(len(named), text, more=len(named) >= FOUND)


def before(subject: str) -> None:
    """List what was asked for before, each with what was said of it then."""
    listed: list[Asked] = st.session_state.get(ASKED, [])
    # What stands above is not said again; a link elsewhere leaves all of them.
    rest = listed[1:] if listed and listed[0].text == subject else listed
    if rest:
        look.heading(screens.BEFORE)
        look.quiet(*(screens.numbered(one.number, one.said) for one in rest))


def what_it_is(shown: data.Shown, subject: str) -> tuple[Records, Trace] | None:
    """Say what a name is of, or what it may be of; return all of what it is of."""
    try:
        named = meant(shown, subject)
        found = known(shown, named[0]) if len(named) == 1 else None
    except UnreachableError:
        look.say(screens.not_looked_up(subject), [screens.GOES_ON])
        return None
    except StorageError as exc:
        look.say(screens.unknown(subject), [str(exc)])
        return None
    if found is None:
        several(subject, named)
    else:
        look.say(found[1].headline)
    return found


def meant(shown: data.Shown, text: str) -> list[str]:
    """Return what a text names: itself, else names that differ in case, else parts."""
    at = shown.connection
    folded = text.casefold()
    known = [*shown.builds, *shown.reels]
    like = at.store.table("units_like", product=at.name, part=text, newest=FOUND)
    serials = [str(one) for one in like.column("serial").to_pylist()]
    if text in known or text in serials:
        return [text]
    every = [*serials, *known]
    if same := [one for one in every if one.casefold() == folded]:
        return same
    if serials:
        return serials
    return [one for one in known if folded in one.casefold()][:FOUND]


def several(text: str, named: Sequence[str]) -> None:
    """Offer what a text may mean, or say that it means nothing."""
    if not named:
        look.say(screens.unknown(text), [screens.UNKNOWN_MEANS])
        return
    look.say(screens.several(len(named), text, more=len(named) >= FOUND))
    with st.container(key="found", horizontal=True, gap="small"):
        for one in named:
            st.button(look.plain(one), key=f"found {one}", on_click=choose, args=(one,))


def choose(name: str) -> None:
    """Show one of several."""
    st.query_params[SUBJECT] = name


def known(shown: data.Shown, subject: str) -> tuple[Records, Trace]:
    """Return all that is recorded of one unit, reel or build, and where it leads."""
    at = shown.connection
    records = Records.of(at.store, at.name, at.product.keys, about=[subject])
    return records, trace(records, subject, shown.product.titles)


def about(shown: data.Shown, records: Records, found: Trace) -> None:
    """Show everything about one unit, reel or build."""
    if found.kind == "serial":
        unit(shown, records, found)
    else:
        if found.cells:
            charts.traced(
                segments(found.cells, found.subject),
                words=screens.traced_alt(found.headline),
                key=f"trace {found.subject}",
            )
        look.lines(*found.lines)
    documents.offer(papers(found, records, shown), key="traced")


def unit(shown: data.Shown, records: Records, found: Trace) -> None:
    """Show how a unit was measured, what it is made of, and what became of it."""
    at = shown.connection
    errors = records.errors_of(found.subject)
    # What may grow stands in a place of its own, so that the form below keeps its own.
    with st.container():
        if found.subject in shown.again:
            look.stands_out(screens.after_rework(found.subject))
        if not errors:
            look.lines(screens.NEVER_MEASURED)
        rows = at.store.rows(UnitRow, serial=found.subject)
        if rows:
            look.heading("Measured")
            titles = {key: at.product.range(key).title for key in at.product.keys}
            chart = shares_of_limits(rows, titles, look=look.current())
            charts.plain(
                pictures.packed(chart),
                words=screens.shares_alt(found.subject, len({one.run for one in rows})),
                key=f"unit {found.subject}",
                rows=pd.DataFrame([asdict(one) for one in rows]),
                columns=pictures.UNITS,
            )
            runs(rows, titles)
        if errors:
            look.heading(
                "As last measured", measured.said(at.store, at.product, errors.values())
            )
            if before := measured.before(at.store, at.product, errors.values()):
                look.heading("As it was judged before the check that closed it", before)
        look.heading("Parts and what became of it", found.lines)
    if records.is_unit(found.subject):
        place = records.place(records.unit(found.subject))
        if place in {Place.SHIPPED, Place.RESELLER}:
            it_came_back(shown, found.subject)
        elif place is not Place.SCRAPPED:
            rework_form.form(
                shown, found.subject, serials=[found.subject], choose_who=True
            )
    if st.session_state.get(BACK) == found.subject:
        look.lines(screens.back_in_the_house(found.subject))


def it_came_back(shown: data.Shown, serial: str) -> None:
    """Offer to record that a unit that left is here again."""
    with st.expander("Record that it came back"):
        with st.container(key="who", width=360):
            who.choose(shown.connection.settings.plan.people)
        st.text_input("Why it came back", key=f"came back {serial}")
        st.button(
            "It is here", key=f"here {serial}", on_click=take_back, args=(serial,)
        )


def take_back(serial: str) -> None:
    """Record that a unit came back; the second of two clicks finds it in the house."""
    person = who.chosen()
    if person is None:
        data.refuse("Say who takes it back.")
        return

    def keep(at: data.Connection) -> None:
        back, line = came_back(
            serial,
            product=at.name,
            person=person,
            reason=st.session_state[f"came back {serial}"],
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        )
        at.store.keep(back, decision=line)

    try:
        if data.tried(keep):
            st.session_state[BACK] = serial
    except NotAllowedError as exc:
        data.refuse(str(exc))


def runs(rows: Sequence[UnitRow], titles: dict[str, str]) -> None:
    """List every run of a unit, the newest first."""
    by_run: dict[int, list[UnitRow]] = {}
    for one in rows:
        by_run.setdefault(one.number, []).append(one)
    look.table(
        ("When", "Run", "How", "Verdicts", "Note"),
        [
            (
                look.moment(mine[0].started_at),
                str(number),
                screens.origin(mine[0].origin),
                "; ".join(f"{titles.get(o.range, o.range)}: {o.verdict}" for o in mine),
                mine[0].note or "",
            )
            for number, mine in sorted(by_run.items(), reverse=True)
        ],
    )


def papers(found: Trace, records: Records, shown: data.Shown) -> list[documents.Paper]:
    """Return the documents on what was asked for."""
    name = found.subject
    match found.kind:
        case "serial" if not records.errors_of(name):
            return []
        case "serial":
            return documents.every(Of.UNIT, name)
        case "build":
            return documents.every(Of.BUILD, name)
        case _:
            return documents.of_reel(shown, name)


show()
