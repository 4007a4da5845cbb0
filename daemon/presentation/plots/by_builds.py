"""The map: a row a range, a column a build, a dot a unit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil

import altair as alt
import pandas as pd

from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.figures import MINUS, share_of_reading
from daemon.presentation.plots import marks
from daemon.presentation.plots.places import moved_by
from daemon.presentation.sentences import beside
from storage import Signal

MOST_HALVES = 3.0
"""A row grows up to this many times its limit; beyond, its scale shrinks."""
STEP_PX = 8.0
"""Rows grow in steps, so that a picture keeps its height from unit to unit."""
NOTE_PX = 20.0
CHARACTER_PX = 8.5
FEWEST_PX = 14.0
"""Between two lines of small type."""
OVERSHOOT_PX = 12.0
"""A reel change is drawn this far beyond the errors."""
LEFTMOST = 0.35
"""Words beside what moved end with it, unless it is this near the left edge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """Measures of a map in px: for a wide screen or page, or for a phone.

    `half` is from zero to the limit. With `beside` a row's title and limits stand at
    its left, else its title stands above it, with the names of the builds.
    """

    half: float
    gap: float
    dot: float
    type: float
    width: float
    beside: bool


WIDE = Form(half=26.0, gap=40.0, dot=6.0, type=14.0, width=1100.0, beside=True)
NARROW = Form(half=20.0, gap=30.0, dot=4.5, type=13.0, width=350.0, beside=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """Where one range's row stands, px from the top of the map, and its scale.

    `title` and `names` are base lines above the errors, used where titles are not
    `beside`; `notes` has one for each finding.
    """

    key: str
    text: str
    limit: float
    findings: tuple[Signal, ...]
    title: float
    names: float
    notes: tuple[float, ...]
    top: float
    zero: float
    bottom: float
    px_per_percent: float


def ranges_by_builds(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    cells: pd.DataFrame,
    findings: Sequence[Signal],
    titles: Mapping[str, str],
    *,
    look: Look = LIGHT,
    form: Form = WIDE,
) -> alt.LayerChart:
    """Return the map: a row a range, a column a build.

    Parameters
    ----------
    frame, changes, cells
        `laid_out`, `reel_changes` and `columns`.
    findings
        Each gets words over what moved.
    titles
        Range to its title, in the order of the rows; a range without errors is left
        out.
    """
    rows = _rows(frame, findings, titles, form)
    gutter = _gutter(rows) if form.beside else 0.0
    x_scale = alt.Scale(
        domain=[0.0, float(cells["right"].max())],
        range=[gutter, {"expr": "width - 1"}],
        nice=False,
        zero=False,
    )
    x = alt.X("place:Q", scale=x_scale, axis=None)
    y = alt.Y("y:Q", scale=None, axis=None)
    of = {row.key: row for row in rows}
    points = frame[frame["range"].isin(of)].assign(
        y=lambda f: [
            of[key].zero - error * of[key].px_per_percent
            for key, error in zip(f["range"], f["error_percent"], strict=True)
        ]
    )
    layers: list[alt.Chart] = [
        marks.brackets(_brackets(frame, cells, rows), x, y, look),
        marks.dots(
            points, x, y, look, size=marks.dot_size(cells, form.width, most=form.dot)
        ),
        *_reels(changes, of, x, look),
        *_titles(rows, gutter, y, form, look),
        *_names(rows, cells, x, y, form, look),
        *_notes(rows, points, cells, x, y, form, look),
    ]
    height = ceil(rows[-1].bottom + OVERSHOOT_PX)
    return marks.picture(layers, look, height=height)


def _rows(
    frame: pd.DataFrame,
    findings: Sequence[Signal],
    titles: Mapping[str, str],
    form: Form,
) -> list[Row]:
    """Stack the rows: words above, then as much as the errors need."""
    rows: list[Row] = []
    measured = [key for key in titles if (frame["range"] == key).any()]
    y = 0.0
    for key in measured:
        mine = frame[frame["range"] == key]
        of_builds = set(mine["build"])
        of_all = measured[0] == key
        noted = tuple(
            one
            for one in findings
            if one.build in of_builds
            and (one.range == key or (one.range is None and of_all))
        )
        title, names = y + form.type, y + 2 * form.type + 6.0
        if not form.beside:
            y = names
        elif not rows:
            y += form.type
        notes = tuple(y + NOTE_PX * (line + 1) for line in range(len(noted)))
        y += NOTE_PX * len(noted) + OVERSHOOT_PX
        bound = float(mine["limit_percent"].iloc[-1])
        up = max(bound, float(mine["error_percent"].max()))
        down = max(bound, float(-mine["error_percent"].min()))
        scale = min(form.half / bound, MOST_HALVES * form.half / max(up, down))
        zero = y + _grown(up, bound, scale)
        bottom = zero + _grown(down, bound, scale)
        rows.append(
            Row(
                key=key,
                text=titles[key],
                limit=bound,
                findings=noted,
                title=title,
                names=names,
                notes=notes,
                top=y,
                zero=zero,
                bottom=bottom,
                px_per_percent=scale,
            )
        )
        y = bottom + form.gap - OVERSHOOT_PX
    return rows


def _grown(reach: float, bound: float, scale: float) -> float:
    """Return the px from zero to the farthest error, growing in steps."""
    return bound * scale + STEP_PX * ceil((reach - bound) * scale / STEP_PX)


def _gutter(rows: Sequence[Row]) -> float:
    longest = max(len(row.text) for row in rows)
    return min(280.0, CHARACTER_PX * longest) + 84.0


def _brackets(
    frame: pd.DataFrame, cells: pd.DataFrame, rows: Sequence[Row]
) -> pd.DataFrame:
    pieces = []
    for row in rows:
        mine = frame[frame["range"] == row.key]
        limits = mine.groupby("build", sort=False)["limit_percent"].median()
        inside = cells[cells["build"].isin(limits.index)]
        reach = inside["build"].map(limits) * row.px_per_percent
        pieces.append(
            marks.bracket_points(inside, row.zero - reach, row.zero + reach, tick=-4.0)
        )
        pieces[-1]["bracket"] += f" {row.key}"
    return pd.concat(pieces, ignore_index=True)


def _reels(
    changes: pd.DataFrame, of: Mapping[str, Row], x: alt.X, look: Look
) -> list[alt.Chart]:
    drawn = changes[changes["range"].isin(of)]
    if drawn.empty:
        return []
    drawn = drawn.assign(
        top=[of[key].top - OVERSHOOT_PX + 4.0 for key in drawn["range"]],
        bottom=[of[key].bottom + OVERSHOOT_PX for key in drawn["range"]],
    )
    top = alt.Y("top:Q", scale=None, axis=None)
    return [marks.reels(drawn, x, look, y=top, y2=alt.Y2("bottom:Q"))]


def _titles(
    rows: Sequence[Row], gutter: float, y: alt.Y, form: Form, look: Look
) -> list[alt.Chart]:
    """Name each range and its limits."""
    titles = pd.DataFrame(
        {
            "text": [row.text for row in rows],
            "y": [row.zero if form.beside else row.title for row in rows],
        }
    )
    labels = pd.DataFrame(
        [label for row in rows for label in _limit_labels(row, form)],
        columns=["y", "text"],
    )
    base = "middle" if form.beside else "alphabetic"
    right = alt.value(gutter - 12.0) if form.beside else alt.value("width")
    bold = {"fontWeight": "bold", "fontSize": form.type + 1.0, "baseline": base}
    quiet = {"align": "right", "fontSize": 12.0, "baseline": base}
    return [
        marks.words(titles, alt.value(0), y, look.ink, **bold),
        marks.words(labels, right, y, look.quiet, **quiet),
    ]


def _limit_labels(row: Row, form: Form) -> list[tuple[float, str]]:
    """Return what is written about a row's limit, and where."""
    text = share_of_reading(row.limit)
    both = f"\N{PLUS-MINUS SIGN}{text}"
    if not form.beside:
        return [(row.title, f"limit {both}")]
    half = row.limit * row.px_per_percent
    if half < FEWEST_PX:
        return [(row.zero, both)]
    return [
        (row.zero - half, f"+{text}"),
        (row.zero, "0"),
        (row.zero + half, f"{MINUS}{text}"),
    ]


def _names(
    rows: Sequence[Row],
    cells: pd.DataFrame,
    x: alt.X,
    y: alt.Y,
    form: Form,
    look: Look,
) -> list[alt.Chart]:
    """Name each build; say how far one is that is not all measured."""
    heights = [form.type] if form.beside else [row.names for row in rows]
    names, counts = [], []
    for cell in cells.to_dict("records"):
        held = " held" if cell["state"] == "held" else ""
        open_ = cell["units"] < cell["planned"]
        for height in heights:
            names.append((cell["left"], height, f"{cell['build']}{held}"))
            if open_ and form.beside:
                text = f"{cell['units']:.0f} of {cell['planned']:.0f}"
                counts.append((cell["right"], height, text))
    drawn = [
        marks.words(
            pd.DataFrame(names, columns=["place", "y", "text"]),
            x,
            y,
            look.ink,
            fontWeight="bold",
            fontSize=form.type - (0.0 if form.beside else 1.0),
        )
    ]
    if counts:
        frame = pd.DataFrame(counts, columns=["place", "y", "text"])
        drawn.append(marks.words(frame, x, y, look.quiet, align="right", fontSize=12.0))
    return drawn


def _notes(
    rows: Sequence[Row],
    points: pd.DataFrame,
    cells: pd.DataFrame,
    x: alt.X,
    y: alt.Y,
    form: Form,
    look: Look,
) -> list[alt.Chart]:
    """Write what moved over it, on lines that nothing else uses."""
    end = float(cells["right"].max())
    texts: dict[str, list[tuple[float, float, str]]] = {"left": [], "right": []}
    for row in rows:
        mine = points[points["range"] == row.key]
        for at, one in zip(row.notes, row.findings, strict=True):
            units = moved_by(mine, one)["place"]
            if units.empty:
                continue
            if units.max() < LEFTMOST * end:
                place = float(units.min()) if form.beside else 0.0
                texts["left"].append((place, at, beside(one)))
            else:
                place = float(units.max()) if form.beside else end
                texts["right"].append((place, at, beside(one)))
    return [
        marks.words(
            pd.DataFrame(lines, columns=["place", "y", "text"]),
            x,
            y,
            look.moved,
            align=align,
            fontWeight="bold",
            fontSize=form.type - 1.0,
            limit=form.width,
        )
        for align, lines in texts.items()
        if lines
    ]
