"""One range: every unit, the limits that its own scatter sets, and the steps."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import floor, log10

import altair as alt
import numpy as np
import pandas as pd

from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.figures import PPM_PER_PERCENT, share_of_reading
from daemon.presentation.plots import marks
from daemon.presentation.plots.places import (
    AS_IT_WAS,
    MOST_DOTS,
    MOVED,
    ODD,
    moved_by,
    note_on,
    span_of,
    stretches,
    thinned,
)
from daemon.presentation.plots.row_scale import NEAR, RowScale
from daemon.spc import Limits, NoSpreadError, TooFewError, limits_from_baseline
from daemon.spc.charts import IndividualsChart
from storage import Signal

FEWEST_FOR_LIMITS = 8
HEAD_PX = 24.0
NOTE_PX = 18.0
FOOT_PX = 20.0
AXIS_PX = 52
"""Both charts leave the same room for their axes, so that units stand in line."""
TICK_PX = 5.0
DOT_PX = 6.0
PERCENT = "format(datum.value, '{}') + ' %'"


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """What all units are held against: mean and scatter of some, and where they stand.

    `span` has the places of the first and the last of them; None where the picture
    does not show them.
    """

    limits: Limits
    span: tuple[float, float] | None


def individuals(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    cells: pd.DataFrame,
    findings: Sequence[Signal],
    *,
    look: Look = LIGHT,
    width: float = 1100.0,
    height: int = 360,
    to_limit: bool = True,
    baseline: Baseline | None = None,
    draggable: bool = False,
) -> alt.LayerChart:
    """Return the chart of one range: units, stretches' own limits, findings.

    Parameters
    ----------
    frame, changes, cells
        `laid_out` and `reel_changes` of this range, `columns`; of `places`.
    findings
        On this range or on all; their size is drawn as a band with its interval.
    width
        About how wide it will stand, px: the more units, the smaller their dots.
    height
        In px.
    to_limit
        Whether the error limit is drawn however far it is; else the scale is that of
        the units, and a limit beyond it is said in words.
    baseline
        What all units are held against (`baseline_of`); None: each stretch against its
        own mean.
    draggable
        Whether a drag picks units to hold the others against.
    """
    shown = [one for one in findings if one.build in set(cells["build"])]
    limits = frame.groupby("build", sort=False)["limit_percent"].median()
    farthest = float(frame["error_percent"].abs().max())
    limit = float(limits.max())
    reach = _reach(frame, shown, limit, farthest, to_limit=to_limit)
    notes = _notes(frame, shown, cells, px_a_place=(width - AXIS_PX) / _end(cells))
    head = HEAD_PX + NOTE_PX * max((len(one) for one in notes.values()), default=0)
    x = x_of(cells)
    y_scale = alt.Scale(
        domain=[-reach, reach], range=[height - FOOT_PX, head], nice=False
    )
    y = alt.Y(
        "error_percent:Q",
        scale=y_scale,
        axis=axis(
            look,
            labels=f"datum.value == 0 ? '0' : {PERCENT.format('+.2~r')}",
            ticks=5,
        ),
    )
    inside = cells[cells["build"].isin(limits.index)]
    bounds = inside["build"].map(limits)
    tick = TICK_PX * 2 * reach / (height - FOOT_PX - head)
    units = marks.clickable(
        marks.dots(
            thinned(frame, most=MOST_DOTS),
            x,
            y,
            look,
            size=marks.dot_size(cells, width, most=DOT_PX),
        ),
        marks.UNIT_OPENED,
        marks.OPENED[marks.UNIT_OPENED],
    )
    layers: list[alt.Chart] = [
        *_scatter(frame, changes, x, look, baseline),
        *baseline_drawn(baseline, x, look, top=head, bottom=height - FOOT_PX),
        *_estimates(frame, shown, x, look),
        *_written(notes, cells, x, look),
        *(
            [
                marks.brackets(
                    marks.bracket_points(inside, bounds, -bounds, tick=tick),
                    x,
                    alt.Y("y:Q"),
                    look,
                )
            ]
            if limit <= reach
            else [_limit_words(limit, reach, look, height)]
        ),
        marks.draggable(units, look) if draggable else units,
        *_named_reels(changes, x, look, top=head, bottom=height),
        *named_builds(cells, x, look),
    ]
    return marks.picture(layers, look, height=height)


def moving_ranges(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    cells: pd.DataFrame,
    *,
    look: Look = LIGHT,
    width: float = 1100.0,
    height: int = 140,
    baseline: Baseline | None = None,
    draggable: bool = False,
) -> alt.LayerChart | None:
    """Return the steps from each unit to the next, none across a reel or build.

    Parameters
    ----------
    frame, changes, cells, width, baseline, draggable
        As for `individuals`.
    height
        In px.

    Returns
    -------
    altair.LayerChart or None
        None while there are too few units for limits.
    """
    if baseline is not None:
        limits = baseline.limits
    elif (found := pooled(frame[frame["meaning"] != MOVED], changes)) is not None:
        limits = found
    else:
        return None
    steps, bound = _steps(frame, changes, limits)
    top = rounded_up(1.1 * max(float(steps["step"].max()), bound))
    x = x_of(cells)
    y = alt.Y(
        "step:Q",
        scale=alt.Scale(domain=[0.0, top], range=[height - 6.0, HEAD_PX], nice=False),
        axis=axis(
            look,
            labels=f"datum.value == 0 ? '0' : {PERCENT.format('~g')}",
            ticks=2,
        ),
    )
    at = pd.DataFrame({"bound": [bound]})
    title = pd.DataFrame({"text": ["From unit to unit"]})
    size = 0.6 * marks.dot_size(cells, width, most=DOT_PX)
    dots = marks.dots(thinned(steps, most=MOST_DOTS, by="step"), x, y, look, size=size)
    layers: list[alt.Chart] = [
        marks.words(title, alt.value(0), alt.value(12), look.quiet, fontSize=12.0),
        alt.Chart(at).mark_rule(color=look.quiet).encode(y=alt.Y("bound:Q")),
        *baseline_drawn(baseline, x, look, top=HEAD_PX, bottom=height - 6.0),
        marks.draggable(dots, look) if draggable else dots,
    ]
    if not changes.empty:
        top_px, bottom_px = alt.value(HEAD_PX), alt.value(height)
        layers.append(marks.reels(changes, x, look, y=top_px, y2=bottom_px))
    return marks.picture(layers, look, height=height)


def x_of(cells: pd.DataFrame) -> alt.X:
    """Return the channel on which units stand side by side."""
    domain = [float(cells["left"].min()), float(cells["right"].max())]
    scale = alt.Scale(domain=domain, nice=False, zero=False)
    return alt.X("place:Q", scale=scale, axis=None)


def axis(look: Look, *, labels: str, ticks: int) -> alt.Axis:
    """Return a quiet axis of numbers."""
    return alt.Axis(
        title=None,
        grid=False,
        domain=False,
        ticks=False,
        labelColor=look.quiet,
        labelPadding=6,
        minExtent=AXIS_PX,
        maxExtent=AXIS_PX,
        labelExpr=labels,
        tickCount=ticks,
    )


def rounded_up(value: float) -> float:
    """Return the next number of two digits, so that a scale stays as it is."""
    step = 10.0 ** (floor(log10(value)) - 1)
    return float(round(np.ceil(value / step) * step, 12))


def named_builds(cells: pd.DataFrame, x: alt.X, look: Look) -> list[alt.Chart]:
    """Write each build's name over its units."""
    frame = pd.DataFrame({"place": cells["left"], "text": cells["build"]})
    return [
        marks.words(
            frame, x, alt.value(12.0), look.ink, fontWeight="bold", fontSize=14.0
        )
    ]


