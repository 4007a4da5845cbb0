"""The marks that pictures are made of: dots, brackets, reels, names, paper and ink."""

import altair as alt
import pandas as pd

from daemon.look import Look
from daemon.words import PPM_PER_PERCENT, percent

FONT = "DejaVu Sans, Verdana, sans-serif"
AS_IT_WAS, MOVED, ODD = "as it was", "moved", "outside its limit"


def dots(
    frame: pd.DataFrame, x: alt.X, y: alt.Y, look: Look, *, size: int
) -> alt.Chart:
    """Draw the units; what moved has another colour and another shape."""
    meanings = [AS_IT_WAS, MOVED, ODD]
    chart: alt.Chart = (
        alt.Chart(frame)
        .mark_point(filled=True, size=size, opacity=0.85)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "meaning:N",
                legend=None,
                scale=alt.Scale(
                    domain=meanings, range=[look.unit, look.moved, look.odd]
                ),
            ),
            shape=alt.Shape(
                "meaning:N",
                legend=None,
                scale=alt.Scale(
                    domain=meanings, range=["circle", "triangle-up", "diamond"]
                ),
            ),
            tooltip=[
                alt.Tooltip("serial:N", title="Unit"),
                alt.Tooltip("build:N", title="Build"),
                alt.Tooltip("error_percent:Q", title="Error, %", format="+.4f"),
                alt.Tooltip("verdict:N", title="Verdict"),
            ],
        )
    )
    return chart


def reels(changes: pd.DataFrame, x: alt.X, look: Look) -> list[alt.Chart]:
    """Draw reel changes as dotted lines."""
    if changes.empty:
        return []
    return [
        alt.Chart(changes)
        .mark_rule(strokeDash=[2, 3], color=look.quiet)
        .encode(x=x, tooltip=[alt.Tooltip("reel:N", title="New reel")])
    ]


def names(
    frame: pd.DataFrame, *, labels: dict[str, str] | None, x: alt.X, look: Look
) -> alt.Chart:
    """Write each build's name over its units."""
    cells = frame.groupby("build", sort=False)["place"].min().reset_index()
    names = cells["build"]
    cells["label"] = names if labels is None else names.map(labels)
    chart: alt.Chart = (
        alt.Chart(cells)
        .mark_text(
            align="left", baseline="bottom", fontWeight="bold", fontSize=13, dx=-6
        )
        .encode(x=x, y=alt.value(-6), text="label:N", color=alt.value(look.ink))
    )
    return chart


def brackets(frame: pd.DataFrame, look: Look) -> list[alt.Chart]:
    """Draw the limits of each build as brackets around its units."""
    cells = (
        frame.groupby("build", sort=False)
        .agg(
            left=("place", lambda p: p.min() - 1.2),
            right=("place", lambda p: p.max() + 1.2),
            limit=("limit_percent", "median"),
        )
        .reset_index()
    )
    rows = pd.concat([cells.assign(at=sign * cells["limit"]) for sign in (1.0, -1.0)])
    rows["inward"] = rows["at"] * 0.88
    ends = pd.concat(
        [rows.assign(end=rows["left"]), rows.assign(end=rows["right"])],
        ignore_index=True,
    )
    return [
        alt.Chart(rows)
        .mark_rule(color=look.quiet, strokeWidth=1)
        .encode(x=place_of("left"), x2="right:Q", y="at:Q"),
        alt.Chart(ends)
        .mark_rule(color=look.quiet, strokeWidth=1)
        .encode(x=place_of("end"), y="at:Q", y2="inward:Q"),
    ]


def place_of(field: str) -> alt.X:
    """Return a place along the row; builds are named in the picture, not on an axis."""
    return alt.X(f"{field}:Q", axis=None)


def limit_labels(limit: float) -> str:
    """Return the expression that writes an axis with the limits and zero alone."""
    text = percent(limit * PPM_PER_PERCENT, max(limit, 1e-6) * PPM_PER_PERCENT / 10)
    return (
        f"datum.value > 0 ? '{text}' : datum.value < 0 ? "
        f"'{text.replace('+', chr(0x2212))}' : '0'"
    )


def styled(chart: alt.LayerChart, look: Look) -> alt.LayerChart:
    """Give a chart the paper, the ink and the font."""
    configured: alt.LayerChart = (
        chart.configure(background=look.paper, font=FONT)
        .configure_view(stroke=None)
        .configure_axis(labelFont=FONT, titleFont=FONT, labelFontSize=11)
        .configure_text(font=FONT)
    )
    return configured
