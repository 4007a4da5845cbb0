"""Parts of a reel against the tolerance on its label."""

from collections.abc import Sequence

import altair as alt
import pandas as pd

from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.figures import PPM_PER_PERCENT
from daemon.presentation.plots import marks

FOOT_PX = 26.0
HEAD_PX = 40.0
DOT_AREA = 60.0
TICK_PX = 7.0
REACH = 1.15


def parts_against_claim(
    deviations_ppm: Sequence[float],
    tolerance_ppm: float,
    *,
    unit: str = "part",
    look: Look = LIGHT,
    height: int = 148,
) -> alt.LayerChart:
    """Return a strip of dots, one a part, with the claim as a bracket around zero.

    Parameters
    ----------
    deviations_ppm
        Of each part from nominal, in the order they were measured.
    tolerance_ppm
        What the label claims, either side of nominal.
    unit
        What one dot is.
    look
        Colours.
    height
        In px.
    """
    deviations = [one / PPM_PER_PERCENT for one in deviations_ppm]
    claim = tolerance_ppm / PPM_PER_PERCENT
    farthest = REACH * max([claim, *(abs(one) for one in deviations)])
    middle = (height - FOOT_PX + HEAD_PX) / 2
    room = (height - FOOT_PX - HEAD_PX) / 2 - 8.0
    # Dots that would lie on each other are moved apart, always in the same way.
    lanes = [((7 * place) % 9 - 4) / 4 for place in range(len(deviations))]
    frame = pd.DataFrame(
        {
            "deviation": deviations,
            "y": [middle + room * lane for lane in lanes],
            "meaning": [
                "outside" if abs(one) > claim else "inside" for one in deviations
            ],
        }
    )
    x = alt.X(
        "deviation:Q",
        scale=alt.Scale(domain=[-farthest, farthest], nice=False),
        axis=alt.Axis(
            title=None,
            grid=False,
            domainColor=look.quiet,
            tickColor=look.quiet,
            labelColor=look.quiet,
            labelExpr="datum.value == 0 ? 'nominal' : "
            "format(datum.value, '+.2~f') + ' %'",
            tickCount=8,
        ),
    )
    y = alt.Y("y:Q", scale=alt.Scale(domain=[height, 0], range=[height, 0]), axis=None)
    dots: alt.Chart = (
        alt.Chart(frame)
        .mark_point(filled=True, size=DOT_AREA, opacity=1)
        .encode(
            x=x,
            y=y,
            **marks.by_meaning(
                {
                    "inside": (look.unit, "circle"),
                    "outside": (look.moved, "triangle-up"),
                }
            ),
        )
    )
    bracket: alt.Chart = (
        alt.Chart(_bracket(claim, farthest, top=HEAD_PX, bottom=height - FOOT_PX))
        .mark_line(color=look.ink, strokeWidth=1.2)
        .encode(x=x, y=y, detail="side:N", order="order:Q")
    )
    said = pd.DataFrame(
        {"deviation": [0.0], "text": [f"claim \N{PLUS-MINUS SIGN}{claim:g} %"]}
    )
    outside = int((frame["meaning"] == "outside").sum())
    counted = pd.DataFrame(
        {"text": [f"{outside} of {len(frame)} {unit}s outside the claim"]}
    )
    return marks.picture(
        [
            bracket,
            dots,
            marks.words(
                said, x, alt.value(32.0), look.ink, align="center", fontSize=12.0
            ),
            marks.words(
                counted, alt.value(0), alt.value(14.0), look.quiet, fontSize=12.0
            ),
        ],
        look,
        height=height,
    )


def _bracket(
    claim: float, farthest: float, *, top: float, bottom: float
) -> pd.DataFrame:
    inward = 0.02 * farthest
    rows = [
        (side, order, sign * (claim - (inward if order in {0, 3} else 0.0)), y)
        for side, sign in (("low", -1.0), ("high", 1.0))
        for order, y in enumerate((top, top, bottom, bottom))
    ]
    return pd.DataFrame(rows, columns=["side", "order", "deviation", "y"])