def _named_reels(
    changes: pd.DataFrame, x: alt.X, look: Look, *, top: float, bottom: float
) -> list[alt.Chart]:
    if changes.empty:
        return []
    names = changes.assign(text=changes["reel"])
    foot = alt.value(bottom - 3.0)
    return [
        marks.reels(changes, x, look, y=alt.value(top), y2=alt.value(bottom)),
        marks.words(names, x, foot, look.quiet, dx=5, fontSize=12.0),
    ]


def pooled(good: pd.DataFrame, changes: pd.DataFrame) -> Limits | None:
    """Return limits whose scatter is pooled over all stretches; None for too few."""
    if len(good) < FEWEST_FOR_LIMITS:
        return None
    of = stretches(good, changes).to_numpy()
    starts = (1 + np.flatnonzero(np.diff(of))).tolist()
    errors_percent = good["error_percent"].to_numpy()
    try:
        return limits_from_baseline(errors_percent, segment_starts=starts)
    except (TooFewError, NoSpreadError):
        # No stretch has two units yet, or no two neighbours differ.
        return None


def baseline_of(
    frame: pd.DataFrame, changes: pd.DataFrame, ends: Sequence[str]
) -> Baseline | None:
    """Return the mean and the scatter of the units between two; None for too few.

    Parameters
    ----------
    frame, changes
        As for `individuals`.
    ends
        The first and the last, each a build or a serial.
    """
    mine = span_of(frame, ends)
    limits = pooled(mine[mine["meaning"] != MOVED], changes)
    return None if limits is None else Baseline(limits=limits, span=_places(mine))


