"""Shares of an uncertainty budget as bars, the largest on top."""

from typing import TYPE_CHECKING

import altair as alt
import pandas as pd

from daemon.presentation.budgets import share
from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.plots.marks import FONT

if TYPE_CHECKING:
    from daemon.metrology import Budget

ROW_PX = 26
LABEL_PX = 190
LEAST_SHARE = 0.0005
"""Lines below this are in the table alone."""


def shares_of_budget(
    budget: "Budget",
    *,
    look: Look = LIGHT,
    width: int | None = None,
    narrow: bool = False,
) -> alt.LayerChart:
    """Return a bar a line: its share of the variance.

    Parameters
    ----------
    budget
        Of one range.
    look
        Colours.
    width
        In px; None takes what room there is.
    narrow
        For a phone.
    """
    lines = [one for one in budget.lines if one.share >= LEAST_SHARE]
    frame = pd.DataFrame(
        {
            "quantity": [one.quantity for one in lines],
            "percent": [100 * one.share for one in lines],
            "words": [share(one.share) for one in lines],
        }
    )
    y = alt.Y(
        "quantity:N",
        sort=None,
        axis=alt.Axis(
            title=None,
            domain=False,
            ticks=False,
            labelColor=look.ink,
            labelFontSize=13,
            labelLimit=LABEL_PX,
            labelPadding=8,
        ),
    )
    x = alt.X(
        "percent:Q",
        # Room for words behind the longest bar.
        scale=alt.Scale(domain=[0, 160 if narrow else 115], nice=False),
        axis=None,
    )
    bars = (
        alt.Chart(frame)
        .mark_bar(color=look.unit, height=14, aria=False)
        .encode(x=x, y=y)
    )
    words = (
        alt.Chart(frame)
        .mark_text(align="left", dx=6, color=look.quiet, fontSize=13, aria=False)
        .encode(x=x, y=y, text="words:N")
    )
    chart: alt.LayerChart = (
        alt.layer(bars, words)
        .properties(
            width="container" if width is None else width,
            height=alt.Step(ROW_PX),
            background=look.paper,
        )
        .configure(font=FONT)
        .configure_view(stroke=None)
    )
    return chart
