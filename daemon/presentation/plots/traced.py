"""Which reel every part of every unit comes from, and where the unit is now."""

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from daemon.presentation.colours import Look
from daemon.presentation.plots.marks import FONT

ROW_PX = 30
ROOM_FOR_LETTER_PX = 7.0
ROOM_FOR_ROWS_PX = 130.0
"""What the names of the rows take at most: a place has more letters than a part."""

PIECE = ["row", "name", "start", "end", "first", "last", "build", "marked", "place"]


def segments(cells: Sequence[Mapping[str, Any]], subject: str) -> pd.DataFrame:
    """Return neighbouring units of one reel, or in one place, as one piece each.

    Parameters
    ----------
    cells
        `serial`, `build`, `part`, `reel`, `place`, in the order of serials.
    subject
        The serial or reel that is looked for; its pieces are marked.

    Returns
    -------
    DataFrame
        `row` (a part, or a place), `name` (the reel, or the place again), `start`,
        `end` (units counted from 0, end excluded), `first`, `last` (serials), `build`,
        `marked`, `place` (whether the row is one).

    Examples
    --------
    >>> one = {"serial": "1", "build": "B", "part": "R1", "reel": "K", "place": "sold"}
    >>> found = segments([one, {**one, "serial": "2", "reel": "L"}], "L")
    >>> list(zip(found["row"], found["name"], found["start"], found["end"]))
    [('R1', 'K', 0, 1), ('R1', 'L', 1, 2), ('sold', 'sold', 0, 2)]
    """
    serials = list(dict.fromkeys((one["build"], one["serial"]) for one in cells))
    place_of = {key: index for index, key in enumerate(serials)}
    by_row: dict[tuple[str, bool], dict[int, tuple[str, str, str]]] = {}
    for one in cells:
        index = place_of[one["build"], one["serial"]]
        unit = (one["serial"], one["build"])
        by_row.setdefault((one["part"], False), {})[index] = (one["reel"], *unit)
        by_row.setdefault((one["place"], True), {})[index] = (one["place"], *unit)
    pieces: list[dict[str, Any]] = []
    for (row, is_place), named in by_row.items():
        last: dict[str, Any] | None = None
        for index, (name, serial, build) in sorted(named.items()):
            if last and (last["name"], last["build"], last["end"]) == (
                name,
                build,
                index,
            ):
                last |= {"end": index + 1, "last": serial}
            else:
                last = {"row": row, "name": name, "start": index, "end": index + 1,
                        "first": serial, "last": serial, "build": build,
                        "marked": subject == name, "place": is_place}  # fmt: skip
                pieces.append(last)
    return pd.DataFrame(pieces, columns=PIECE)


def traced(frame: pd.DataFrame, *, look: Look, width_px: int) -> alt.LayerChart:
    """Draw the pieces: a row a part and, under them, a row a place; a column a unit.

    Parameters
    ----------
    frame
        From `segments`.
    width_px
        Of the picture; a name that does not fit its piece is cut, and whole in the
        tooltip.
    """
    units = max(int(frame["end"].max()), 1)
    unit_px = (width_px - ROOM_FOR_ROWS_PX) / units
    frame = frame.copy()
    frame["from"] = frame["start"] + 0.06
    frame["to"] = frame["end"] - 0.06
    room = (frame["end"] - frame["start"]) * unit_px
    frame["label"] = [
        "" if place else _fitting(name, px)
        for name, place, px in zip(frame["name"], frame["place"], room, strict=True)
    ]
    places = frame["place"].astype(bool)
    rows = [*sorted(set(frame["row"][~places])), *sorted(set(frame["row"][places]))]
    y = alt.Y(
        "row:N",
        sort=rows,
        title=None,
        axis=alt.Axis(
            ticks=False,
            domain=False,
            labelPadding=8,
            labelColor=look.ink,
            labelLimit=ROOM_FOR_ROWS_PX,
        ),
    )
    x = alt.X("from:Q", axis=None, scale=alt.Scale(domain=[0, units], nice=False))
    base = alt.Chart(frame)
    marked = alt.datum["marked"]
    bars = base.mark_bar(height=20, aria=False).encode(
        x=x,
        x2="to:Q",
        y=y,
        color=alt.condition(marked, alt.value(look.moved), alt.value(look.shade)),
        tooltip=[
            alt.Tooltip("name:N", title="Reel or place"),
            alt.Tooltip("build:N", title="Build"),
            alt.Tooltip("first:N", title="From unit"),
            alt.Tooltip("last:N", title="To unit"),
        ],
    )
    names = base.mark_text(align="left", dx=5, fontSize=12, aria=False).encode(
        x=x,
        y=y,
        text="label:N",
        color=alt.condition(marked, alt.value(look.paper), alt.value(look.ink)),
    )
    chart: alt.LayerChart = (
        alt.layer(bars, names)
        .properties(height=ROW_PX * len(rows), width="container", background=look.paper)
        .configure(font=FONT)
        .configure_view(strokeWidth=0)
    )
    return chart


def _fitting(name: str, room_px: float) -> str:
    """Return as much of a name as there is room for: its end tells it apart.

    >>> _fitting("K-101", 60.0), _fitting("K-101", 36.0), _fitting("K-101", 12.0)
    ('K-101', '\u2026101', '')
    """
    letters = int((room_px - 8) / ROOM_FOR_LETTER_PX)
    if len(name) <= letters:
        return name
    return f"\N{HORIZONTAL ELLIPSIS}{name[1 - letters :]}" if letters > 2 else ""  # noqa: PLR2004
