"""Pictures as the browser takes them. Drawing is slow, so what was drawn is kept."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import pandas as pd
import pyarrow as pa
import streamlit as st

from daemon.presentation import DARK, LIGHT, Look, builds, plots
from daemon.watch import MISSED, RangeOutlook
from dashboard.data import BUILDS_SHOWN, Shown, asked, measured_since
from dashboard.look import current
from storage import BuildState, Signal

BUILDS_WIDE, BUILDS_NARROW = 6, 3
BUILDS_NEAR = 2
"""Builds before that of a finding that stand beside it."""
MOST_STRETCHES = 300
"""A longer story is told in so many stretches of builds."""
RANGE_CHARTS = (
    UNITS_CHART, STORY, DOTS_CHART, AVERAGES_CHART, SUMS_CHART, STEPS_CHART,
    MEANS_CHART,
) = (
    "Units", "Long story", "Distribution", "Average (EWMA)", "Sums (CUSUM)",
    "Steps (moving range)", "Within and between",
)  # fmt: skip
"""Charts of one range, by what a page calls them."""
HELD_AGAINST = (UNITS_CHART, AVERAGES_CHART, SUMS_CHART, STEPS_CHART)
"""Those that hold units against a mean and a scatter."""
UNITS = {
    "serial": "unit", "build": "build", "range": "range", "error_ppm": "error, ppm",
    "uncertainty_ppm": "standard uncertainty, ppm", "limit_ppm": "limit, ppm",
    "verdict": "verdict", "started_at": "measured",
}  # fmt: skip
TITLED = UNITS | {
    "value": "value, %", "lower": "lower limit, %", "upper": "upper limit, %",
    "units": "units", "mean": "mean, %", "mean_low": "mean from, %",
    "mean_high": "mean to, %", "s": "standard deviation, %", "s_low": "s from, %",
    "s_high": "s to, %",
}  # fmt: skip
STRETCHES = {
    "first_build": "first build", "last_build": "last build", "since": "since",
    "until": "until", "builds": "builds", "units": "units", "mean_ppm": "mean, ppm",
    "s_ppm": "s inside builds, ppm", "low_ppm": "lowest, ppm",
    "high_ppm": "highest, ppm",
    "limit_ppm": "limit, ppm", "outside": "outside the limit",
}  # fmt: skip


def by_builds(shown: Shown, *, narrow: bool) -> dict[str, Any]:
    """Return the map of ranges by builds."""
    return _by_builds(shown, shown.stamp, dark=current() is DARK, narrow=narrow)


def recent_fittings(shown: Shown) -> pd.DataFrame:
    """Return the fittings of the shown builds, and of each part the last one before.

    Which reel came before says whether one of the shown builds took another.
    """
    fitted = shown.fittings
    newest = fitted["build"].isin(set(shown.recent["build"]))
    before = fitted[~newest].drop_duplicates("part", keep="last")
    return pd.concat([before, fitted[newest]])


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
        shown.errors,
        shown.recent.assign(state=[_state(shown, one) for one in shown.states]),
        most=BUILDS_NARROW if narrow else BUILDS_WIDE,
    )
    frame = plots.laid_out(shown.errors, shown.signals, cells)
    parts = {one.key: one.part for one in shown.product.ranges if one.part is not None}
    chart = plots.ranges_by_builds(
        frame,
        plots.reel_changes(frame, recent_fittings(shown), shown.builds, parts),
        cells,
        shown.current,
        {one.key: one.title for one in shown.product.ranges},
        look=_look(dark=dark),
        form=plots.NARROW if narrow else plots.WIDE,
    )
    return packed(chart)


def _state(shown: Shown, build: BuildState) -> str:
    """Return in a word whether a build is held, or how many of its units are."""
    return builds.state(build, shown.stays(build.build))


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A picture in both forms, what it was drawn of, and what is seen in it.

    `specs` has by form what stands under each other; `columns` names those of `rows`
    that a table of it has. `thinned` says that not every unit has its dot.
    """

    specs: dict[str, list[dict[str, Any]]]
    rows: pd.DataFrame
    columns: dict[str, str]
    words: str
    thinned: bool = False


