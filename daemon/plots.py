"""Frames to Altair, for screens and documents alike.

Dots for what was measured, brackets for limits, a dotted line where a reel
changed, a band for an estimate's interval. Only what moved gets colour, another
shape and words beside it.
"""

from collections.abc import Sequence

import altair as alt
import numpy as np
import pandas as pd

from daemon.look import LIGHT, Look
from daemon.marks import (
    AS_IT_WAS,
    MOVED,
    ODD,
    brackets,
    dots,
    limit_labels,
    names,
    place_of,
    reels,
    styled,
)
from daemon.spc.charts.individuals import IndividualsChart
from daemon.spc.limits import Limits, limits_from_baseline
from daemon.words import PPM_PER_PERCENT, beside
from storage.records import Signal

FEWEST_FOR_LIMITS = 8
NOTE_ROOM = 1.5
GAP = 6
"""Empty places between two builds."""


def laid_out(errors: pd.DataFrame, signals: pd.DataFrame) -> pd.DataFrame:
    """Return the errors with a place along the row and what each dot means.

    Parameters
    ----------
    errors
        `latest_errors` of the Store: one row a unit and range, oldest first.
    signals
        `signals` of the Store: latest revisions.

    Returns
    -------
    pandas.DataFrame
        The rows with `error_percent`, `limit_percent`, `place` (0-based, builds
        in order with a gap between them) and `meaning`.
    """
    frame = errors.copy()
    frame["error_percent"] = frame["error_ppm"] / PPM_PER_PERCENT
    frame["limit_percent"] = frame["limit_ppm"] / PPM_PER_PERCENT
    sizes = frame.groupby("build", sort=False)["position"].max()
    starts = (sizes + GAP).cumsum().shift(fill_value=0)
    frame["place"] = frame["build"].map(starts) + frame["position"] - 1
    frame["meaning"] = AS_IT_WAS
    frame.loc[frame["error_ppm"].abs() > frame["limit_ppm"], "meaning"] = ODD
    for signal in signals.to_dict("records"):
        in_build = frame["build"] == signal["build"]
        is_first = frame["serial"] == signal["first_serial"]
        first = frame.loc[in_build & is_first, "place"]
        if first.empty:
            continue
        concerned = in_build & (frame["place"] >= first.iloc[0])
        if pd.notna(signal["range"]):
            concerned &= frame["range"] == signal["range"]
        frame.loc[concerned, "meaning"] = MOVED
    return frame


def reel_changes(
    frame: pd.DataFrame, fittings: pd.DataFrame, part_of_range: dict[str, str]
) -> pd.DataFrame:
    """Return where each range's part changed its reel: range, place, reel.

    A reel that goes on into the next build is no change.
    """
    rows = []
    for key, part in part_of_range.items():
        fitted = fittings[fittings["part"] == part]
        last_reel = None
        for one in fitted.to_dict("records"):
            units = frame[(frame["build"] == one["build"]) & (frame["range"] == key)]
            if pd.notna(one["from_serial"]):
                units = units[units["serial"] == one["from_serial"]]
            changed = last_reel is not None and one["reel"] != last_reel
            if changed and not units.empty:
                rows.append((key, units["place"].min() - 0.5, one["reel"]))
            last_reel = one["reel"]
    return pd.DataFrame(rows, columns=["range", "place", "reel"])


