"""Units by ranges as a share of their limit: how much room each has left."""

from collections.abc import Mapping

import altair as alt
import pandas as pd

from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.plots import marks
from daemon.presentation.plots.places import thinned

LANE_PX = 44.0
GAP_PX = 14.0
HEAD_PX = 20.0
FOOT_PX = 24.0
GUTTER_PX = 96.0
MARGIN = 1.12
MOST_SHARE = 300.0
"""What lies farther off, in percent of the limit, stands at the edge."""
MOST_DOTS = 1800
TITLE_PX = 8.5


def units_by_limit(
    frame: pd.DataFrame,
    titles: Mapping[str, str],
    *,
    look: Look = LIGHT,
    width: float = 1100.0,
) -> alt.LayerChart:
    """Return a lane a range: units from top to bottom in order, against their limits.

    Parameters
    ----------
    frame
        `laid_out` of one build; with `uncertainty_ppm`.
    titles
        Range to its title, in the order of the lanes.
    """
    measured = [key for key in titles if (frame["range"] == key).any()]
    lane = LANE_PX + GAP_PX
    top = {key: HEAD_PX + lane * place for place, key in enumerate(measured)}
    told = frame[frame["range"].isin(measured)]
    first, last = float(told["place"].min()), float(told["place"].max())
    step = (LANE_PX - 10.0) / max(last - first, 1.0)
    told = told.assign(
        share=100.0 * told["error_ppm"] / told["limit_ppm"],
        y=[
            top[key] + 5.0 + (place - first) * step
            for key, place in zip(told["range"], told["place"], strict=True)
        ],
    )
    told = told.assign(at=told["share"].clip(-MOST_SHARE, MOST_SHARE))
    reach = MARGIN * max(100.0, float(told["at"].abs().max()))
    gutter = min(GUTTER_PX, TITLE_PX * max(len(titles[key]) for key in measured) + 14.0)
    scale = alt.Scale(
        domain=[-reach, reach], range=[gutter, {"expr": "width - 1"}], nice=False
    )
    x = alt.X("at:Q", scale=scale, axis=None)
    y = alt.Y("y:Q", scale=None, axis=None)
    lanes = pd.DataFrame(
        {
            "top": [top[key] for key in measured],
            "bottom": [top[key] + LANE_PX for key in measured],
            "middle": [top[key] + LANE_PX / 2 for key in measured],
            "text": [titles[key] for key in measured],
            "range": measured,
            "low": -100.0,
            "high": 100.0,
            "zero": 0.0,
        }
    )
    tops, bottoms = alt.Y("top:Q", scale=None, axis=None), alt.Y2("bottom:Q")
    base = alt.Chart(lanes)
    edges = pd.concat(
        [
            lanes.assign(at=bound, order=order, bracket=f"{bound}" + lanes["range"],
                         y=lanes[edge], tick=tick)
            for bound, sign in ((-100.0, 1.0), (100.0, -1.0))
            for order, edge, tick in (
                (0, "top", sign), (1, "top", 0.0),
                (2, "bottom", 0.0), (3, "bottom", sign),
            )
        ]
    )  # fmt: skip
    edges = edges.assign(at=edges["at"] + edges["tick"] * reach / 90.0)
    foot = HEAD_PX + lane * len(measured) + 8.0
    labels = pd.DataFrame(
        {
            "at": [-100.0, -50.0, 0.0, 50.0, 100.0],
            "y": foot,
            "text": [
                "\N{MINUS SIGN}100 %",
                "\N{MINUS SIGN}50 %",
                "0",
                "+50 %",
                "+100 %",
            ],
        }
    )
    head = pd.DataFrame({"text": ["Share of the error limit"]})
    named = marks.words(
        lanes, alt.value(0), alt.Y("middle:Q", scale=None, axis=None), look.ink,
        fontWeight="bold", fontSize=14.0, baseline="middle",
    )  # fmt: skip
    drawn = thinned(told, most=MOST_DOTS)
    room = 0.9 * width / max(len(told) / len(measured), 1.0)
    size = max(12.0, min(36.0, room**1.5))
    dots = marks.dots(drawn, x, y, look, size=size)
    layers: list[alt.Chart] = [
        base.mark_rect(color=look.shade, opacity=0.55).encode(
            x=alt.X("low:Q", scale=scale, axis=None), x2=alt.X2("high:Q"), y=tops,
            y2=bottoms,
        ),
        base.mark_rule(color=look.quiet, opacity=0.55).encode(
            x=alt.X("zero:Q", scale=scale, axis=None), y=tops, y2=bottoms
        ),
        marks.brackets(edges[["at", "y", "order", "bracket"]], x, y, look),
        marks.clickable(dots, marks.UNIT_OPENED, ("serial",)),
        marks.clickable(named, marks.RANGE_OPENED, ("range",)),
        marks.words(labels, x, y, look.quiet, align="center", fontSize=12.0),
        marks.words(head, alt.value(0), alt.value(12), look.quiet, fontSize=12.0),
    ]  # fmt: skip
    return marks.picture(layers, look, height=int(foot + 6.0))
