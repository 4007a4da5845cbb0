"""Gauge studies of references: readings in order, bias by reference, days."""

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import altair as alt
import pandas as pd

from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.figures import day_of
from daemon.presentation.gauges import in_prefix
from daemon.presentation.plots import marks
from daemon.presentation.plots.places import AS_IT_WAS, MOVED

if TYPE_CHECKING:
    from daemon.spc.gauge import BiasStudy, LinearityStudy, StabilityStudy

DOT_AREA = 45.0
STEPS = 40
"""Pieces of the band of a line."""


def readings_in_order(
    values: Sequence[float],
    found: "BiasStudy",
    known: float,
    unit: str,
    *,
    tolerance: float | None = None,
    look: Look = LIGHT,
    width: int | None = None,
    height: int = 300,
) -> alt.LayerChart:
    """Return a dot a reading, the reference as a line, the mean with its interval.

    Parameters
    ----------
    values
        In the order in which they were read.
    known
        What the reference truly is.
    tolerance
        Width between the limits: a tenth of it either side of the reference is drawn.
    width
        In px; None takes what room there is.
    """
    scale, title = in_prefix([*values, known], unit)
    frame = pd.DataFrame(
        {
            "reading": range(1, len(values) + 1),
            "value": [one / scale for one in values],
        }
    )
    x = alt.X(
        "reading:Q",
        scale=alt.Scale(domain=[0.5, len(values) + 0.5], nice=False),
        axis=alt.Axis(title="reading", grid=False, tickMinStep=1, **_axis(look)),
    )
    y = _value(title, look)
    mean = pd.DataFrame(
        {
            "low": [(known + found.interval.lower) / scale],
            "high": [(known + found.interval.upper) / scale],
        }
    )
    lines = [("reference", known)]
    if tolerance is not None:
        lines += [
            (f"{sign}10 % of the width", known + step)
            for sign, step in (
                ("+", 0.1 * tolerance),
                ("\N{MINUS SIGN}", -0.1 * tolerance),
            )
        ]
    return _sized(
        [
            alt.Chart(mean)
            .mark_rect(color=look.unit, opacity=0.2)
            .encode(y=alt.Y("low:Q"), y2=alt.Y2("high:Q")),
            *_lines([(name, at / scale) for name, at in lines], y, look),
            alt.Chart(frame)
            .mark_point(filled=True, size=DOT_AREA, color=look.unit, opacity=0.9)
            .encode(x=x, y=y),
        ],
        look,
        width=width,
        height=height,
    )


def bias_by_reference(
    biases: Sequence[tuple[float, float]],
    found: "LinearityStudy",
    unit: str,
    *,
    look: Look = LIGHT,
    width: int | None = None,
    height: int = 300,
) -> alt.LayerChart:
    """Return each reading's bias over its reference, the line and its 95 % band.

    Parameters
    ----------
    biases
        Reference and bias of each reading, in the study's unit.
    width
        In px; None takes what room there is.
    """
    along, along_title = in_prefix([known for known, _ in biases], unit)
    scale, title = in_prefix([bias for _, bias in biases], unit)
    low = min(known for known, _ in biases)
    high = max(known for known, _ in biases)
    at = [low + (high - low) * step / STEPS for step in range(STEPS + 1)]
    bands = [found.band(one) for one in at]
    band = pd.DataFrame(
        {
            "reference": [one / along for one in at],
            "low": [one.lower / scale for one in bands],
            "high": [one.upper / scale for one in bands],
            "line": [(one.lower + one.upper) / 2 / scale for one in bands],
        }
    )
    dots = pd.DataFrame(
        {
            "reference": [known / along for known, _ in biases],
            "bias": [bias / scale for _, bias in biases],
        }
    )
    means = pd.DataFrame(
        {
            "reference": [known / along for known, _ in found.reference_bias],
            "bias": [bias / scale for _, bias in found.reference_bias],
        }
    )
    margin = 0.06 * (high - low) / along
    x = alt.X(
        "reference:Q",
        scale=alt.Scale(
            domain=[low / along - margin, high / along + margin], nice=False
        ),
        axis=alt.Axis(title=f"reference, {along_title}", grid=False, **_axis(look)),
    )
    y = alt.Y(
        "bias:Q",
        axis=alt.Axis(title=f"bias, {title}", grid=False, **_axis(look)),
    )
    return _sized(
        [
            alt.Chart(band)
            .mark_area(color=look.unit, opacity=0.2)
            .encode(x=x, y=alt.Y("low:Q"), y2=alt.Y2("high:Q")),
            alt.Chart(band)
            .mark_line(color=look.unit, strokeWidth=1.5)
            .encode(x=x, y=alt.Y("line:Q")),
            *_lines([("no bias", 0.0)], y, look),
            alt.Chart(dots)
            .mark_point(filled=True, size=DOT_AREA / 2, color=look.quiet, opacity=0.7)
            .encode(x=x, y=y),
            alt.Chart(means)
            .mark_point(
                filled=True, size=1.5 * DOT_AREA, color=look.unit, shape="square"
            )
            .encode(x=x, y=y),
        ],
        look,
        width=width,
        height=height,
    )


