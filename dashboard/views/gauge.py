"""Gauge: one reading after another in the drawn order, and what the scatter is."""

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime

import pandas as pd
import streamlit as st

from config import HoldpointError, QuantityError, Unit
from daemon.judging import (
    TIMES,
    TRIALS,
    Cell,
    Gauge,
    GaugeError,
    again,
    gauge_shown,
    number,
    planned,
    rests_on_another,
    to_repeat,
    width_between,
)
from daemon.presentation import capital, gauges as words
from daemon.spc import SpcError, gauge as studies
from dashboard import charts, data, look, pictures, who
from storage import GaugeKind, GaugeReading, GaugeStudy

CHOSEN = "gauge study"
ERROR_UNIT = "ppm"
UNITS = {
    Unit.VOLT.value: "a voltage, in V",
    Unit.AMPERE.value: "a current, in A",
    Unit.OHM.value: "a resistance, in \N{GREEK CAPITAL LETTER OMEGA}",
}
"""What may be read beside the error of a range."""


def gauge() -> None:
    """Show one study: what is read next, else what it found; plan another."""
    at = data.here().connection
    rows = at.store.rows(GaugeStudy, product=at.name)
    names = [one.gauge_study for one in reversed(rows)]
    mine = None
    if names:
        kept = st.session_state.get(CHOSEN)
        name = kept if kept in names else names[0]
        study = next(one for one in rows if one.gauge_study == name)
        mine = Gauge.of(study, at.store.rows(GaugeReading, gauge_study=name))
    _headline(mine)
    if (text := data.said()) is not None:
        look.stands_out(text)
    for line in words.to_repeat(
        [one.gauge_study for one in to_repeat(rows, at.settings.bench)]
    ):
        look.stands_out(line)
    if mine is not None:
        with st.container(key="gauge chosen", width=320):
            st.selectbox("Study", names, key=CHOSEN)
        if rests_on_another(mine.study, at.settings.bench):
            look.quiet(words.ANOTHER_BENCH)
            st.button(
                "Plan it again for this bench",
                key="gauge again",
                on_click=repeat,
                args=(mine.study.gauge_study, tuple(names)),
            )
        _read(mine)
        _found(mine)
    with st.expander("Plan a study", expanded=mine is None):
        _plan(at)


def _headline(mine: Gauge | None) -> None:
    if mine is None:
        look.say(
            "How far do people and bench agree?",
            ["Plan a study: of parts that several people read, or of a reference."],
        )
        return
    cell = mine.due()
    name = mine.study.gauge_study
    if cell is None:
        look.say(f"Gauge study {name} is complete.")
        return
    if (last := mine.waits_since(cell, _today())) is not None:
        days = f"{cell.time - 1} of {mine.study.times} days are read."
        look.say(words.later(cell.part, last), [f"Gauge study {name}: {days}"])
        return
    look.say(
        words.due(
            cell.part,
            cell.appraiser,
            cell.trial,
            read=len(mine.read),
            cells=len(mine.cells),
            time=cell.time if mine.over_time else None,
        ),
        [
            f"Gauge study {name}: {cell.time - 1} of {mine.study.times} days are read."
            if mine.over_time
            else f"Gauge study {name}. What was read before is not shown until the end."
        ],
    )


def _today() -> date:
    return datetime.now(UTC).astimezone().date()


def _read(mine: Gauge) -> None:
    """Ask for the reading that is due."""
    cell = mine.due()
    if cell is None or mine.waits_since(cell, _today()) is not None:
        return
    with st.container(key="gauge value", width=320):
        st.text_input(
            f"It shows, in {mine.study.unit}",
            key=f"gauge {mine.study.gauge_study} {cell.place}",
            on_change=keep,
            args=(mine.study.gauge_study, cell.place),
            placeholder="Type it, then Enter",
        )


