"""Charts on a page: in both forms, with words for who cannot see them, and as files."""

import json
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from functools import partial
from typing import Any

import pandas as pd
import pyarrow as pa
import streamlit as st

from daemon.presentation import as_csv, file_name, plots
from daemon.presentation.plots import FONT, OPENED, SPAN_PICKED
from dashboard import address, look, pictures

SVG_WIDTH_PX = 1100
FORMS = ("wide", "narrow")
TRACED_PX = (1180, 340)
PIECES = {
    "row": "part, or where it is now", "name": "reel or place", "build": "build",
    "first": "first unit", "last": "last unit",
}  # fmt: skip


def show(
    specs: Mapping[str, Iterable[dict[str, Any]]],
    *,
    words: str,
    key: str,
    rows: pd.DataFrame | None = None,
    columns: Mapping[str, str] | Sequence[str] = (),
    clicks: bool = False,
    spans: Callable[[float, float], None] | None = None,
) -> None:
    """Show a chart in the form that fits the screen; offer it as files.

    Parameters
    ----------
    specs
        By form, `wide` and `narrow`: what stands under each other.
    words
        A sentence that says what is seen.
    key
        Names the chart on its page, and its files.
    rows, columns
        What the CSV holds: column to heading. Without rows none is offered.
    clicks
        Whether a click on a mark leads somewhere.
    spans
        Called with the two places between which somebody dragged.
    """
    for form in FORMS:
        with st.container(key=f"{form} {key}"):
            for number, spec in enumerate(specs[form]):
                name = f"{key} {form} {number}"
                _one(spec, name, words=words, clicks=clicks, spans=spans)
    files(specs["wide"], key=key, rows=rows, columns=columns)


def plain(
    spec: dict[str, Any],
    *,
    words: str,
    key: str,
    rows: pd.DataFrame | None = None,
    columns: Mapping[str, str] | Sequence[str] = (),
) -> None:
    """Show a chart that has but one form; offer it as files. As `show`."""
    _one(spec, key, words=words, clicks=False, spans=None)
    files([spec], key=key, rows=rows, columns=columns)


def traced(frame: pd.DataFrame, *, words: str, key: str) -> None:
    """Show which reels units carry and where they are: rows of `plots.segments`."""
    specs = {
        form: [pictures.packed(plots.traced(frame, look=look.current(), width_px=px))]
        for form, px in zip(FORMS, TRACED_PX, strict=True)
    }
    show(specs, words=words, key=key, rows=frame, columns=PIECES)


def _one(
    spec: dict[str, Any],
    key: str,
    *,
    words: str,
    clicks: bool,
    spans: Callable[[float, float], None] | None,
) -> None:
    given: dict[str, Any] = {
        "spec": spec, "theme": None, "width": "stretch", "alt": words,
    }  # fmt: skip
    wanted = {*(OPENED if clicks else ()), *([SPAN_PICKED] if spans else ())}
    named = sorted({one["name"] for one in spec.get("params", ())} & wanted)
    if not named:
        st.vega_lite_chart(**given)
        return
    state: Any = st.vega_lite_chart(
        **given,
        key=key,
        # Before the page is drawn, and once a drag, however often it is drawn.
        on_select=partial(_picked, key, spans) if spans else "rerun",
        selection_mode=named,
    )
    picked: Mapping[Hashable, Any] = state["selection"] if state else {}
    address.opened(picked)


def _picked(key: str, spans: Callable[[float, float], None]) -> None:
    """Tell of the span that was dragged over; a click has none."""
    picked = st.session_state[key]["selection"].get(SPAN_PICKED) or {}
    if len(ends := picked.get("place") or ()) == len(("from", "to")):
        spans(*ends)


def files(
    specs: Iterable[dict[str, Any]],
    *,
    key: str,
    rows: pd.DataFrame | None,
    columns: Mapping[str, str] | Sequence[str],
) -> None:
    """Offer what a chart shows as a table, and the chart as a drawing."""
    with st.container(key=f"files {key}", horizontal=True, gap="small"):
        if rows is not None:
            st.download_button(
                "CSV",
                partial(table, rows, columns),
                file_name=file_name(key, "csv"),
                mime="text/csv",
                on_click="ignore",
                key=f"csv {key}",
            )
        for number, spec in enumerate(specs):
            st.download_button(
                "SVG" if number == 0 else f"SVG {number + 1}",
                partial(drawing, spec),
                file_name=file_name(f"{key}-{number + 1}" if number else key, "svg"),
                mime="image/svg+xml",
                on_click="ignore",
                key=f"svg {key} {number}",
            )


def table(rows: pd.DataFrame, columns: Mapping[str, str] | Sequence[str]) -> bytes:
    """Return rows as CSV."""
    named = columns or list(rows.columns)
    told = rows.astype(object).where(rows.notna(), None)
    return as_csv(told.to_dict("records"), named).encode()  # type: ignore[arg-type]


def drawing(spec: dict[str, Any]) -> bytes:
    """Return a packed chart as a drawing with letters, its rows inside."""
    import vl_convert  # noqa: PLC0415 -- starts an engine of its own

    plain = {
        **spec,
        "width": SVG_WIDTH_PX,
        "datasets": {
            name: pa.ipc.open_stream(rows).read_all().to_pylist()
            for name, rows in spec["datasets"].items()
        },
    }
    text = json.dumps(plain, default=str).replace(json.dumps(FONT)[1:-1], "DejaVu Sans")
    return vl_convert.vegalite_to_svg(text).encode()