def of_finding(shown: Shown, finding: Signal) -> Drawn:
    """Return the picture of one finding: its build, and two before it.

    Of a finding on all ranges the map of these builds, else the units of its range.

    Raises
    ------
    storage.errors.StorageError
        The daemon does not answer.
    """
    return _of_finding(shown, shown.stamp, finding.signal, dark=current() is DARK)


@st.cache_data(max_entries=16, show_spinner=False)
def _of_finding(_shown: Shown, stamp: str, name: str, *, dark: bool) -> Drawn:
    del stamp  # what was drawn is kept by it
    finding = next(one for one in _shown.findings if one.signal == name)
    rows = rows_up_to(_shown, finding.build)
    if finding.range is not None:
        rows = rows[rows["range"] == finding.range]
    cells = _cells(_shown, rows)
    look = _look(dark=dark)
    frame = plots.laid_out(rows, _signals([finding]), cells)
    changes = _changes(_shown, frame)
    if finding.range is not None:
        # A reel of another range's part is no reason for this one.
        changes = changes[changes["range"] == finding.range]
    found = [finding] if finding.standing else []
    if rows.empty:
        return Drawn(
            specs={"wide": [], "narrow": []}, rows=rows, columns=UNITS, words=""
        )
    specs = {}
    for form, measures in (("wide", plots.WIDE), ("narrow", plots.NARROW)):
        if finding.range is None:
            titles = {one.key: one.title for one in _shown.product.ranges}
            chart = plots.ranges_by_builds(
                frame, changes, cells, found, titles, look=look, form=measures
            )
        else:
            chart = plots.individuals(
                frame, changes, cells, found, look=look, width=measures.least,
                height=340 if form == "wide" else 300, to_limit=False,
            )  # fmt: skip
        specs[form] = [packed(chart)]
    builds = ", ".join(cells["build"])
    words = f"Units of {builds} in order; what moved is drawn as triangles."
    return Drawn(specs=specs, rows=rows, columns=UNITS, words=words)


def rows_up_to(shown: Shown, build: str) -> pd.DataFrame:
    """Return the latest results of a build and of those shortly before it.

    Of one of the newest builds those that are read anyway, else its own alone.
    """
    newest = shown.recent["build"].tolist()
    if build in set(shown.errors["build"]):
        place = newest.index(build)
        near = newest[max(0, place - BUILDS_NEAR) : place + 1]
        return shown.errors[shown.errors["build"].isin(near)]
    return _of_one_build(shown, build)


