"""A containment as sheets: CSV for a spreadsheet, a page to print, customers' cards."""

from html import escape

from daemon.metrology import correction
from daemon.presentation import as_csv, capital, counted, spans
from daemon.traceability.containment import (
    CLEAR,
    COLUMNS,
    NO_ERROR_KNOWN,
    PRINTED,
    Containment,
)

STYLE = (
    "body{font:13px sans-serif;margin:2em}table{border-collapse:collapse}"
    "td,th{text-align:left;padding:.15em .7em;border-bottom:1px solid #ccc}"
    "h2{font-size:1.1em;margin-top:1.4em}"
)


def table(containment: Containment) -> str:
    """Return every unit as CSV, list after list."""
    ordered = [one for units in containment.listed().values() for one in units]
    return as_csv((one.row() for one in ordered), COLUMNS)


def cards(containment: Containment) -> str:
    """Return the correction of every unit that left, as CSV for customers' cards.

    Reading times factor is what truly went in. A predicted error gives the factor
    with the uncertainty of the prediction, half the width of its interval (k = 2). A
    unit that was only compared has no factor.
    """
    rows = []
    for one in containment.noticed:
        if one.verdict in NO_ERROR_KNOWN:
            continue
        made = correction(one.error_ppm, (one.high_ppm - one.low_ppm) / 4)
        rows.append(
            {
                "serial": one.serial,
                "order": one.destination,
                "range": containment.range,
                "basis": one.basis,
                "factor": round(made.factor, 6),
                "expanded": round(made.expanded, 6),
            }
        )
    headings = {
        "serial": "serial",
        "order": "order",
        "range": "range",
        "basis": "error is",
        "factor": "multiply readings by",
        "expanded": "expanded uncertainty of the factor (k = 2)",
    }
    return as_csv(rows, headings)


def page(containment: Containment) -> str:
    """Return the lists as a page to print."""
    parts = [
        "<!doctype html><meta charset='utf-8'>",
        f"<title>{escape(containment.headline())}</title>",
        f"<style>{STYLE}</style>",
        f"<h1>{escape(containment.headline())}</h1>",
        *(f"<p>{escape(line)}</p>" for line in containment.lines()),
    ]
    head = "".join(f"<th>{escape(name)}</th>" for name in PRINTED.values())
    for name, units in containment.listed().items():
        if name == CLEAR:
            continue
        title = f"{capital(name)} ({len(units)})"
        parts.append(f"<h2>{escape(title)}</h2>")
        body = "".join(
            "<tr>"
            + "".join(f"<td>{escape(text)}</td>" for text in one.said().values())
            + "</tr>"
            for one in units
        )
        parts.append(f"<table><tr>{head}</tr>{body}</table>")
    parts.append(f"<h2>{capital(CLEAR)} ({containment.clear})</h2>")
    near = [one.serial for one in containment.listed().get(CLEAR, ())]
    # Of a long history thousands: nobody does anything with them.
    other = containment.clear - len(near)
    said = [spans(near)] if near else []
    if other:
        said.append(f"{counted(other, 'unit')} of other builds")
    parts.append(f"<p>{escape('; '.join(said))}</p>")
    return "\n".join(parts) + "\n"