def as_shown(baseline: Baseline, frame: pd.DataFrame, ends: Sequence[str]) -> Baseline:
    """Return a baseline as it stands in a picture of other units."""
    return replace(baseline, span=_places(span_of(frame, ends)))


def _places(frame: pd.DataFrame) -> tuple[float, float] | None:
    if frame.empty:
        return None
    return float(frame["place"].min()), float(frame["place"].max())


def baseline_drawn(
    baseline: Baseline | None, x: alt.X, look: Look, *, top: float, bottom: float
) -> list[alt.Chart]:
    """Mark the units that the others are held against."""
    if baseline is None or baseline.span is None:
        return []
    left, right = baseline.span
    at = pd.DataFrame({"place": [left - 0.5], "right": [right + 0.5]})
    at = at.assign(text="baseline")
    return [
        alt.Chart(at)
        .mark_rect(color=look.unit, opacity=0.1)
        .encode(x=x, x2=alt.X2("right:Q"), y=alt.value(top), y2=alt.value(bottom)),
        marks.words(at, x, alt.value(bottom - 6.0), look.unit, dx=5, fontSize=12.0),
    ]


def _scatter(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    x: alt.X,
    look: Look,
    baseline: Baseline | None,
) -> list[alt.Chart]:
    """Draw each stretch's own centre, or the baseline's, and what scatter allows."""
    good = frame[frame["meaning"] != MOVED]
    found = pooled(good, changes) if baseline is None else baseline.limits
    if found is None:
        return []
    if baseline is not None:
        good = frame.assign(error_percent=found.centre)
    centres = (
        good.groupby(stretches(good, changes))
        .agg(
            place=("place", lambda p: p.min() - 0.5),
            right=("place", lambda p: p.max() + 0.5),
            centre=("error_percent", "mean"),
        )
        .reset_index(drop=True)
    )
    half = found.width * found.sigma
    data = alt.Chart(
        centres.assign(lower=centres["centre"] - half, upper=centres["centre"] + half)
    )
    return [
        data.mark_rect(color=look.quiet, opacity=0.16).encode(
            x=x, x2=alt.X2("right:Q"), y=alt.Y("lower:Q"), y2=alt.Y2("upper:Q")
        ),
        data.mark_rule(color=look.quiet).encode(
            x=x, x2=alt.X2("right:Q"), y=alt.Y("centre:Q")
        ),
    ]


def _end(cells: pd.DataFrame) -> float:
    return float(cells["right"].max())


def _reach(
    frame: pd.DataFrame,
    findings: Sequence[Signal],
    limit: float,
    farthest: float,
    *,
    to_limit: bool,
) -> float:
    """Return from zero to the edge of the chart."""
    if to_limit:
        return rounded_up(1.1 * max(limit, farthest))
    as_it_was = frame[frame["meaning"] == AS_IT_WAS]
    told = frame if as_it_was.empty else as_it_was
    scale = RowScale.of(told["error_percent"], told["build"], limit=limit)
    sizes = [abs(one.size_ppm) / PPM_PER_PERCENT for one in findings]
    reach = max(scale.reach + abs(scale.centre), 1.1 * max([farthest, *sizes]))
    if limit <= NEAR * reach:
        reach = max(reach, 1.1 * limit)
    return rounded_up(reach)