def keep(name: str, place: int) -> None:
    """Keep what was typed for one place."""
    text = st.session_state[f"gauge {name} {place}"].strip()
    if not text:
        return

    def record(at: data.Connection) -> None:
        (study,) = at.store.rows(GaugeStudy, gauge_study=name)
        mine = Gauge.of(study, at.store.rows(GaugeReading, gauge_study=name))
        cell = mine.cells[place]
        mine.require_day(cell, _today())
        at.store.keep(
            GaugeReading(
                gauge_study=name,
                place=place,
                value=number(text, study.unit),
                run=None,
                person=cell.appraiser,
                read_at=datetime.now(UTC),
            )
        )

    try:
        data.tried(record)
    except HoldpointError as exc:
        data.refuse(str(exc))


def _found(mine: Gauge) -> None:
    """Show the readings and what they say, once enough were read."""
    due = mine.due()
    if due is not None and not (mine.over_time and due.trial == 1 and mine.read):
        return
    try:
        found = mine.result()
    except (GaugeError, SpcError) as exc:
        look.stands_out(f"{capital(str(exc).rstrip('.'))}.")
        return
    unit = mine.study.unit
    read = [
        one | {"value": mine.read[place]}
        for place, one in enumerate(map(_place, mine.cells))
        if place in mine.read
    ]
    charts.plain(
        pictures.packed(gauge_shown.picture(mine, found, look=look.current())),
        words=gauge_shown.in_words(mine, found),
        key=f"study {mine.study.gauge_study}",
        rows=pd.DataFrame(read),
        columns={
            "part": "part",
            "appraiser": "appraiser",
            "day": "day",
            "trial": "trial",
            "value": f"value, {unit}",
        },
    )
    look.lines(*gauge_shown.sentences(mine, found))
    st.table(
        [
            {"Source": one["source"], "s": one["s"], "Of the total": one["share"]}
            for one in words.spread(found, unit)
        ]
        if isinstance(found, studies.CrossedStudy)
        else [
            {"What": capital(one["what"]), "Found": one["value"]}
            for one in words.facts(found, unit)
        ],
        border="horizontal",
        hide_index=True,
    )


def _place(cell: Cell) -> dict[str, object]:
    return {
        "part": cell.part,
        "appraiser": cell.appraiser,
        "day": cell.time,
        "trial": cell.trial,
    }


def _plan(at: data.Connection) -> None:
    """Ask for a new study."""
    ranges = {key: one.title for key, one in at.settings.product.ranges.items()}
    read = {key: f"error of {title}, in ppm" for key, title in ranges.items()} | UNITS
    # Columns anew for each row: on a phone they stand in the order of the rows.
    left, right = st.columns(2)
    with left:
        who.choose(at.settings.plan.people)
    right.text_input("Name of the study", key="gauge name", placeholder="G-1")
    left, right = st.columns(2)
    chosen = left.selectbox(
        "What it asks",
        [one.value for one in GaugeKind],
        format_func=lambda one: capital(words.KINDS[GaugeKind(one)]),
        key="gauge kind",
    )
    kind = GaugeKind(chosen)
    right.selectbox(
        "What is read",
        list(read),
        format_func=lambda key: read[key],
        key="gauge range",
    )
    left, right = st.columns(2)
    if kind is GaugeKind.CROSSED:
        left.text_area("Parts or units, one a line", key="gauge parts", height=150)
        right.text_area("Who reads, one a line", key="gauge people", height=150)
    else:
        several = kind is GaugeKind.LINEARITY
        left.text_area(
            "References and what each truly is, one a line"
            if several
            else "Reference and what it truly is",
            key="gauge references",
            height=150 if several else 68,
            placeholder="REF-1 = 900 mV",
        )
        right.text_input("Who reads", key="gauge person")
        right.text_input(
            "Uncertainty of the reference (k = 2)",
            key="gauge uncertainty",
            placeholder="left empty: not known",
        )
    left, right = st.columns(2)
    left.number_input(
        _often(kind), 1, 100, TRIALS[kind], key=f"gauge trials {kind.value}"
    )
    if kind is GaugeKind.STABILITY:
        right.number_input("On how many days", 5, 400, TIMES, key="gauge times")
    elif kind in {GaugeKind.CROSSED, GaugeKind.TYPE_1}:
        right.text_input(
            "Width between the limits",
            key="gauge tolerance",
            placeholder="left empty: the range's own",
        )
    st.button("Draw the order", type="primary", key="gauge plan", on_click=plan)