def reference_by_day(
    days: Sequence[datetime],
    found: "StabilityStudy",
    unit: str,
    *,
    look: Look = LIGHT,
    width: int | None = None,
    height: int = 300,
) -> alt.LayerChart:
    """Return the mean of each day with the limits; a signal has another shape.

    Parameters
    ----------
    days
        When each mean was read.
    width
        In px; None takes what room there is.
    """
    scale, title = in_prefix(found.means, unit)
    signalled = {one.n for one in found.firings}
    frame = pd.DataFrame(
        {
            "place": range(1, len(days) + 1),
            "day": [day_of(one) for one in days],
            "value": [one / scale for one in found.means],
            "meaning": [
                MOVED if n in signalled else AS_IT_WAS for n in range(1, len(days) + 1)
            ],
        }
    )
    x = alt.X(
        "day:O",
        axis=alt.Axis(title=None, grid=False, labelOverlap=True, **_axis(look)),
    )
    y = _value(title, look)
    limits = found.limits
    return _sized(
        [
            *_lines(
                [
                    ("upper limit", limits.upper / scale),
                    ("mean", limits.centre / scale),
                    ("lower limit", limits.lower / scale),
                ],
                y,
                look,
            ),
            alt.Chart(frame)
            .mark_line(color=look.unit, strokeWidth=1, opacity=0.5)
            .encode(x=x, y=y),
            alt.Chart(frame)
            .mark_point(filled=True, size=1.3 * DOT_AREA)
            .encode(
                x=x,
                y=y,
                **marks.by_meaning(
                    {
                        AS_IT_WAS: (look.unit, "circle"),
                        MOVED: (look.moved, "triangle-up"),
                    }
                ),
            ),
        ],
        look,
        width=width,
        height=height,
    )


def _axis(look: Look) -> dict[str, Any]:
    return {
        "domainColor": look.quiet,
        "tickColor": look.quiet,
        "labelColor": look.quiet,
        "titleColor": look.quiet,
    }


def _value(title: str, look: Look) -> alt.Y:
    return alt.Y(
        "value:Q",
        scale=alt.Scale(zero=False, padding=8),
        axis=alt.Axis(title=title, grid=False, **_axis(look)),
    )


def _lines(named: Sequence[tuple[str, float]], y: alt.Y, look: Look) -> list[alt.Chart]:
    """Draw named lines across the picture, each with its name over its left end."""
    field = str(y.shorthand).split(":")[0]
    frame = pd.DataFrame(
        {"name": [name for name, _ in named], field: [at for _, at in named]}
    )
    return [
        alt.Chart(frame)
        .mark_rule(color=look.quiet, strokeDash=[4, 3], strokeWidth=1)
        .encode(y=y),
        marks.words(
            frame.rename(columns={"name": "text"}),
            alt.value(2),
            y,
            look.quiet,
            dy=-7.0,
            fontSize=12.0,
        ),
    ]


def _sized(
    layers: list[alt.Chart], look: Look, *, width: int | None, height: int
) -> alt.LayerChart:
    found: alt.LayerChart = marks.picture(layers, look, height=height).properties(
        width="container" if width is None else width
    )
    return found
