"""The map: a row a range, a column a build, a dot a unit."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

import altair as alt
import pandas as pd

from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.figures import (
    MINUS,
    PPM_PER_PERCENT,
    percent,
    share_of_reading,
)
from daemon.presentation.plots import marks
from daemon.presentation.plots.places import AS_IT_WAS, MOST_DOTS, note_on, thinned
from daemon.presentation.plots.row_scale import RowScale
from storage import Signal

STEP_PX = 8.0
"""Rows grow in steps, so that a picture keeps its height from unit to unit."""
LINE_PX = 17.0
"""From line to line of the words over what moved."""
SMALL_PX = 12.0
"""Small type."""
TITLE_PX = 8.5
EDGE_PX = 12.0
"""Room beyond the farthest units: a reel change is drawn so far, far units stand in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """Measures of a map in px: for a wide screen or page, or for a phone.

    `half` is from the middle of a row to where ordinary units end, `rows` what all rows
    share in a map of few. `least` is the narrowest that it will stand, for words that
    must keep to their column. With `beside` a row's title and scale stand at its left,
    else its title stands above it, with the names of the builds.
    """

    half: float
    most_half: float
    rows: float
    gap: float
    dot: float
    type: float
    width: float
    least: float
    beside: bool

    def fitted(self, rows: int) -> "Form":
        """Return the form whose rows fill the height that so many may share."""
        half = min(self.most_half, max(self.half, self.rows / max(rows, 1)))
        return replace(self, half=half)