def _often(kind: GaugeKind) -> str:
    if kind is GaugeKind.CROSSED:
        return "Readings of each part by each"
    if kind is GaugeKind.LINEARITY:
        return "Readings of each reference"
    return "Readings on each day" if kind is GaugeKind.STABILITY else "Readings"


def plan() -> None:
    """Plan what was typed."""
    person = who.chosen()
    name = _typed("gauge name")
    if person is None or not name:
        data.refuse("Say who plans it, and the name of the study")
        return

    def record(at: data.Connection) -> None:
        _keep_new(at, name, _asked(at, name, person))

    _tried(record, name)


def repeat(before: str, names: Sequence[str]) -> None:
    """Plan a study again, for the bench as it is now."""
    person = who.chosen()
    if person is None:
        data.refuse("Say who plans it: choose your name under Plan a study")
        return
    n = 2
    while (name := f"{before}-{n}") in names:
        n += 1

    def record(at: data.Connection) -> None:
        (study,) = at.store.rows(GaugeStudy, gauge_study=before)
        bench, now = at.settings.bench, datetime.now(UTC)
        _keep_new(at, name, again(name, study, person=person, at=now, bench=bench))

    _tried(record, name)


def _tried(record: Callable[[data.Connection], None], name: str) -> None:
    try:
        if data.tried(record):
            st.session_state[CHOSEN] = name
    except HoldpointError as exc:
        data.refuse(str(exc))


def _keep_new(at: data.Connection, name: str, study: GaugeStudy) -> None:
    if at.store.rows(GaugeStudy, gauge_study=name):
        message = f"gauge study {name} is there already; take another name"
        raise GaugeError(message)
    at.store.keep(study)


def _asked(at: data.Connection, name: str, person: str) -> GaugeStudy:
    """Return the study that the form asks for."""
    kind = GaugeKind(st.session_state["gauge kind"])
    read = st.session_state["gauge range"]
    range_ = None if read in UNITS else read
    unit = read if read in UNITS else ERROR_UNIT
    crossed = kind is GaugeKind.CROSSED
    known = [] if crossed else [_known(one, unit) for one in _lines("gauge references")]
    uncertain, tolerance = _typed("gauge uncertainty"), _typed("gauge tolerance")
    return planned(
        name,
        product=at.name,
        parts=_lines("gauge parts") if crossed else [one for one, _ in known],
        appraisers=_lines("gauge people" if crossed else "gauge person"),
        trials=int(st.session_state[f"gauge trials {kind.value}"]),
        unit=unit,
        kind=kind,
        known=[one for _, one in known],
        known_uncertainty=None if crossed or not uncertain else number(uncertain, unit),
        times=int(st.session_state["gauge times"])
        if kind is GaugeKind.STABILITY
        else 1,
        range_=range_,
        tolerance=width_between(
            at.settings.product,
            number(tolerance, unit) if tolerance else None,
            kind=kind,
            range_=range_,
        ),
        bench=at.settings.bench,
        person=person,
        at=datetime.now(UTC),
    )


def _known(line: str, unit: str) -> tuple[str, float]:
    """Return a reference's name and what it truly is."""
    name, sign, value = line.rpartition("=")
    if not sign or not name.strip():
        raise QuantityError(
            text=line, problem="must be a name and a value, as in REF-1 = 900 mV"
        )
    return name.strip(), number(value.strip(), unit)


def _typed(key: str) -> str:
    text: str = st.session_state.get(key, "")
    return text.strip()


def _lines(key: str) -> list[str]:
    return [one.strip() for one in _typed(key).splitlines() if one.strip()]


gauge()