def range_strip(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    *,
    title: str | None,
    note: str | None = None,
    look: Look = LIGHT,
    build_labels: dict[str, str] | None = None,
    height: int = 96,
) -> alt.LayerChart:
    """Return one row of the map: a range over the builds.

    Parameters
    ----------
    frame
        Rows of `laid_out` of this range.
    changes
        Rows of `reel_changes` of this range.
    title
        The range, at the left; None where the page names it.
    note
        Words beside what moved.
    build_labels
        Build to the text over its cell; none drawn when left out.
    """
    limit = float(frame["limit_percent"].median())
    reach = max(1.3 * limit, 1.12 * float(frame["error_percent"].abs().max()))
    noted = bool(note) and (frame["meaning"] == MOVED).any()
    # The words get a line of their own above everything that was measured.
    top = reach * NOTE_ROOM if noted else reach
    y = alt.Y(
        "error_percent:Q",
        scale=alt.Scale(domain=[-reach, top], nice=False),
        axis=alt.Axis(
            values=[-limit, 0.0, limit],
            labelExpr=limit_labels(limit),
            grid=False,
            domain=False,
            ticks=False,
            labelColor=look.quiet,
            title=title,
            titleAngle=0,
            titleAlign="right",
            titleBaseline="middle",
            titleX=-58,
            titleY=height / 2,
            titleColor=look.ink,
            titleFontSize=14,
            titleFontWeight="bold",
            minExtent=48 if title is None else 120,
            maxExtent=48 if title is None else 120,
        ),
    )
    places = alt.Scale(
        domain=[float(frame["place"].min()) - 2, float(frame["place"].max()) + 2],
        nice=False,
    )
    x = alt.X("place:Q", scale=places, axis=None)
    layers: list[alt.Chart] = [
        *brackets(frame, look),
        dots(frame, x, y, look, size=26),
        *reels(changes, x, look),
    ]
    if noted:
        last = frame.loc[frame["meaning"] == MOVED, "place"].max()
        layers.append(
            alt.Chart(pd.DataFrame({"place": [last], "note": [note]}))
            .mark_text(
                align="right", baseline="top", fontWeight="bold", fontSize=12, dx=8
            )
            .encode(x=x, y=alt.value(2), text="note:N", color=alt.value(look.moved))
        )
    if build_labels is not None:
        layers.append(names(frame, labels=build_labels, x=x, look=look))
    return styled(alt.LayerChart(layer=layers).properties(height=height), look)


def individuals(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    findings: Sequence[Signal],
    *,
    look: Look = LIGHT,
    height: int = 340,
) -> alt.LayerChart:
    """Return the chart of one range: units, reel segments' own limits, findings.

    Parameters
    ----------
    frame
        Rows of `laid_out` of this range.
    changes
        Rows of `reel_changes` of this range.
    findings
        On this range or on all; their size is drawn as a band with its interval.
    """
    limit = float(frame["limit_percent"].median())
    reach = max(1.2 * limit, 1.12 * float(frame["error_percent"].abs().max()))
    x = alt.X(
        "place:Q",
        axis=None,
        scale=alt.Scale(domain=[-2.0, float(frame["place"].max()) + 2], nice=False),
    )
    y = alt.Y(
        "error_percent:Q",
        scale=alt.Scale(domain=[-reach, reach], nice=False),
        axis=alt.Axis(
            title="Error, % of reading",
            grid=False,
            domain=False,
            labelColor=look.quiet,
            titleColor=look.ink,
            labelExpr="datum.value == 0 ? '0' : format(datum.value, '+.2~f')",
            tickCount=5,
            titleFontWeight="normal",
        ),
    )
    layers: list[alt.Chart] = []
    segments = _segment_limits(frame, changes)
    if not segments.empty:
        layers += [
            alt.Chart(segments)
            .mark_rect(color=look.quiet, opacity=0.16)
            .encode(x=place_of("left"), x2="right:Q", y="lower:Q", y2="upper:Q"),
            alt.Chart(segments)
            .mark_rule(color=look.quiet)
            .encode(x=place_of("left"), x2="right:Q", y="centre:Q"),
        ]
    layers += _estimates(frame, findings, look)
    layers += [*brackets(frame, look), dots(frame, x, y, look, size=44)]
    layers += reels(changes, x, look)
    layers.append(names(frame, labels=None, x=x, look=look))
    return styled(alt.LayerChart(layer=layers).properties(height=height), look)


def moving_ranges(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    *,
    look: Look = LIGHT,
    height: int = 110,
) -> alt.LayerChart | None:
    """Return the steps from each unit to the next, none across a reel or build.

    Parameters
    ----------
    frame, changes
        As for `individuals`.

    Returns
    -------
    altair.LayerChart or None
        None while there are too few units for limits.
    """
    good = frame[frame["meaning"] != MOVED].sort_values("place")
    limits = _pooled(good, changes)
    if limits is None:
        return None
    chart = IndividualsChart(limits=limits)
    rows = []
    for _, segment in frame.sort_values("place").groupby(_segments(frame, changes)):
        chart.boundary()
        points = chart.extend(segment["error_percent"].to_numpy())
        rows.append(
            segment.assign(
                step=points.moving_range,
                meaning=np.where(
                    points.moving_range_signal, ODD, segment["meaning"].to_numpy()
                ),
                upper=points.moving_range_upper,
            )
        )
    steps = pd.concat(rows).dropna(subset=["step"])
    top = 1.15 * max(float(steps["step"].max()), float(steps["upper"].max()))
    x = alt.X(
        "place:Q",
        axis=None,
        scale=alt.Scale(domain=[-2.0, float(frame["place"].max()) + 2], nice=False),
    )
    y = alt.Y(
        "step:Q",
        scale=alt.Scale(domain=[0.0, top], nice=False),
        axis=alt.Axis(
            title="Step, %",
            grid=False,
            domain=False,
            labelColor=look.quiet,
            titleColor=look.ink,
            titleFontWeight="normal",
            tickCount=2,
        ),
    )
    bound = pd.DataFrame({"upper": [float(steps["upper"].max())]})
    layers: list[alt.Chart] = [
        alt.Chart(bound).mark_rule(color=look.quiet).encode(y="upper:Q"),
        dots(steps, x, y, look, size=26),
        *reels(changes, x, look),
    ]
    return styled(alt.LayerChart(layer=layers).properties(height=height), look)


