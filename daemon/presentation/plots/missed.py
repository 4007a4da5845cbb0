"""What a check of some units would miss, by how far a reel is off."""

from math import floor, log10

import altair as alt
import pandas as pd

from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.plots import marks

DASHES = ([2, 3], [5, 3], [12, 3], [1, 0])
"""The more units, the less broken the line; they begin anew where there are more."""
STEPS = (1, 2, 3, 5)
"""Shifts named below, in every decade."""
LABEL_PX = 12.0
SAMPLE_PX = 26.0
"""Length of the line in the key."""


def missed_by_shift(
    frame: pd.DataFrame,
    *,
    accepted_percent: float,
    look: Look = LIGHT,
    height: int = 320,
) -> alt.LayerChart:
    """Return a curve for each number of units checked.

    Parameters
    ----------
    frame
        `RangeOutlook.curves`, not empty.
    accepted_percent
        Of builds in which the reel may be missed.
    look
        Colours.
    height
        In px.
    """
    names = {number: f"any {number} units" for number in sorted(set(frame["checked"]))}
    least, most = frame["off_percent"].min(), frame["off_percent"].max()
    frame = frame.assign(name=frame["checked"].map(names))
    x = alt.X(
        "off_percent:Q",
        scale=alt.Scale(
            type="log",
            domain=[least, most],
            nice=False,
        ),
        axis=alt.Axis(
            title=None,
            grid=False,
            values=ticks(least, most),
            domainColor=look.quiet,
            tickColor=look.quiet,
            labelColor=look.quiet,
            labelExpr="format(datum.value, '~f') + ' %'",
            labelOverlap="greedy",
            labelFlush=True,
        ),
    )
    y = alt.Y(
        "missed_percent:Q",
        scale=alt.Scale(domain=[0, 100], nice=False),
        axis=alt.Axis(
            title=None,
            domain=False,
            ticks=False,
            values=[0, accepted_percent, 25, 50, 75, 100],
            gridColor=look.shade,
            labelColor=look.quiet,
            labelExpr="datum.value + ' %'",
        ),
    )
    dash = alt.StrokeDash(
        "name:N",
        sort=None,
        scale=alt.Scale(
            domain=[*names.values()],
            range=[DASHES[place % len(DASHES)] for place in range(len(names))],
        ),
        legend=alt.Legend(
            orient="top-right",
            title=None,
            symbolType="stroke",
            symbolSize=SAMPLE_PX**2,
            symbolStrokeWidth=2,
            symbolStrokeColor=look.unit,
            labelColor=look.ink,
            labelFont=marks.FONT,
            labelFontSize=LABEL_PX,
            fillColor=look.paper,
            padding=4,
        ),
    )
    curves: alt.Chart = (
        alt.Chart(frame)
        .mark_line(color=look.unit, strokeWidth=2, interpolate="monotone", aria=False)
        .encode(
            x=x,
            y=y,
            strokeDash=dash,
            tooltip=[
                alt.Tooltip("name:N", title="Checked"),
                alt.Tooltip("off_percent:Q", title="Off by, %", format=".2~f"),
                alt.Tooltip("missed_percent:Q", title="Missed, %", format=".1f"),
            ],
        )
    )
    accepted: alt.Chart = (
        alt.Chart(pd.DataFrame({"missed_percent": [accepted_percent]}))
        .mark_rule(color=look.ink, strokeDash=[1, 3], aria=False)
        .encode(y=y)
    )
    return marks.picture([accepted, curves], look, height=height)


def ticks(least: float, most: float) -> list[float]:
    """Return the shifts that are named between two, both above 0.

    >>> ticks(0.05, 0.5)
    [0.05, 0.1, 0.2, 0.3, 0.5]
    """
    decades = range(floor(log10(least)), floor(log10(most)) + 1)
    steps = [float(f"{step}e{decade}") for decade in decades for step in STEPS]
    return [one for one in steps if least <= one <= most]
