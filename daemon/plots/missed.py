"""What a check of some units would miss, by how far a reel is off."""

from collections.abc import Sequence

import altair as alt
import pandas as pd

from daemon.look import LIGHT, Look
from daemon.plots import marks

DASHES = ([1, 3], [3, 3], [7, 3], [14, 3], [1, 0])
"""The more units, the less broken the line; they begin anew where there are more."""
LABEL_PX = 12.0
SAMPLE_PX = 26.0
"""Length of the line in the key."""
LIMIT_REACHES = 0.3
"""How far up the error limit is drawn, of the height: the key stands above it."""


def missed_by_shift(
    frame: pd.DataFrame,
    *,
    limit_percent: float,
    accepted_percent: float,
    ticks_percent: Sequence[float],
    look: Look = LIGHT,
    height: int = 320,
) -> alt.LayerChart:
    """Return a curve for each number of units checked.

    Parameters
    ----------
    frame
        `RangeOutlook.curves`, not empty.
    limit_percent
        Error limit of the range.
    accepted_percent
        Of builds in which the reel may be missed.
    ticks_percent
        Shifts that are named below.
    look
        Colours.
    height
        In px.
    """
    names = {number: f"any {number}" for number in sorted(set(frame["checked"]))}
    frame = frame.assign(name=frame["checked"].map(names))
    x = alt.X(
        "off_percent:Q",
        scale=alt.Scale(
            type="log",
            domain=[frame["off_percent"].min(), frame["off_percent"].max()],
            nice=False,
        ),
        axis=alt.Axis(
            title=None,
            grid=False,
            values=[*ticks_percent],
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
            values=[0, 25, 50, 75, 100],
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
        .mark_line(color=look.unit, strokeWidth=2, aria=False)
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
    accepted = pd.DataFrame(
        {
            "off_percent": [frame["off_percent"].min()],
            "missed_percent": [accepted_percent],
            "text": [f"{accepted_percent:g} % may be missed"],
        }
    )
    limit = pd.DataFrame(
        {
            "off_percent": [limit_percent],
            "missed_percent": [0.0],
            "top": [100.0 * LIMIT_REACHES],
            "text": [f"error limit {limit_percent:.3g} %"],
        }
    )
    # Words stand on the side that has room.
    right = limit_percent < float(frame["off_percent"].max()) / 2
    aside = {"align": "left", "dx": 5} if right else {"align": "right", "dx": -5}
    return marks.picture(
        [
            alt.Chart(accepted)
            .mark_rule(color=look.ink, strokeDash=[2, 3], aria=False)
            .encode(y=y),
            alt.Chart(limit)
            .mark_rule(color=look.ink, aria=False)
            .encode(x=x, y=y, y2="top:Q"),
            curves,
            marks.words(accepted, x, y, look.ink, dx=4, dy=-5, fontSize=LABEL_PX),
            marks.words(
                limit,
                x,
                alt.Y("top:Q"),
                look.ink,
                fontSize=LABEL_PX,
                baseline="top",
                **aside,
            ),
        ],
        look,
        height=height,
    )