def _limit_words(limit: float, reach: float, look: Look, height: int) -> alt.Chart:
    """Say how far outside of the chart the limit is."""
    text = (
        f"\N{UP DOWN ARROW} limit \N{PLUS-MINUS SIGN}{share_of_reading(limit)}, "
        f"{marks.as_far(limit / reach)}"
    )
    at = pd.DataFrame({"text": [text]})
    foot = alt.value(height - 3.0)
    return marks.words(
        at, alt.value("width"), foot, look.quiet, align="right", fontSize=12.0
    )


def _notes(
    frame: pd.DataFrame,
    findings: Sequence[Signal],
    cells: pd.DataFrame,
    *,
    px_a_place: float,
) -> dict[str, list[tuple[str, bool]]]:
    """Return by build the lines over what moved in it, as wide as its column.

    With each goes whether its units read so now.
    """
    widths = dict(
        zip(cells["build"], (cells["right"] - cells["left"]) * px_a_place, strict=True)
    )
    found: dict[str, list[tuple[str, bool]]] = {}
    for one in findings:
        if (said := note_on(frame, one)) is not None:
            text, now = said
            lines = marks.wrapped(text, px=widths[one.build])
            found.setdefault(one.build, []).extend((line, now) for line in lines)
    return found


def _written(
    notes: Mapping[str, Sequence[tuple[str, bool]]],
    cells: pd.DataFrame,
    x: alt.X,
    look: Look,
) -> list[alt.Chart]:
    left = dict(zip(cells["build"], cells["left"], strict=True))
    rows = [
        (left[build], HEAD_PX + NOTE_PX * line + 8.0, text, now)
        for build, lines in notes.items()
        for line, (text, now) in enumerate(lines)
    ]
    if not rows:
        return []
    frame = pd.DataFrame(rows, columns=["place", "line", "text", "now"])
    line = alt.Y("line:Q", scale=None)
    return marks.notes(frame, x, line, look, size=13.0)


def _estimates(
    frame: pd.DataFrame, findings: Sequence[Signal], x: alt.X, look: Look
) -> list[alt.Chart]:
    """Draw what each finding says as a line over its units, its interval as a band."""
    rows = []
    for one in findings:
        units = moved_by(frame, one)
        if units.empty:
            continue
        rows.append(
            {
                "place": units["place"].min() - 0.5,
                "right": units["place"].max() + 0.5,
                "low": one.low_ppm / PPM_PER_PERCENT,
                "size": one.size_ppm / PPM_PER_PERCENT,
                "high": one.high_ppm / PPM_PER_PERCENT,
            }
        )
    if not rows:
        return []
    chart = alt.Chart(pd.DataFrame(rows))
    return [
        chart.mark_rect(color=look.moved, opacity=0.14, clip=True).encode(
            x=x, x2=alt.X2("right:Q"), y=alt.Y("low:Q"), y2=alt.Y2("high:Q")
        ),
        chart.mark_rule(color=look.moved).encode(
            x=x, x2=alt.X2("right:Q"), y=alt.Y("size:Q")
        ),
    ]


def _steps(
    frame: pd.DataFrame, changes: pd.DataFrame, limits: Limits
) -> tuple[pd.DataFrame, float]:
    """Return each unit's step from the one before it, and the steps' limit."""
    chart = IndividualsChart(limits=limits)
    pieces = []
    bound = 0.0
    for _, stretch in frame.groupby(stretches(frame, changes)):
        chart.boundary()
        points = [chart.update(one) for one in stretch["error_percent"]]
        bound = points[0].moving_range_upper
        odd = [point.moving_range_signal for point in points]
        meaning = np.where(odd, ODD, stretch["meaning"].to_numpy())
        step = np.array([point.moving_range for point in points], dtype=float)
        pieces.append(stretch.assign(step=step, meaning=meaning))
    return pd.concat(pieces).dropna(subset=["step"]), bound
