"""Where every unit stands in a picture, and what it means there; frames only.

Builds stand side by side in the order in which they were opened, each as wide as
was planned, so that a build fills up while it is measured. Inside a build units
stand in the order of their serials: a reel is recorded from a serial on.
"""

from collections.abc import Mapping, Sequence

import pandas as pd

from daemon.presentation.figures import PPM_PER_PERCENT, counted
from daemon.presentation.sentences import beside, was_moved
from storage import Cause, Signal, serial_order

AS_IT_WAS, MOVED, ODD = "as it was", "moved", "outside its limit"
REWORKED = "reworked"
OUTSIDE = ("nonconforming", "changed")
"""Verdicts by which a single unit stands out."""

FEWEST_PLACES = 8
"""A build is at least this wide, in units."""
GAP_SHARE = 0.04
"""Room between two builds, as a share of what all units take."""
MARGIN_SHARE = 0.008
MOST_DOTS = 1400
"""More are thinned, so that a picture stays quick."""


def columns(
    errors: pd.DataFrame, builds: pd.DataFrame, *, most: int | None = None
) -> pd.DataFrame:
    """Return the newest measured builds and the place that each takes in a row.

    Parameters
    ----------
    errors
        `latest_errors` of the Store.
    builds
        `builds` of the Store: oldest first.
    most
        How many builds at most.

    Returns
    -------
    pandas.DataFrame
        `build`, `units`, `planned` (NaN where nobody said), `state`, `first` (place
        of the first unit), `left` and `right` (edges); one unit is one place wide.
    """
    measured = errors.groupby("build")["serial"].nunique()
    shown = builds[builds["build"].isin(measured.index)]
    if most is not None:
        shown = shown.tail(most)
    units = shown["build"].map(measured).to_numpy(dtype=float)
    planned = pd.to_numeric(shown["planned_units"]).to_numpy(dtype=float)
    frame = pd.DataFrame(
        {
            "build": shown["build"].to_numpy(),
            "units": units,
            "planned": planned,
            "state": shown["state"].to_numpy(),
        }
    )
    sizes = frame[["units", "planned"]].max(axis=1).clip(lower=FEWEST_PLACES)
    margin = max(0.5, MARGIN_SHARE * float(sizes.sum()))
    gap = max(1.0, GAP_SHARE * float(sizes.sum()))
    widths = sizes + 2 * margin
    frame["left"] = (widths + gap).cumsum() - (widths + gap)
    frame["right"] = frame["left"] + widths
    frame["first"] = frame["left"] + margin + 0.5
    return frame


def laid_out(
    errors: pd.DataFrame, signals: pd.DataFrame, cells: pd.DataFrame
) -> pd.DataFrame:
    """Return the errors of the shown builds, each with its place and its meaning.

    Parameters
    ----------
    errors
        `latest_errors` of the Store: one row a unit and range. Where it has `reworked`,
        rows of which it is true were measured after rework: they moved no more.
    signals
        `signals` of the Store: latest revisions; those withdrawn mark nothing.
    cells
        `columns` of the same errors.

    Returns
    -------
    pandas.DataFrame
        The rows, by place, with `error_percent`, `limit_percent`, `place` and
        `meaning`.
    """
    frame = errors[errors["build"].isin(cells["build"])].copy()
    frame["error_percent"] = frame["error_ppm"] / PPM_PER_PERCENT
    frame["limit_percent"] = frame["limit_ppm"] / PPM_PER_PERCENT
    frame["meaning"] = AS_IT_WAS
    frame.loc[frame["verdict"].isin(OUTSIDE), "meaning"] = ODD
    places: dict[tuple[str, str], float] = {}
    for cell in cells.to_dict("records"):
        serials = frame.loc[frame["build"] == cell["build"], "serial"].unique()
        for rank, serial in enumerate(sorted(serials, key=serial_order)):
            places[cell["build"], serial] = cell["first"] + rank
    owners = zip(frame["build"], frame["serial"], strict=True)
    frame["place"] = [places[owner] for owner in owners]
    of_these = signals[signals["build"].isin(frame["build"])]
    for signal in of_these[of_these["standing"].astype(bool)].to_dict("records"):
        first = _place_from(frame, signal["build"], signal["first_serial"])
        if first is None:
            continue
        concerned = (frame["build"] == signal["build"]) & (frame["place"] >= first)
        if signal["cause"] == Cause.UNIT:
            concerned &= frame["serial"] == signal["first_serial"]
        if pd.notna(signal["range"]):
            concerned &= frame["range"] == signal["range"]
        if REWORKED in frame:
            concerned &= ~frame[REWORKED]
        frame.loc[concerned, "meaning"] = MOVED
    return frame.sort_values("place", kind="stable", ignore_index=True)


def moved_by(frame: pd.DataFrame, found: Signal) -> pd.DataFrame:
    """Return the rows of `laid_out` that one finding marks, whatever others do."""
    return _from_first(frame, frame["meaning"] == MOVED, found)