def _segments(frame: pd.DataFrame, changes: pd.DataFrame) -> pd.Series:
    """Return which stretch of one build and one reel each row belongs to."""
    edges = sorted([*frame.groupby("build")["place"].min(), *changes["place"]])
    return frame["place"].map(lambda place: sum(edge <= place for edge in edges))


def _pooled(good: pd.DataFrame, changes: pd.DataFrame) -> Limits | None:
    """Return limits whose scatter is pooled over all stretches; None for too few."""
    if len(good) < FEWEST_FOR_LIMITS or good["error_percent"].nunique() == 1:
        return None
    starts = (1 + np.flatnonzero(np.diff(_segments(good, changes)))).tolist()
    return limits_from_baseline(good["error_percent"].to_numpy(), segment_starts=starts)


def _segment_limits(frame: pd.DataFrame, changes: pd.DataFrame) -> pd.DataFrame:
    """Return each reel segment's limits: its own centre, a scatter pooled over all."""
    good = frame[frame["meaning"] != MOVED].sort_values("place")
    pooled = _pooled(good, changes)
    if pooled is None:
        return pd.DataFrame()
    centres = (
        good.groupby(_segments(good, changes))
        .agg(
            left=("place", lambda p: p.min() - 0.6),
            right=("place", lambda p: p.max() + 0.6),
            centre=("error_percent", "mean"),
        )
        .reset_index(drop=True)
    )
    return centres.assign(
        lower=centres["centre"] - pooled.width * pooled.sigma,
        upper=centres["centre"] + pooled.width * pooled.sigma,
    )


def _estimates(
    frame: pd.DataFrame, findings: Sequence[Signal], look: Look
) -> list[alt.Chart]:
    """Draw what each finding says as a line over its units, its interval as a band."""
    rows = []
    for one in findings:
        units = frame[(frame["build"] == one.build) & (frame["meaning"] == MOVED)]
        if units.empty:
            continue
        rows.append(
            {
                "left": units["place"].min() - 0.6,
                "right": units["place"].max() + 0.6,
                "low": one.low_ppm / PPM_PER_PERCENT,
                "size": one.size_ppm / PPM_PER_PERCENT,
                "high": one.high_ppm / PPM_PER_PERCENT,
                "words": beside(one),
            }
        )
    if not rows:
        return []
    data = alt.Chart(pd.DataFrame(rows))
    return [
        data.mark_rect(color=look.moved, opacity=0.14).encode(
            x=place_of("left"), x2="right:Q", y="low:Q", y2="high:Q"
        ),
        data.mark_rule(color=look.moved).encode(
            x=place_of("left"), x2="right:Q", y="size:Q"
        ),
        data.mark_text(
            align="right", baseline="top", fontWeight="bold", fontSize=13, dx=8
        ).encode(
            x=place_of("right"),
            y=alt.value(4),
            text="words:N",
            color=alt.value(look.moved),
        ),
    ]


def labels_of_builds(builds: pd.DataFrame) -> dict[str, str]:
    """Return each build's name, and beside a held one that it stays."""
    return {
        row["build"]: f"{row['build']} stays"
        if row["state"] == "held"
        else row["build"]
        for row in builds.to_dict("records")
    }


def shown_builds(builds: Sequence[str], *, most: int) -> list[str]:
    """Return the newest builds, oldest first.

    >>> shown_builds(["B1", "B2", "B3"], most=2)
    ['B2', 'B3']
    """
    return list(builds)[-most:]
