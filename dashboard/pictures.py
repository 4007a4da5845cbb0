"""Pictures as the browser takes them. Drawing is slow, so what was drawn is kept."""

from typing import Any

import altair as alt
import pyarrow as pa
import streamlit as st

from daemon.presentation import DARK, LIGHT, Look, plots
from daemon.watch import MISSED, RangeOutlook
from dashboard.data import BUILDS_SHOWN, Shown
from dashboard.look import current

BUILDS_WIDE, BUILDS_NARROW = 6, 3


def by_builds(shown: Shown, *, narrow: bool) -> dict[str, Any]:
    """Return the map of ranges by builds."""
    return _by_builds(shown, shown.stamp, dark=current() is DARK, narrow=narrow)


def of_range(shown: Shown, range_: str, *, narrow: bool) -> list[dict[str, Any]]:
    """Return the charts of one range: its units, and the steps between them."""
    return _of_range(shown, shown.stamp, range_, dark=current() is DARK, narrow=narrow)


def missed(
    one: RangeOutlook, *, build: int, carrying: int, checked: tuple[int, ...]
) -> dict[str, Any]:
    """Return the curves of what checks of a range would miss."""
    chart = plots.missed_by_shift(
        one.curves(build=build, carrying=carrying, checked=checked),
        accepted_percent=100 * MISSED,
        look=current(),
    )
    return packed(chart)


@st.cache_data(max_entries=16, show_spinner=False)
def _by_builds(
    _shown: Shown, stamp: str, *, dark: bool, narrow: bool
) -> dict[str, Any]:
    del stamp  # what was drawn is kept by it
    shown = _shown
    cells = plots.columns(
        shown.errors, shown.recent, most=BUILDS_NARROW if narrow else BUILDS_WIDE
    )
    frame = plots.laid_out(shown.errors, shown.signals, cells)
    parts = {one.key: one.part for one in shown.product.ranges if one.part is not None}
    chart = plots.ranges_by_builds(
        frame,
        plots.reel_changes(frame, shown.fittings, shown.builds, parts),
        cells,
        shown.current,
        {one.key: one.title for one in shown.product.ranges},
        look=_look(dark=dark),
        form=plots.NARROW if narrow else plots.WIDE,
    )
    return packed(chart)


@st.cache_data(max_entries=32, show_spinner=False)
def _of_range(
    _shown: Shown, stamp: str, range_: str, *, dark: bool, narrow: bool
) -> list[dict[str, Any]]:
    del stamp  # what was drawn is kept by it
    shown = _shown
    cells = plots.columns(
        shown.errors, shown.recent, most=BUILDS_NARROW if narrow else BUILDS_SHOWN
    )
    frame = plots.laid_out(shown.errors, shown.signals, cells)
    frame = frame[frame["range"] == range_]
    if frame.empty:
        return []
    part = shown.product.range(range_).part
    changes = plots.reel_changes(
        frame,
        shown.fittings,
        shown.builds,
        {} if part is None else {range_: part},
    )
    findings = [one for one in shown.current if one.range in (range_, None)]
    look = _look(dark=dark)
    width, height = (plots.NARROW.width, 280) if narrow else (plots.WIDE.width, 360)
    units = plots.individuals(
        frame, changes, cells, findings, look=look, width=width, height=height
    )
    steps = plots.moving_ranges(frame, changes, cells, look=look, width=width)
    return [packed(one) for one in (units, steps) if one is not None]


def _look(*, dark: bool) -> Look:
    return DARK if dark else LIGHT


def packed(chart: alt.LayerChart) -> dict[str, Any]:
    """Return a chart with its rows as the browser takes them, packed only once."""
    spec: dict[str, Any] = chart.to_dict(validate=False)
    for name, rows in spec["datasets"].items():
        table = pa.Table.from_pylist(rows)
        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, table.schema) as stream:
            stream.write_table(table)
        spec["datasets"][name] = sink.getvalue().to_pybytes()
    return spec
