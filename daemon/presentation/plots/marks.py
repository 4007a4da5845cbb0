"""The marks that pictures are made of: dots, brackets, reels, words, paper and ink."""

import re
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from daemon.presentation.colours import Look
from daemon.presentation.plots.places import AS_IT_WAS, MOVED, ODD

FONT = '"Source Sans", "DejaVu Sans", Verdana, sans-serif'
CHARACTER_PX = 7.4
"""Width of a bold letter of 13 px, at most on average."""
WHOLE_TIMES = 3.0
"""From so many times on a distance is said in whole numbers."""
FEWEST_LETTERS = 10
"""Words are never broken into shorter lines."""
FEWEST_PX = 2.5
"""Smaller dots are no longer seen."""
UNIT_OPENED, CELL_OPENED, BUILD_OPENED, RANGE_OPENED = (
    "unit_opened", "cell_opened", "build_opened", "range_opened",
)  # fmt: skip
OPENED = {
    UNIT_OPENED: ("serial",),
    CELL_OPENED: ("range", "build"),
    BUILD_OPENED: ("build",),
    RANGE_OPENED: ("range",),
}
"""What a click picks, and the columns that say what was picked."""
SPAN_PICKED = "span_picked"
"""What a drag across units picks: their places, from and to."""


def dots(
    frame: pd.DataFrame, x: alt.X, y: alt.Y, look: Look, *, size: float
) -> alt.Chart:
    """Draw the units; what moved has another colour and another shape."""
    meanings = [AS_IT_WAS, MOVED, ODD]
    chart: alt.Chart = (
        alt.Chart(frame)
        .mark_point(filled=True, opacity=0.9)
        .encode(
            x=x,
            y=y,
            **by_meaning(
                {
                    AS_IT_WAS: (look.unit, "circle"),
                    MOVED: (look.moved, "triangle-up"),
                    ODD: (look.odd, "diamond"),
                }
            ),
            # Triangles and diamonds look smaller than circles of the same area.
            size=alt.Size(
                "meaning:N",
                legend=None,
                scale=alt.Scale(domain=meanings, range=[size, 1.3 * size, 1.6 * size]),
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


def clickable(chart: alt.Chart, name: str, columns: Sequence[str]) -> alt.Chart:
    """Let a click pick a mark; a page is told its `columns` under `name`."""
    picked = alt.selection_point(name=name, fields=list(columns), toggle=False)
    chart.mark["cursor"] = "pointer"
    found: alt.Chart = chart.add_params(picked)
    return found


def draggable(chart: alt.Chart, look: Look) -> alt.Chart:
    """Let a drag to the side pick a span of places; a page is told its two ends.

    The wheel goes on to move the page.
    """
    brush = alt.BrushConfig(fill=look.unit, fillOpacity=0.12, stroke=look.unit)
    picked = alt.selection_interval(
        name=SPAN_PICKED, encodings=["x"], zoom=False, mark=brush
    )
    found: alt.Chart = chart.add_params(picked)
    return found


def by_meaning(looks: Mapping[str, tuple[str, str]]) -> dict[str, Any]:
    """Tell marks apart by their `meaning`: each has its colour and its shape."""
    meanings = list(looks)
    colours, shapes = zip(*looks.values(), strict=True)
    return {
        name: channel(
            "meaning:N", legend=None, scale=alt.Scale(domain=meanings, range=list(one))
        )
        for name, channel, one in (
            ("color", alt.Color, colours),
            ("shape", alt.Shape, shapes),
        )
    }


def dot_size(cells: pd.DataFrame, width: float, *, most: float) -> float:
    """Return the area of a dot that leaves its neighbours room.

    Parameters
    ----------
    cells
        `daemon.presentation.plots.places.columns`.
    width
        Of the picture, px.
    most
        Diameter of a dot with room enough, px.
    """
    room = 0.9 * width / float(cells["right"].max())
    return round(min(most, max(FEWEST_PX, room)) ** 2, 1)


def brackets(frame: pd.DataFrame, x: alt.X, y: alt.Y, look: Look) -> alt.Chart:
    """Draw limits as brackets around the units: rows of `bracket_points`."""
    chart: alt.Chart = (
        alt.Chart(frame)
        .mark_line(color=look.quiet, strokeWidth=1, interpolate="linear")
        .encode(x=x, y=y, detail=alt.Detail("bracket:N"), order=alt.Order("order:Q"))
    )
    return chart


def bracket_points(
    cells: pd.DataFrame, upper: pd.Series, lower: pd.Series, *, tick: float
) -> pd.DataFrame:
    """Return the corners of the brackets over and under each build's units.

    Parameters
    ----------
    cells
        `daemon.presentation.plots.places.columns`.
    upper, lower
        Where the limits are, a value a cell.
    tick
        How far a bracket's ends reach inwards, in the same unit, with its sign.
    """
    sides = [
        pd.DataFrame(
            {
                "bracket": [f"{side} {build}" for build in cells["build"]],
                "order": order,
                "place": cells[edge].to_numpy(),
                "y": (at + inward).to_numpy(),
            }
        )
        for side, at, sign in (("upper", upper, -1), ("lower", lower, 1))
        for order, edge, inward in (
            (0, "left", sign * tick),
            (1, "left", 0.0),
            (2, "right", 0.0),
            (3, "right", sign * tick),
        )
    ]
    return pd.concat(sides, ignore_index=True)


def reels(changes: pd.DataFrame, x: alt.X, look: Look, **y: Any) -> alt.Chart:
    """Draw reel changes as dotted lines; `y`, `y2` say how far, all the way without."""
    chart: alt.Chart = (
        alt.Chart(changes)
        .mark_rule(strokeDash=[2, 3], color=look.quiet)
        .encode(x=x, tooltip=[alt.Tooltip("reel:N", title="New reel")], **y)
    )
    return chart


def words(frame: pd.DataFrame, x: Any, y: Any, colour: str, **mark: Any) -> alt.Chart:
    """Write each row's `text`."""
    chart: alt.Chart = (
        alt.Chart(frame)
        .mark_text(color=colour, **{"align": "left", "baseline": "alphabetic"} | mark)
        .encode(x=x, y=y, text=alt.Text("text:N"))
    )
    return chart


def notes(
    frame: pd.DataFrame, x: Any, y: Any, look: Look, *, size: float
) -> list[alt.Chart]:
    """Write each row's `text` over units; quiet where they do not read so `now`."""
    return [
        words(lines, x, y, colour, fontWeight="bold", fontSize=size)
        for colour, lines in (
            (look.moved, frame[frame["now"]]),
            (look.quiet, frame[~frame["now"]]),
        )
        if not lines.empty
    ]


def as_far(times: float) -> str:
    """Say how many times as far away something is as what is drawn.

    >>> as_far(1.84), as_far(7.2)
    ('1.8× as far as shown', '7× as far as shown')
    """  # noqa: RUF002 -- the doctest shows the sign of multiplication
    decimals = 0 if times >= WHOLE_TIMES else 1
    return f"{times:.{decimals}f}\N{MULTIPLICATION SIGN} as far as shown"


def wrapped(text: str, *, px: float) -> list[str]:
    r"""Return the lines of bold words in a column; no number loses its unit.

    >>> wrapped("since unit PA-3005: +0.30 %, R13", px=100.0)
    ['since unit', 'PA-3005:', '+0.30\xa0%, R13']
    """
    letters = max(int(px / CHARACTER_PX), FEWEST_LETTERS)
    kept = re.sub(r"(?<=\d) (?=\S)", "\N{NO-BREAK SPACE}", text)
    return textwrap.wrap(kept, letters, break_long_words=False, break_on_hyphens=False)


def picture(layers: list[alt.Chart], look: Look, *, height: int) -> alt.LayerChart:
    """Lay marks over each other on paper, in the font of the page.

    The page has a sentence for who cannot see the picture: a name for each mark would
    be read aloud one after another.
    """
    for one in layers:
        one.mark["aria"] = False
    return alt.LayerChart(
        layer=layers,
        height=height,
        padding={"left": 0, "right": 0, "top": 0, "bottom": 0},
        config=alt.Config(
            aria=False,
            background=look.paper,
            font=FONT,
            view=alt.ViewConfig(stroke=None),
            axis=alt.AxisConfig(labelFont=FONT, labelFontSize=12),
            text=alt.MarkConfig(font=FONT),
        ),
    )