def _cells(shown: Shown, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the columns of these rows' builds."""
    missing = sorted(set(rows["build"]) - set(shown.recent["build"]))
    builds = pd.concat(
        [*(asked(shown, "builds", build=one) for one in missing), shown.recent]
    )
    return plots.columns(rows, builds)


def _changes(shown: Shown, frame: pd.DataFrame) -> pd.DataFrame:
    parts = {one.key: one.part for one in shown.product.ranges if one.part is not None}
    return plots.reel_changes(frame, recent_fittings(shown), shown.builds, parts)


def _signals(findings: Sequence[Signal]) -> pd.DataFrame:
    names = ("standing", "build", "first_serial", "cause", "range")
    return pd.DataFrame(
        [{name: getattr(one, name) for name in names} for one in findings],
        columns=list(names),
    )


def of_build(shown: Shown, build: str) -> Drawn:
    """Return the units of a build, range by range, as shares of their limits."""
    return _of_build(shown, shown.stamp, build, dark=current() is DARK)


@st.cache_data(max_entries=16, show_spinner=False)
def _of_build(_shown: Shown, stamp: str, build: str, *, dark: bool) -> Drawn:
    del stamp  # what was drawn is kept by it
    rows = results_of(_shown, build)
    cells = _cells(_shown, rows)
    frame = plots.laid_out(rows, _shown.signals, cells)
    titles = {one.key: one.title for one in _shown.product.ranges}
    specs = {
        form: [
            packed(
                plots.units_by_limit(
                    frame, titles, look=_look(dark=dark), width=measures.width
                )
            )
        ]
        for form, measures in (("wide", plots.WIDE), ("narrow", plots.NARROW))
    }
    return Drawn(specs=specs, rows=rows, columns=UNITS, words="")


def results_of(shown: Shown, build: str) -> pd.DataFrame:
    """Return the latest results of one build."""
    mine = shown.errors[shown.errors["build"] == build]
    return _of_one_build(shown, build) if mine.empty else mine


def _of_one_build(shown: Shown, build: str) -> pd.DataFrame:
    rows = asked(shown, "latest_errors", build=build)
    return measured_since(rows, shown.reworked)


def of_range(
    shown: Shown, range_: str, kind: str, baseline: tuple[str, ...] = ()
) -> Drawn | None:
    """Return one of the charts of a range, by its name in `RANGE_CHARTS`.

    None while there are too few units for it, or between the two ends of the baseline
    that all units are to be held against, each a build or a serial.
    """
    return _of_range(shown, shown.stamp, range_, kind, baseline, dark=current() is DARK)


@st.cache_data(max_entries=48, show_spinner=False)
def _of_range(
    _shown: Shown,
    stamp: str,
    range_: str,
    kind: str,
    baseline: tuple[str, ...],
    *,
    dark: bool,
) -> Drawn | None:
    del stamp  # what was drawn is kept by it
    shown, look = _shown, _look(dark=dark)
    if kind == STORY:
        told = asked(shown, "range_story", range=range_, most=MOST_STRETCHES)
        if told.empty:
            return None
        specs = {
            form: [packed(plots.story(told, look=look, height=height))]
            for form, height in (("wide", 300), ("narrow", 240))
        }
        return Drawn(specs=specs, rows=told, columns=STRETCHES, words="")
    specs, rows, words, fewer = {}, pd.DataFrame(), "", False
    against: plots.Baseline | None = None
    for form, measures in (("wide", plots.WIDE), ("narrow", plots.NARROW)):
        most = BUILDS_NARROW if form == "narrow" else BUILDS_SHOWN
        cells = plots.columns(shown.errors, shown.recent, most=most)
        frame = plots.laid_out(shown.errors, shown.signals, cells)
        frame = frame[frame["range"] == range_]
        if frame.empty:
            return None
        changes = _changes(shown, frame)
        changes = changes[changes["range"] == range_]
        if baseline and form == "wide":  # the narrow one may not have its builds
            against = plots.baseline_of(frame, changes, baseline)
            if against is None:
                return None
        elif against is not None:
            against = plots.as_shown(against, frame, baseline)
        found = _charts(
            shown, kind, frame, changes, cells, range_, look, measures, against
        )
        if found is None:
            return None
        charts, drawn_of = found
        specs[form] = [packed(one) for one in charts]
        if form == "wide":
            rows, fewer = drawn_of, len(frame) > plots.MOST_DOTS
    columns = {name: TITLED[name] for name in rows.columns if name in TITLED}
    return Drawn(specs=specs, rows=rows, columns=columns, words=words, thinned=fewer)


def _charts(
    shown: Shown,
    kind: str,
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    cells: pd.DataFrame,
    range_: str,
    look: Look,
    measures: plots.Form,
    baseline: plots.Baseline | None,
) -> tuple[list[alt.LayerChart], pd.DataFrame] | None:
    """Return what one kind of chart draws under each other, and what of."""
    wide = measures is plots.WIDE  # on a phone a finger moves the page
    height = 280 if measures is plots.NARROW else 360
    if kind == UNITS_CHART:
        findings = [one for one in shown.current if one.range in (range_, None)]
        units = plots.individuals(
            frame, changes, cells, findings, look=look, width=measures.least,
            height=height, to_limit=False, baseline=baseline, draggable=wide,
        )  # fmt: skip
        return [units], frame
    if kind == STEPS_CHART:
        steps = plots.moving_ranges(
            frame, changes, cells, look=look, width=measures.width, height=220,
            baseline=baseline, draggable=wide,
        )  # fmt: skip
        return None if steps is None else ([steps], frame)
    if kind == DOTS_CHART:
        dots = plots.distribution(frame, look=look, width=measures.width)
        return [dots], frame
    if kind == MEANS_CHART:
        return plots.between_and_within(frame, changes, cells, look=look)
    draw = plots.averages if kind == AVERAGES_CHART else plots.sums
    found = draw(frame, changes, cells, look=look, baseline=baseline, draggable=wide)
    return None if found is None else ([found[0]], found[1])


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
