"""Gauge: one reading after another in the drawn order, and what the scatter is."""

import math
from datetime import UTC, datetime

import pandas as pd
import streamlit as st

from config import HoldpointError, QuantityError, Unit, parse
from daemon.judging import Gauge, GaugeError, planned, to_repeat
from daemon.presentation import capital, gauges as words, plots
from daemon.spc import SpcError
from dashboard import charts, data, look, pictures, who
from storage import GaugeReading, GaugeStudy

CHOSEN = "gauge study"
ERROR_UNIT = "ppm"


def gauge() -> None:
    """Show one study: what is read next, else what it found; plan another."""
    at = data.here().connection
    studies = at.store.rows(GaugeStudy, product=at.name)
    names = [one.gauge_study for one in reversed(studies)]
    mine = None
    if names:
        kept = st.session_state.get(CHOSEN)
        name = kept if kept in names else names[0]
        study = next(one for one in studies if one.gauge_study == name)
        mine = Gauge.of(study, at.store.rows(GaugeReading, gauge_study=name))
    _headline(mine)
    if (text := data.said()) is not None:
        look.stands_out(text)
    again = to_repeat(studies, at.settings.bench)
    for line in words.to_repeat([one.gauge_study for one in again]):
        look.stands_out(line)
    if mine is not None:
        with st.container(key="gauge chosen", width=320):
            st.selectbox("Study", names, key=CHOSEN)
        _read(mine)
        _found(mine)
    with st.expander("Plan a study", expanded=mine is None):
        _plan(at)


def _headline(mine: Gauge | None) -> None:
    if mine is None:
        look.say(
            "How far do people and bench agree?",
            ["Plan a study: every appraiser reads every part some times."],
        )
        return
    cell = mine.due()
    name = mine.study.gauge_study
    if cell is None:
        look.say(f"Gauge study {name} is complete.")
        return
    look.say(
        words.due(
            cell.part,
            cell.appraiser,
            cell.trial,
            read=len(mine.read),
            cells=len(mine.cells),
        ),
        [f"Gauge study {name}. What was read before is not shown until the end."],
    )


def _read(mine: Gauge) -> None:
    """Ask for the reading that is due."""
    cell = mine.due()
    if cell is None:
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
        cell = Gauge.of(study, ()).cells[place]
        at.store.keep(
            GaugeReading(
                gauge_study=name,
                place=place,
                value=_number(text, study.unit),
                run=None,
                person=cell.appraiser,
                read_at=datetime.now(UTC),
            )
        )

    try:
        data.tried(record)
    except HoldpointError as exc:
        data.refuse(str(exc))


def _number(text: str, unit: str) -> float:
    known = {one.value: one for one in Unit if one is not Unit.PPM}
    if unit in known:
        return parse(text, known[unit])
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise QuantityError(text=text, problem=f"must be a number, in {unit}")
    return value


def _found(mine: Gauge) -> None:
    """Show the readings and what they say, once all were read."""
    if mine.missing:
        return
    charts.plain(
        pictures.packed(
            plots.readings_of_gauge(
                mine.values(),
                mine.parts,
                mine.appraisers,
                mine.study.unit,
                look=look.current(),
            )
        ),
        words=f"Every reading of study {mine.study.gauge_study}, by part and person.",
        key=f"study {mine.study.gauge_study}",
        rows=pd.DataFrame(
            [
                {"part": part, "appraiser": who_read, "trial": trial, "value": value}
                for part, by_person in zip(mine.parts, mine.values(), strict=True)
                for who_read, read in zip(mine.appraisers, by_person, strict=True)
                for trial, value in enumerate(read, start=1)
            ]
        ),
        columns={
            "part": "part",
            "appraiser": "appraiser",
            "trial": "trial",
            "value": f"value, {mine.study.unit}",
        },
    )
    try:
        found = mine.result()
    except (GaugeError, SpcError) as exc:
        look.stands_out(f"{capital(str(exc).rstrip('.'))}.")
        return
    look.lines(*words.said(found, mine.study.tolerance))
    st.table(
        [
            {"Source": one["source"], "s": one["s"], "Of the total": one["share"]}
            for one in words.spread(found, mine.study.unit)
        ],
        border="horizontal",
        hide_index=True,
    )


def _plan(at: data.Connection) -> None:
    """Ask for a new study."""
    # Columns anew for each row: on a phone they stand in the order of the rows.
    left, right = st.columns(2)
    with left:
        who.choose(at.settings.plan.people)
    right.text_input("Name of the study", key="gauge name", placeholder="G-1")
    left, right = st.columns(2)
    left.text_area("Parts or units, one a line", key="gauge parts", height=150)
    right.text_area("Who reads, one a line", key="gauge people", height=150)
    left, right = st.columns(2)
    left.number_input("Readings of each part by each", 2, 10, 3, key="gauge trials")
    ranges = {key: one.title for key, one in at.settings.product.ranges.items()}
    right.selectbox(
        "Range whose error is read, in ppm",
        list(ranges),
        format_func=lambda key: ranges[key],
        key="gauge range",
    )
    st.button("Draw the order", type="primary", key="gauge plan", on_click=plan)


def plan() -> None:
    """Plan what was typed."""
    person = who.chosen()
    name = st.session_state.get("gauge name", "").strip()
    if person is None or not name:
        data.refuse("Say who plans it, and the name of the study")
        return

    def lines(key: str) -> list[str]:
        text = st.session_state.get(key, "")
        return [one.strip() for one in text.splitlines() if one.strip()]

    def record(at: data.Connection) -> None:
        range_ = st.session_state["gauge range"]
        limit = at.settings.product.ranges[range_].limit
        if at.store.rows(GaugeStudy, gauge_study=name):
            message = f"gauge study {name} is there already; take another name"
            raise GaugeError(message)
        at.store.keep(
            planned(
                name,
                product=at.name,
                parts=lines("gauge parts"),
                appraisers=lines("gauge people"),
                trials=int(st.session_state["gauge trials"]),
                unit=ERROR_UNIT,
                range_=range_,
                tolerance=2 * (limit.of_reading_ppm + limit.of_full_scale_ppm),
                bench=at.settings.bench,
                person=person,
                at=datetime.now(UTC),
            )
        )

    try:
        if data.tried(record):
            st.session_state[CHOSEN] = name
    except HoldpointError as exc:
        data.refuse(str(exc))


gauge()
