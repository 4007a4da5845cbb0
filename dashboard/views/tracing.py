"""Trace: reel to part to build to serial to shipment, and back."""

import streamlit as st

from daemon.presentation.plots import segments, traced
from daemon.traceability import Records, Trace, trace
from daemon.traceability.papers import Of
from dashboard import data, documents, look, measured
from storage import StorageError

WIDE_PX, NARROW_PX = 1180, 340


def show() -> None:
    """Ask for a serial, a reel or a build; show what it is connected with."""
    shown = data.here()
    if not shown.builds:
        look.say("Nothing is recorded yet.")
        return
    with st.container(key="subject", width=360):
        typed = st.text_input(
            "Serial, reel or build", key="traced", placeholder="Scan or type"
        ).strip()
    subject = typed or shown.builds[-1]
    at = shown.connection
    try:
        records = Records.of(at.store, at.name, at.product.keys, about=[subject])
        found = trace(records, subject)
    except StorageError as exc:
        look.say(f"Nothing is called {subject}.", [str(exc)])
        return
    look.say(found.headline)
    if found.cells:
        frame = segments(found.cells, subject)
        for form, width in (("wide", WIDE_PX), ("narrow", NARROW_PX)):
            chart = traced(frame, look=look.current(), width_px=width)
            with st.container(key=form):
                st.altair_chart(chart, theme=None, width="stretch")
    look.lines(*found.lines)
    errors = records.errors_of(subject) if found.kind == "serial" else {}
    if errors:
        look.heading(
            "As last measured", measured.said(at.store, at.product, errors.values())
        )
        if before := measured.before(at.store, at.product, errors.values()):
            look.heading("As it was judged before the check that closed it", before)
    documents.offer(papers(found, records, shown), key="traced")


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
