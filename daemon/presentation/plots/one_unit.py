"""A unit's runs: each range's error as a share of its limit."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Protocol

import altair as alt
import pandas as pd

from daemon.presentation.colours import Look

COVERAGE = 2.0
LEAST_SHARE = 1.25
"""The picture reaches so far beyond the limits at least."""
ROW_PX = 34


class Measured(Protocol):
    """A range of a run."""

    @property
    def number(self) -> int: ...  # noqa: D102
    @property
    def range(self) -> str: ...  # noqa: D102
    @property
    def started_at(self) -> datetime: ...  # noqa: D102
    @property
    def error_ppm(self) -> float: ...  # noqa: D102
    @property
    def uncertainty_ppm(self) -> float: ...  # noqa: D102
    @property
    def limit_ppm(self) -> float: ...  # noqa: D102


def shares_of_limits(
    rows: Sequence[Measured], titles: Mapping[str, str], *, look: Look
) -> alt.LayerChart:
    """Draw each run as a dot with its expanded uncertainty (k = 2), a row a range.

    Parameters
    ----------
    rows
        Of one unit.
    titles
        What each range is called, in order.
    """
    newest = max(one.number for one in rows)
    frame = pd.DataFrame(
        {
            "range": [titles.get(one.range, one.range) for one in rows],
            "share": [100.0 * one.error_ppm / one.limit_ppm for one in rows],
            "half": [
                100.0 * COVERAGE * one.uncertainty_ppm / one.limit_ppm for one in rows
            ],
            "when": [f"{one.started_at.astimezone():%Y-%m-%d %H:%M}" for one in rows],
            "run": ["newest" if one.number == newest else "of before" for one in rows],
            "ppm": [round(one.error_ppm) for one in rows],
        }
    )
    frame["low"], frame["high"] = (
        frame["share"] - frame["half"],
        frame["share"] + frame["half"],
    )
    reach = max(100.0 * LEAST_SHARE, frame[["low", "high"]].abs().to_numpy().max())
    y = alt.Y(
        "range:N",
        sort=list(titles.values()),
        title=None,
        axis=alt.Axis(
            ticks=False, domain=False, labelPadding=8, labelColor=look.ink, grid=False
        ),
    )
    scale = alt.Scale(domain=[-reach, reach], nice=False)
    axis = alt.Axis(
        grid=False,
        domain=False,
        values=[-100, 0, 100],
        tickColor=look.quiet,
        labelColor=look.quiet,
        titleColor=look.quiet,
        titleFontWeight="normal",
        title="Error of each range as a share of its limit, with U (k = 2)",
        labelExpr="datum.value == 0 ? '0' : "
        "datum.value < 0 ? 'limit \N{MINUS SIGN}' : 'limit +'",
    )
    x = alt.X("share:Q", scale=scale, axis=axis)
    base = alt.Chart(frame)
    limits = (
        alt.Chart(pd.DataFrame({"at": [-100.0, 100.0]}))
        .mark_rule(color=look.ink, strokeWidth=1.5, aria=False)
        .encode(x=alt.X("at:Q", scale=scale, axis=axis))
    )
    zero = (
        alt.Chart(pd.DataFrame({"at": [0.0]}))
        .mark_rule(color=look.shade, aria=False)
        .encode(x=alt.X("at:Q", scale=scale, axis=axis))
    )
    shown = alt.datum["run"] == "newest"
    bars = base.mark_rule(strokeWidth=2, aria=False).encode(
        x=alt.X("low:Q", scale=scale, axis=axis),
        x2="high:Q",
        y=y,
        color=alt.condition(shown, alt.value(look.unit), alt.value(look.quiet)),
    )
    dots = base.mark_point(size=90, filled=True, opacity=1.0, aria=False).encode(
        x=x,
        y=y,
        color=alt.condition(shown, alt.value(look.unit), alt.value(look.quiet)),
        tooltip=[
            alt.Tooltip("range:N", title="Range"),
            alt.Tooltip("when:N", title="Measured"),
            alt.Tooltip("ppm:Q", title="Error, ppm"),
            alt.Tooltip("share:Q", title="% of the limit", format="+.0f"),
            alt.Tooltip("run:N", title="Run"),
        ],
    )
    chart: alt.LayerChart = (
        alt.layer(zero, limits, bars, dots)
        .properties(
            height=ROW_PX * len(titles), width="container", background=look.paper
        )
        .configure_view(strokeWidth=0)
        .configure(font='"Source Sans", "DejaVu Sans", Verdana, sans-serif')
    )
    return chart
