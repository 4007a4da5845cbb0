"""A gauge study: every reading, a column a part, a colour and a shape an appraiser."""

from collections.abc import Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from daemon.presentation.colours import LIGHT, Look

SHAPES = ("circle", "square", "triangle-up", "diamond", "cross")


def readings_of_gauge(
    values: "np.ndarray",
    parts: Sequence[str],
    appraisers: Sequence[str],
    unit: str,
    *,
    look: Look = LIGHT,
    width: int | None = None,
    height: int = 300,
) -> alt.LayerChart:
    """Return what was read, and a line through each appraiser's means.

    Parameters
    ----------
    values
        (parts, appraisers, trials), NaN where nothing was read.
    width
        In px; None takes what room there is.
    """
    rows = [
        {"part": part, "appraiser": who, "value": float(value)}
        for place, part in enumerate(parts)
        for other, who in enumerate(appraisers)
        for value in values[place, other]
        if np.isfinite(value)
    ]
    frame = pd.DataFrame(rows, columns=["part", "appraiser", "value"])
    colours = (look.unit, look.moved, look.odd, look.quiet, look.ink)
    names = list(appraisers)
    told = {
        "color": alt.Color(
            "appraiser:N",
            scale=alt.Scale(
                domain=names,
                range=[colours[n % len(colours)] for n in range(len(names))],
            ),
            legend=alt.Legend(
                title=None, orient="top", labelColor=look.ink, labelFontSize=13
            ),
        ),
        "shape": alt.Shape(
            "appraiser:N",
            scale=alt.Scale(
                domain=names, range=[SHAPES[n % len(SHAPES)] for n in range(len(names))]
            ),
            legend=alt.Legend(title=None, orient="top"),
        ),
    }
    axis: dict[str, Any] = {
        "domainColor": look.quiet,
        "tickColor": look.quiet,
        "labelColor": look.quiet,
        "titleColor": look.quiet,
    }
    x = alt.X(
        "part:N",
        sort=list(parts),
        scale=alt.Scale(paddingInner=0.5, paddingOuter=0.3),
        axis=alt.Axis(title=None, grid=False, labelAngle=0, **axis),
    )
    y = alt.Y(
        "value:Q",
        scale=alt.Scale(zero=False),
        axis=alt.Axis(title=unit, grid=False, **axis),
    )
    dots = (
        alt.Chart(frame)
        .mark_point(filled=True, size=55, opacity=0.8, aria=False)
        .encode(x=x, y=y, xOffset=alt.XOffset("appraiser:N", sort=names), **told)
    )
    means = (
        alt.Chart(frame)
        .mark_line(strokeWidth=1, opacity=0.7, aria=False)
        .encode(x=x, y=alt.Y("mean(value):Q"), color=told["color"])
    )
    chart: alt.LayerChart = (
        alt.layer(means, dots)
        .properties(
            width="container" if width is None else width,
            height=height,
            background=look.paper,
        )
        .configure_view(stroke=None)
    )
    return chart
