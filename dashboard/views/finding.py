"""One finding: what moved, what else it may be, whom it concerns, the way out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import isnan

import streamlit as st

from daemon.holds import offered_ends
from daemon.presentation import capital, figures, sentences, spans, today
from daemon.traceability import CLEAR, Concerned, Containment
from daemon.traceability.papers import Of
from daemon.watch import probabilities
from dashboard import (
    address,
    benches,
    charts,
    concerned,
    data,
    documents,
    hold_form,
    look,
    noticed,
    pictures,
    rework_form,
    settle,
    who,
)
from dashboard.data import Shown
from storage import Cause, Signal, StorageError

NOTHING = "Nothing was found."
MOST_SERIALS = 200
"""Units of a list that stand on this page; all are on Recall and in its files."""
LISTED = {
    "serial": "Serial", "todo": "What to do", "destination": "Order",
    "step": "Done so far", "error": "Error",
}  # fmt: skip
"""Columns of a list of units; the files have more."""
SAYABLE = 0.005


def one() -> None:
    """Show one finding, chosen by the address."""
    shown = data.followed()
    findings = {each.signal: each for each in shown.findings}
    if not findings:
        look.say(NOTHING, ["A finding appears here as soon as a range moves."])
        return
    newest = sorted(findings.values(), key=lambda each: (each.standing, each.holds))
    with st.container(key="subject", width=460):
        name = address.choose(
            "Finding",
            "finding",
            [each.signal for each in newest[::-1]],
            otherwise=newest[-1].signal,
            said=lambda each: sentences.name(findings[each]),
            many=True,
        )
    finding = findings[name]
    drawn = pictures.of_finding(shown, finding)
    said = sentences.finding(finding, decided=is_decided(shown, finding))
    whom = ask(shown, finding)
    # What may grow stands in a place of its own, so that what is below keeps its place,
    # and with it what somebody is typing there.
    with st.container():
        again = shown.good_again.get(name)
        look.say(
            said.headline,
            [] if again is None else [f"{capital(sentences.reworked_units(again))}."],
        )
        if whom is not None:
            first = today.left_first(finding, concerned.numbers(whom))
            if first is not None:
                look.stands_out(first)
        look.answers(list(answers(shown, finding, whom)))
        charts.show(
            drawn.specs,
            words=f"{said.headline} {drawn.words}",
            key=f"finding {name}",
            rows=drawn.rows,
            columns=drawn.columns,
        )
        look.heading("Evidence", said.lines)
        if elsewhere := benches.of_finding(shown, finding):
            look.heading("What other benches read", elsewhere)
        alternatives(shown, finding)
    if finding.standing:
        look.heading(settle.heading(shown, name))
        with st.container(key="who", width=360):
            who.choose(shown.connection.settings.plan.people)
        settle.settle(shown, name, expanded=True)
    with st.container():
        if whom is not None:
            contained(whom, finding)
    with st.container():
        held(shown, finding)
    if whom is not None and finding.standing:
        here = [one.serial for one in whom.concerned if one not in whom.left]
        look.heading("Rework", printed=False)
        rework_form.form(shown, name, serials=here, part=finding.part)
    papers(finding, whom)
    history(shown, finding)


def ask(shown: Shown, finding: Signal) -> Containment | None:
    """Ask whom a finding concerns."""
    try:
        return concerned.by(shown, finding)
    except StorageError as exc:
        look.stands_out(str(exc))
        return None


def is_decided(shown: Shown, finding: Signal) -> bool:
    """Whether all that a finding held was decided on."""
    mine = [one for one in shown.holds if one.signal == finding.signal]
    return bool(mine) and all(one.disposal is not None for one in mine)


def answers(
    shown: Shown, finding: Signal, whom: Containment | None
) -> Iterator[tuple[str, str]]:
    """Yield what is asked first: since when, whose, whom, what is done."""
    where = "In" if finding.cause is Cause.UNIT else "Since"
    at = look.moment(noticed.measured(shown, finding, finding.raised_serial))
    first = f"{where} unit {finding.first_serial} of build {finding.build}"
    yield "Since when?", f"{first}. {sentences.noticed(finding, at)}."
    whose = today.whose(finding, doubted=len(shown.doubted))
    yield today.WHOSE, benches.whose(shown, finding, whose)
    if whom is not None:
        yield "Whom does it concern?", today.concerned(concerned.numbers(whom))
    open_ = [each for each in shown.standing if each.signal == finding.signal]
    kept = " and ".join(sentences.held(each) for each in open_)
    yield "What is held?", f"{capital(kept)}." if kept else "Nothing is held for it."


def alternatives(shown: Shown, finding: Signal) -> None:
    """Say how probable each cause is, after what was measured."""
    raised = next(each for each in shown.raised if each.signal == finding.signal)
    own = [each for each in shown.measured if each.signal == finding.signal]
    after = probabilities(raised, own, shown.product)
    rows = sorted(
        ((name, p) for name, p in after.items() if p >= SAYABLE), key=lambda r: -r[1]
    )
    if not rows:
        return
    look.heading("What it may be")
    look.table(
        ["Cause", "Probability", "How it would show"],
        [
            [capital(name), figures.share(p), sentences.cause_shows(name)]
            for name, p in rows
        ],
    )


def contained(whom: Containment, finding: Signal) -> None:
    """Say whom it concerns, list by list, those that have left first."""
    listed = {name: units for name, units in whom.listed().items() if name != CLEAR}
    look.heading(
        "Whom it concerns",
        [
            f"{capital(name)}: {spans([each.serial for each in units])}."
            for name, units in listed.items()
        ],
    )
    away = {each.where for each in whom.left}
    for name in sorted(listed, key=lambda each: each not in away):
        units = listed[name]
        label = f"{capital(name)}: {len(units)}"
        with st.expander(label, expanded=name in away):
            look.table(
                list(LISTED.values()),
                [
                    [told[key] for key in LISTED]
                    for told in map(row, units[:MOST_SERIALS])
                ],
            )
            if len(units) > MOST_SERIALS:
                look.quiet(f"The first {MOST_SERIALS}; all are on the page Recall.")
    st.page_link(
        "views/recall.py",
        label="Follow them up",
        query_params={"about": finding.signal},
    )


def row(unit: Concerned) -> dict[str, str]:
    """Return what a list says of a unit."""
    known = not isnan(unit.error_ppm)
    half_ppm = (unit.high_ppm - unit.low_ppm) / 2
    error = figures.percent(unit.error_ppm, half_ppm) if known else ""
    about = "" if unit.measured or not known else "about "
    return {
        "serial": unit.serial,
        "todo": unit.todo,
        "destination": unit.destination or "",
        "step": unit.step or "",
        "error": f"{about}{error}",
    }


def held(shown: Shown, finding: Signal) -> None:
    """Show each hold of the finding with its way out."""
    mine = [each for each in shown.holds if each.signal == finding.signal]
    if not mine:
        return
    look.heading("Hold")
    at = shown.connection
    standing = [each for each in mine if each.disposal is None]
    offers = offered_ends(at.store, at.name, standing, shown.raised, shown.findings)
    raised = next(each for each in shown.raised if each.signal == finding.signal)
    for each in mine:
        what = capital(sentences.held(each))
        if each.disposal is not None and each.ended_at is not None:
            look.lines(
                f"{what}: {each.disposal} by {each.person}, "
                f"{look.moment(each.ended_at)}: {each.end_reason}"
            )
            continue
        look.lines(f"{what} is held since {look.moment(each.placed_at)}.")
        offer = offers.get(each.hold)
        if offer is not None:
            look.lines(offer.sentence)
        title = f"End the hold on {sentences.held(each)}"
        hold_form.form(title, each, raised, offer)


def papers(finding: Signal, whom: Containment | None) -> None:
    """Offer what goes to supplier and customers, and the lists."""
    offered: list[documents.Paper] = []
    if finding.reel and finding.part:
        offered += documents.of_finding(finding.signal)
    if whom is not None:
        offered += documents.lists(finding.signal)
        if whom.noticed:
            offered += documents.every(Of.CONTAINMENT, finding.signal)
    offered += documents.every(Of.BUILD, finding.build)
    look.heading("Papers", printed=False)
    documents.offer(offered, key="finding")


def history(shown: Shown, finding: Signal) -> None:
    """List what was said of it and done about it, oldest first."""
    try:
        revisions = data.told(shown, Signal, "signal", signal=finding.signal)
    except StorageError:
        return
    told = sorted(events(shown, finding, revisions), key=lambda each: each.at)
    look.heading("History", [line(each) for each in told if not each.sharpened])
    if sharpened := [line(each) for each in told if each.sharpened]:
        label = f"How each unit sharpened it: {len(sharpened)} more lines"
        with st.expander(label):
            look.lines(*sharpened)
    if (shown.messages["subject"] == finding.signal).any():
        st.page_link(
            "views/messages.py",
            label="Messages about it",
            query_params={"about": finding.signal},
        )


@dataclass(frozen=True, slots=True)
class Event:
    """What happened to a finding; `sharpened` where it only says the same closer."""

    at: datetime
    what: str
    person: str = ""
    sharpened: bool = False


def line(event: Event) -> str:
    """Write one event."""
    person = f" ({event.person})" if event.person else ""
    return f"{look.moment(event.at)}: {event.what}{person}"


def _alike(one: Signal, other: Signal) -> bool:
    """Whether two revisions say the same in words."""
    mine, theirs = (
        (each.cause, each.reel, sentences.size_of(each), each.standing)
        for each in (one, other)
    )
    return mine == theirs


def events(
    shown: Shown, finding: Signal, revisions: Sequence[Signal]
) -> Iterator[Event]:
    """Yield what happened to a finding."""
    # A revision a unit: what says the same again is no news.
    told: list[Signal] = []
    for each in revisions:
        if not told or not _alike(each, told[-1]):
            told.append(each)
    cause: tuple[object, ...] | None = None
    for each in told:
        if not each.standing:
            yield Event(each.made_at, sentences.withdrawn(each))
            continue
        # What stands: the first, the latest, and each that names another cause.
        news = (each.cause, each.reel) != cause or each is told[-1]
        cause = (each.cause, each.reel)
        units = figures.counted(each.units, "unit")
        text = f"{sentences.size_of(each)} from {units}; {sentences.now(each)}."
        yield Event(each.made_at, text, sharpened=not news)
    for proof in shown.measured:
        if proof.signal == finding.signal:
            of = f" of {proof.subject}" if proof.subject else ""
            yield Event(proof.made_at, f"Measured: {proof.kind}{of}.", proof.person)
    for hold in shown.holds:
        if hold.signal != finding.signal:
            continue
        text = f"{capital(sentences.held(hold))} was held."
        yield Event(hold.placed_at, text, hold.placed_by)
        if hold.ended_at is not None:
            text = f"{sentences.hold_ended(hold)} {hold.end_reason}"
            yield Event(hold.ended_at, text)


one()