WIDE = Form(
    half=34.0, most_half=100.0, rows=240.0, gap=26.0, dot=6.5, type=14.0,
    width=1100.0, least=800.0, beside=True,
)  # fmt: skip
NARROW = Form(
    half=34.0, most_half=48.0, rows=170.0, gap=26.0, dot=5.0, type=13.0,
    width=350.0, least=350.0, beside=False,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """Where one range's row stands, px from the top of the map, and its scale.

    `title` and `names` are base lines above the errors, used where titles are not
    `beside`; `notes` is that of the first line of words over what moved.
    """

    key: str
    text: str
    scale: RowScale
    limit: float
    findings: tuple[Signal, ...]
    title: float
    names: float
    notes: float
    top: float
    middle: float
    bottom: float
    px_per_percent: float

    def at(self, error: float) -> float:
        """Return where an error stands, the edge of the row where it is beyond."""
        y = self.middle - (error - self.scale.centre) * self.px_per_percent
        return min(max(y, self.top), self.bottom)

    def shows(self, error: float) -> bool:
        """Whether an error lies inside the row."""
        y = self.middle - (error - self.scale.centre) * self.px_per_percent
        return self.top - 0.5 <= y <= self.bottom + 0.5


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

    The scale of a row comes from the scatter of its units (`RowScale`). Error limits
    are brackets where they lie inside the row, else words with an arrow that say how
    far away they are. Units too far off stand at the edge of the row, and words say
    how far.

    Parameters
    ----------
    frame, changes, cells
        `laid_out`, `reel_changes` and `columns`.
    findings
        Each gets words over what moved, in the column of its build.
    titles
        Range to its title, in the order of the rows; a range without errors is left
        out.
    """
    form = form.fitted(len(set(frame["range"]) & set(titles)))
    rows = _rows(frame, cells, findings, titles, form)
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
            of[key].at(error)
            for key, error in zip(f["range"], f["error_percent"], strict=True)
        ],
    )
    points = points.assign(range_title=points["range"].map(titles))
    drawn = thinned(points, most=MOST_DOTS)
    dots = marks.dots(
        drawn, x, y, look, size=marks.dot_size(cells, form.width, most=form.dot)
    )
    layers: list[alt.Chart] = [
        _grounds(rows, points, cells, x, look),
        _grid(rows, points, cells, x, look),
        *_brackets(points, cells, rows, x, y, look),
        marks.clickable(dots, marks.UNIT_OPENED, marks.OPENED[marks.UNIT_OPENED]),
        *_reels(changes, of, x, look),
        *_titles(rows, gutter, y, form, look),
        *_names(rows, cells, x, y, form, look),
        *_notes(rows, points, cells, x, y, form, look),
        *_far(rows, points, cells, x, y, look),
    ]
    height = ceil(rows[-1].bottom + EDGE_PX + (0.0 if form.beside else 4.0))
    return marks.picture(layers, look, height=height)


def _rows(
    frame: pd.DataFrame,
    cells: pd.DataFrame,
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
            y += form.type + LINE_PX
        notes = y + LINE_PX
        lines = _lines_of(noted, mine, cells, form)
        y += LINE_PX * max((len(one) for one in lines.values()), default=0) + EDGE_PX
        limit = float(mine["limit_percent"].iloc[-1])
        scale = _scale(mine, limit)
        up, down, px_per_percent = _grown(mine, scale, form)
        rows.append(
            Row(
                key=key,
                text=titles[key],
                scale=scale,
                limit=limit,
                findings=noted,
                title=title,
                names=names,
                notes=notes,
                top=y,
                middle=y + up,
                bottom=y + up + down,
                px_per_percent=px_per_percent,
            )
        )
        y += up + down + form.gap
    return rows


def _scale(mine: pd.DataFrame, limit: float) -> RowScale:
    as_it_was = mine[mine["meaning"] == AS_IT_WAS]
    told = mine if as_it_was.empty else as_it_was
    return RowScale.of(told["error_percent"], told["build"], limit=limit)


def _grown(
    mine: pd.DataFrame, scale: RowScale, form: Form
) -> tuple[float, float, float]:
    """Return the px above and below the middle, and those of a percent."""
    off = mine.loc[~scale.is_far(mine["error_percent"]), "error_percent"] - scale.centre
    far = mine.loc[scale.is_far(mine["error_percent"]), "error_percent"] - scale.centre
    up, down = (max(float(one.max()) if len(one) else 0.0, 0.0) for one in (off, -off))
    px = form.half / scale.reach
    return (
        _stepped(up * px, form.half, beyond=bool((far > 0).any())),
        _stepped(down * px, form.half, beyond=bool((far < 0).any())),
        px,
    )


def _stepped(need_px: float, half: float, *, beyond: bool) -> float:
    """Return a row's px on one side: its half, or more in steps."""
    grown = half + STEP_PX * max(0, ceil((need_px - half) / STEP_PX))
    return grown + (2 * STEP_PX if beyond else 0.0)


def _gutter(rows: Sequence[Row]) -> float:
    longest = max(len(row.text) for row in rows)
    return max(150.0, min(280.0, TITLE_PX * longest) + 74.0)


def _grounds(
    rows: Sequence[Row],
    points: pd.DataFrame,
    cells: pd.DataFrame,
    x: alt.X,
    look: Look,
) -> alt.Chart:
    """Draw the paper that each cell stands on; a click on it opens range and build."""
    drawn = pd.DataFrame(
        [
            {
                "place": cell["left"],
                "right": cell["right"],
                "top": row.top - EDGE_PX / 2,
                "bottom": row.bottom + EDGE_PX / 2,
                "build": cell["build"],
                "range": row.key,
                "range_title": row.text,
            }
            for row in rows
            for cell in _measured_cells(points, cells, row)
        ]
    )
    chart = (
        alt.Chart(drawn)
        .mark_rect(color=look.shade, opacity=0.55, cornerRadius=3)
        .encode(
            x=x,
            x2=alt.X2("right:Q"),
            y=alt.Y("top:Q", scale=None, axis=None),
            y2=alt.Y2("bottom:Q"),
            tooltip=[
                alt.Tooltip("range_title:N", title="Range"),
                alt.Tooltip("build:N", title="Build"),
            ],
        )
    )
    return marks.clickable(chart, marks.CELL_OPENED, marks.OPENED[marks.CELL_OPENED])


def _measured_cells(
    points: pd.DataFrame, cells: pd.DataFrame, row: Row
) -> list[dict[str, float]]:
    builds = set(points.loc[points["range"] == row.key, "build"])
    found: list[dict[str, float]] = cells[cells["build"].isin(builds)].to_dict(
        "records"
    )  # type: ignore[assignment]
    return found


def _grid(
    rows: Sequence[Row],
    points: pd.DataFrame,
    cells: pd.DataFrame,
    x: alt.X,
    look: Look,
) -> alt.Chart:
    """Draw the middle of each cell, and a line on either side at a round number."""
    drawn = pd.DataFrame(
        [
            {
                "place": cell["left"],
                "right": cell["right"],
                "y": row.at(error),
                "weight": 0.55 if error == row.scale.centre else 0.22,
            }
            for row in rows
            for cell in _measured_cells(points, cells, row)
            for error in _grid_lines(row)
        ]
    )
    chart: alt.Chart = (
        alt.Chart(drawn)
        .mark_rule(color=look.quiet, strokeWidth=1)
        .encode(
            x=x,
            x2=alt.X2("right:Q"),
            y=alt.Y("y:Q", scale=None, axis=None),
            opacity=alt.Opacity("weight:Q", scale=None, legend=None),
        )
    )
    return chart


def _grid_lines(row: Row) -> tuple[float, float, float]:
    centre, grid = row.scale.centre, row.scale.grid
    return (centre + grid, centre, centre - grid)


def _brackets(
    frame: pd.DataFrame,
    cells: pd.DataFrame,
    rows: Sequence[Row],
    x: alt.X,
    y: alt.Y,
    look: Look,
) -> list[alt.Chart]:
    """Draw the limits that lie inside their rows."""
    pieces = []
    for row in rows:
        mine = frame[frame["range"] == row.key]
        limits = mine.groupby("build", sort=False)["limit_percent"].median()
        inside = cells[cells["build"].isin(limits.index)]
        bounds = inside["build"].map(limits)
        corners = marks.bracket_points(
            inside,
            bounds.map(row.at),
            (-bounds).map(row.at),
            tick=-4.0,
        )
        shown = {
            f"{side} {build}"
            for build, bound in limits.items()
            for side, at in (("upper", bound), ("lower", -bound))
            if row.shows(float(at))
        }
        corners = corners[corners["bracket"].isin(shown)]
        pieces.append(corners.assign(bracket=corners["bracket"] + f" {row.key}"))
    drawn = pd.concat(pieces, ignore_index=True)
    return [] if drawn.empty else [marks.brackets(drawn, x, y, look)]


def _reels(
    changes: pd.DataFrame, of: Mapping[str, Row], x: alt.X, look: Look
) -> list[alt.Chart]:
    drawn = changes[changes["range"].isin(of)]
    if drawn.empty:
        return []
    drawn = drawn.assign(
        top=[of[key].top - EDGE_PX + 4.0 for key in drawn["range"]],
        bottom=[of[key].bottom + EDGE_PX - 2.0 for key in drawn["range"]],
    )
    top = alt.Y("top:Q", scale=None, axis=None)
    return [marks.reels(drawn, x, look, y=top, y2=alt.Y2("bottom:Q"))]


def _titles(
    rows: Sequence[Row], gutter: float, y: alt.Y, form: Form, look: Look
) -> list[alt.Chart]:
    """Name each range; say its scale and where its limits are."""
    base = "middle" if form.beside else "alphabetic"
    titles = pd.DataFrame(
        {
            "text": [row.text for row in rows],
            "range": [row.key for row in rows],
            "y": [row.middle if form.beside else row.title for row in rows],
        }
    )
    quiet = {"align": "right", "fontSize": SMALL_PX, "baseline": base}
    bold = {"fontWeight": "bold", "fontSize": form.type + 1.0, "baseline": base}
    named = marks.words(titles, alt.value(0), y, look.ink, **bold)
    scales = _frame(label for row in rows for label in _scale_labels(row, form))
    limits = _frame(label for row in rows for label in _limit_labels(row, form))
    right = alt.value(gutter - 10.0) if form.beside else alt.value("width")
    drawn = [
        marks.clickable(named, marks.RANGE_OPENED, marks.OPENED[marks.RANGE_OPENED]),
        marks.words(limits, right, y, look.quiet, **quiet),
    ]
    if form.beside:
        drawn.append(marks.words(scales, right, y, look.quiet, **quiet))
    return drawn


def _frame(labels: Iterable[tuple[float, str]]) -> pd.DataFrame:
    return pd.DataFrame(list(labels), columns=["y", "text"])


def _scale_labels(row: Row, form: Form) -> list[tuple[float, str]]:
    """Return what is written at the grid lines of a row."""
    if not form.beside:
        return []
    return [(row.at(error), _signed(error)) for error in _grid_lines(row)]


def _signed(error: float) -> str:
    """Return an error as it stands at a grid line: zero bare, the others signed."""
    if error == 0.0:
        return "0"
    return f"{'+' if error > 0 else MINUS}{abs(error):.3g} %"


def _limit_labels(row: Row, form: Form) -> list[tuple[float, str]]:
    """Return what is written about a row's limits, and where.

    A limit inside the row has its bracket; one outside an arrow, with how many times
    as far away it is as the units that are drawn.
    """
    text = share_of_reading(row.limit)
    both = f"\N{PLUS-MINUS SIGN}{text}"
    inside = row.shows(row.limit), row.shows(-row.limit)
    if not form.beside:
        if any(inside):
            return [(row.title, f"limit {both}")]
        return [(row.title, f"limit {both} \N{UP DOWN ARROW} {_times(row, row.limit)}")]
    said = []
    taken = [row.at(error) for error in _grid_lines(row)]
    for shown, bound, arrow in (
        (inside[0], row.limit, "\N{UPWARDS ARROW}"),
        (inside[1], -row.limit, "\N{DOWNWARDS ARROW}"),
    ):
        name = f"limit {_signed(bound)}"
        if shown:
            at = row.at(bound)
            if min(abs(at - one) for one in taken) < SMALL_PX:
                continue
            said.append((at, name))
            continue
        edge = row.top if bound > 0 else row.bottom
        said.append((edge, f"{arrow} {name}, {_times(row, bound)}"))
    return said


def _times(row: Row, limit: float) -> str:
    """Say how far outside of its row a limit is."""
    edge = row.top if limit > row.scale.centre else row.bottom
    drawn = abs(row.middle - edge) / row.px_per_percent
    return marks.as_far(abs(limit - row.scale.centre) / drawn)


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
    px = _px_a_place(cells, rows, form)
    narrowest = float((cells["right"] - cells["left"]).min()) * px
    names, counts = [], []
    for cell in cells.to_dict("records"):
        held = cell["state"] != "open"
        told = [cell["state"]] if held else []
        if cell["units"] < cell["planned"]:
            told.append(f"{cell['units']:.0f} of {cell['planned']:.0f}")
        for height in heights:
            name = (
                cell["build"]
                if form.beside or not held
                else f"{cell['build']} {cell['state']}"
            )
            names.append((cell["left"], height, name, cell["build"]))
            if told and form.beside:
                counts.append((cell["left"], height + LINE_PX - 1.0, ", ".join(told)))
    columns = ["place", "y", "text", "build"]
    named = marks.words(
        pd.DataFrame(names, columns=columns),
        x,
        y,
        look.ink,
        fontWeight="bold",
        fontSize=form.type - (0.0 if form.beside else 1.0),
        limit=max(narrowest, 40.0),
    )
    drawn = [
        marks.clickable(named, marks.BUILD_OPENED, marks.OPENED[marks.BUILD_OPENED])
    ]
    if counts:
        frame = pd.DataFrame(counts, columns=columns[:3])
        drawn.append(
            marks.words(frame, x, y, look.ink, fontSize=SMALL_PX, limit=narrowest)
        )
    return drawn


def _px_a_place(cells: pd.DataFrame, rows: Sequence[Row], form: Form) -> float:
    """Return how wide a unit's place is at least, px."""
    gutter = _gutter(rows) if form.beside else 0.0
    return (form.least - gutter) / float(cells["right"].max())


def _lines_of(
    findings: Sequence[Signal], mine: pd.DataFrame, cells: pd.DataFrame, form: Form
) -> dict[str, list[tuple[str, bool]]]:
    """Return the lines over each build, as wide as its column.

    With each goes whether its units read so now.
    """
    # A gutter wider than this only makes lines shorter than they might be.
    gutter = 240.0 if form.beside else 0.0
    px = (form.least - gutter) / float(cells["right"].max())
    found: dict[str, list[tuple[str, bool]]] = {}
    widths = (cells["right"] - cells["left"]) * px
    widths_px = dict(zip(cells["build"], widths, strict=True))
    for one in findings:
        if (said := note_on(mine, one)) is None:
            continue
        text, now = said
        found.setdefault(one.build, []).extend(
            (line, now) for line in marks.wrapped(text, px=widths_px[one.build])
        )
    return found


def _notes(
    rows: Sequence[Row],
    points: pd.DataFrame,
    cells: pd.DataFrame,
    x: alt.X,
    y: alt.Y,
    form: Form,
    look: Look,
) -> list[alt.Chart]:
    """Write what moved over it, inside the column of its build."""
    left = dict(zip(cells["build"], cells["left"], strict=True))
    lines = [
        (left[build], row.notes + LINE_PX * number, text, now)
        for row in rows
        for build, texts in _lines_of(
            row.findings, points[points["range"] == row.key], cells, form
        ).items()
        for number, (text, now) in enumerate(texts)
    ]
    if not lines:
        return []
    frame = pd.DataFrame(lines, columns=["place", "y", "text", "now"])
    return marks.notes(frame, x, y, look, size=form.type - 1.0)


def _far(
    rows: Sequence[Row],
    points: pd.DataFrame,
    cells: pd.DataFrame,
    x: alt.X,
    y: alt.Y,
    look: Look,
) -> list[alt.Chart]:
    """Say of units that stand at the edge of their row how far off they are."""
    said = []
    right = dict(zip(cells["build"], cells["right"], strict=True))
    for row in rows:
        mine = points[points["range"] == row.key]
        far = mine[row.scale.is_far(mine["error_percent"])]
        above_middle = far["error_percent"] > row.scale.centre
        for build, above in dict.fromkeys(zip(far["build"], above_middle, strict=True)):
            units = far[(far["build"] == build) & (above_middle == above)]
            errors = units["error_percent"]
            farthest = errors.max() if above else errors.min()
            text = percent(
                PPM_PER_PERCENT * farthest, 0.1 * PPM_PER_PERCENT * abs(farthest)
            )
            arrow = "\N{UPWARDS ARROW}" if above else "\N{DOWNWARDS ARROW}"
            many = f"{len(units)} to " if len(units) > 1 else ""
            at = row.top + SMALL_PX + 3.0 if above else row.bottom - 6.0
            said.append((right[build], at, f"{arrow} {many}{text}"))
    if not said:
        return []
    frame = pd.DataFrame(said, columns=["place", "y", "text"])
    return [marks.words(frame, x, y, look.ink, align="right", dx=-4, fontSize=SMALL_PX)]