def note_on(frame: pd.DataFrame, found: Signal) -> tuple[str, bool] | None:
    """Return what stands over a finding's units, and whether they read so now.

    None where none of its units is in the frame.
    """
    units = 0
    if REWORKED in frame:
        mine = _from_first(frame, frame[REWORKED], found)
        if found.range is not None:
            mine = mine[mine["range"] == found.range]
        units = mine["serial"].nunique()
    if not moved_by(frame, found).empty:
        more = f", {counted(units, 'unit')} reworked" if units else ""
        return f"{beside(found)}{more}", True
    return (was_moved(units), False) if units else None


def _from_first(
    frame: pd.DataFrame, among: "pd.Series[bool]", found: Signal
) -> pd.DataFrame:
    mine = frame[(frame["build"] == found.build) & among]
    if found.cause is Cause.UNIT:
        return mine[mine["serial"] == found.first_serial]
    first = _place_from(frame, found.build, found.first_serial)
    return mine.iloc[:0] if first is None else mine[mine["place"] >= first]


def span_of(frame: pd.DataFrame, ends: Sequence[str]) -> pd.DataFrame:
    """Return the rows of `laid_out` between two ends, each a build or a serial.

    Both ends are inside, whichever is named first. None where one names nothing there,
    or none is named.
    """
    places: list[float] = []
    for end in ends:
        mine = frame[frame["build"] == end]
        if mine.empty:
            mine = frame[frame["serial"] == end]
        if mine.empty:
            return frame.iloc[:0]
        places += [mine["place"].min(), mine["place"].max()]
    if not places:
        return frame.iloc[:0]
    return frame[frame["place"].between(min(places), max(places))]


def ends_between(
    frame: pd.DataFrame, left: float, right: float
) -> tuple[str, str] | None:
    """Return the first and the last serial between two places; None: none is there."""
    mine = frame[frame["place"].between(min(left, right), max(left, right))]
    if mine.empty:
        return None
    serials = mine.sort_values("place")["serial"]
    return str(serials.iloc[0]), str(serials.iloc[-1])


def reel_changes(
    frame: pd.DataFrame,
    fittings: pd.DataFrame,
    builds: Sequence[str],
    part_of_range: Mapping[str, str],
) -> pd.DataFrame:
    """Return where each range's part changed its reel: range, place, reel.

    A reel that goes on into the next build is no change.

    Parameters
    ----------
    frame
        `laid_out`.
    fittings
        `fittings` of the Store.
    builds
        All builds, oldest first, shown or not.
    part_of_range
        Range to the part that is its own.
    """
    order = {build: index for index, build in enumerate(builds)}
    fitted = sorted(
        (one for one in fittings.to_dict("records") if one["build"] in order),
        key=lambda one: (
            order[one["build"]],
            serial_order(one["from_serial"]) if pd.notna(one["from_serial"]) else (),
            one["fitted_at"],
        ),
    )
    shown = set(frame["build"])
    rows = []
    for key, part in part_of_range.items():
        last = None
        for one in fitted:
            if one["part"] != part:
                continue
            if last not in (None, one["reel"]) and one["build"] in shown:
                place = _place_from(frame, one["build"], one["from_serial"])
                if place is not None:
                    rows.append((key, place - 0.5, one["reel"]))
            last = one["reel"]
    return pd.DataFrame(rows, columns=["range", "place", "reel"])


def thinned(
    frame: pd.DataFrame, *, most: int, by: str = "error_percent"
) -> pd.DataFrame:
    """Return at most about so many rows to draw: of many, what a picture must not lose.

    Units that moved or are odd stay as long as they are few, the first and the last of
    each build stay, and of each group of neighbours the highest and the lowest.

    Parameters
    ----------
    frame
        `laid_out`, with `range`, `build`, `place`, `meaning` and `by`.
    most
        Rows at most, but for the ends of builds.
    by
        What is drawn: its highest and its lowest stay.
    """
    if len(frame) <= most:
        return frame
    cells = frame.groupby(["range", "build", "meaning"], sort=False)
    groups = max(1, most // (2 * cells.ngroups) - 1)
    # A cell of few is drawn whole, and leaves room to none: it was not worth counting.
    size = cells["place"].transform("size")
    rank = cells["place"].rank(method="first") - 1
    bucket = (rank * groups / size).astype(int)
    told = frame.assign(_bucket=bucket).groupby(
        ["range", "build", "meaning", "_bucket"], sort=False
    )
    kept = {
        *told[by].idxmax(),
        *told[by].idxmin(),
        *cells["place"].idxmin(),
        *cells["place"].idxmax(),
    }
    return frame[frame.index.isin(kept) | (size <= 2 * groups)]


def stretches(frame: pd.DataFrame, changes: pd.DataFrame) -> pd.Series:
    """Return which stretch of one build and one reel each row belongs to."""
    edges = sorted([*frame.groupby("build")["place"].min(), *changes["place"]])
    return frame["place"].map(lambda place: sum(edge <= place for edge in edges))


def _place_from(
    frame: pd.DataFrame, build: str, from_serial: str | float | None
) -> float | None:
    """Return the place of a build's first unit from a serial on; None: none yet."""
    units = frame.loc[frame["build"] == build, ["serial", "place"]]
    if isinstance(from_serial, str):
        begins = serial_order(from_serial)
        units = units[units["serial"].map(lambda one: serial_order(one) >= begins)]
    return None if units.empty else float(units["place"].min())
