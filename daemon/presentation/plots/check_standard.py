"""The check standard, range by range: how far it read from what is known of it."""

from collections.abc import Mapping

import altair as alt
import pandas as pd

from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.figures import ShareUnit, counted
from daemon.presentation.plots import marks
from daemon.presentation.plots.places import AS_IT_WAS, MOVED
from daemon.spc import own_limits
from storage import Verdict

__all__ = ["check_frame", "checks_in_words", "checks_of_range", "standards_of_range"]

AXIS_PX = 64
DOT_PX = 7.0
NAME_PX = 12.0
"""Of a standard behind its line."""
SHAPES = ("circle", "square", "diamond", "triangle-up")
"""Of the standards' dots."""


def check_frame(
    checks: pd.DataFrame,
    known_ppm: Mapping[str, float],
    known_uncertainty_ppm: float,
) -> pd.DataFrame:
    """Return one row a check and range: the difference and how far it may go, ppm.

    Parameters
    ----------
    checks
        `range_rows` of kind check.
    known_ppm, known_uncertainty_ppm
        Known error of the check standard by range, and its standard uncertainty.
    """
    frame = checks[checks["range"].isin(known_ppm)].copy()
    known = frame["range"].map(known_ppm).astype(float)
    frame["difference_ppm"] = frame["error_ppm"] - known
    frame["limit_ppm"] = (
        2 * (frame["uncertainty_ppm"] ** 2 + known_uncertainty_ppm**2) ** 0.5
    )
    frame["meaning"] = [
        AS_IT_WAS if one == Verdict.CONFORMING else MOVED for one in frame["verdict"]
    ]
    frame["place"] = frame.groupby("range").cumcount() + 1
    return frame


def checks_in_words(frame: pd.DataFrame, title: str) -> str:
    """Say what the chart of one range shows, for who cannot see it."""
    last = frame.iloc[-1]
    difference_ppm, limit_ppm = float(last["difference_ppm"]), float(last["limit_ppm"])
    unit = ShareUnit.of([difference_ppm, limit_ppm])
    return (
        f"Check standard on range {title}, {counted(len(frame), 'check')}: the last is "
        f"{unit.signed(difference_ppm, limit_ppm)} {unit.name} from what is known; "
        f"{unit.comes_to(limit_ppm)} {unit.name} is allowed."
    )


def checks_of_range(
    frame: pd.DataFrame, title: str, *, look: Look = LIGHT, height: int = 150
) -> alt.LayerChart:
    """Return the chart of one range: checks in order, joined inside a session.

    Parameters
    ----------
    frame
        `check_frame` of this range, not empty.
    title
        Of the range.
    height
        In px.
    """
    good = frame.loc[frame["meaning"] == AS_IT_WAS, "difference_ppm"]
    own = own_limits(good.to_list(), least_ppm=0.0)
    reach = 1.15 * float(
        max(frame["limit_ppm"].max(), frame["difference_ppm"].abs().max())
    )
    along = alt.Scale(domain=[0.5, len(frame) + 0.5], nice=False)
    x = alt.X("place:Q", axis=None, scale=along)
    unit = ShareUnit.of([reach])
    y = alt.Y(
        "difference_ppm:Q",
        scale=alt.Scale(domain=[-reach, reach], range=[height - 6.0, 24.0], nice=False),
        axis=alt.Axis(
            title=None,
            grid=False,
            domain=False,
            ticks=False,
            tickCount=3,
            minExtent=AXIS_PX,
            labelColor=look.quiet,
            labelExpr=f"datum.value == 0 ? '0' : format(datum.value / {unit.ppm}, "
            f"'+,~r') + ' {unit.name}'",
        ),
    )
    layers: list[alt.Chart] = []
    if own is not None:
        band = pd.DataFrame({"low": [own.low_ppm], "high": [own.high_ppm]})
        layers.append(
            alt.Chart(band)
            .mark_rect(color=look.shade)
            .encode(y=alt.Y("low:Q"), y2=alt.Y2("high:Q"))
        )
    # A piece a check, so that one check alone has its limits too.
    both = pd.concat(
        [
            frame.assign(
                bound=sign * frame["limit_ppm"],
                left=frame["place"] - 0.5,
                right=frame["place"] + 0.5,
            )
            for sign in (1, -1)
        ]
    )
    left = alt.X("left:Q", axis=None, scale=along)
    layers += [
        alt.Chart(both)
        .mark_rule(color=look.quiet, strokeWidth=1)
        .encode(x=left, x2=alt.X2("right:Q"), y=alt.Y("bound:Q")),
        alt.Chart(frame)
        .mark_line(color=look.unit, strokeWidth=1, opacity=0.5)
        .encode(x=x, y=y, detail="session:N"),
        alt.Chart(
            frame.assign(
                from_known=[
                    f"{unit.signed(one, half)} {unit.name}"
                    for one, half in zip(
                        frame["difference_ppm"], frame["limit_ppm"], strict=True
                    )
                ],
                may_go=[
                    f"{unit.comes_to(one)} {unit.name}" for one in frame["limit_ppm"]
                ],
            )
        )
        .mark_point(filled=True, size=DOT_PX**2, aria=False)
        .encode(
            x=x,
            y=y,
            **marks.by_meaning(
                {AS_IT_WAS: (look.unit, "circle"), MOVED: (look.moved, "triangle-up")}
            ),
            tooltip=[
                alt.Tooltip("started_at:T", title="When", format="%d %b %H:%M"),
                alt.Tooltip("number:Q", title="Run"),
                alt.Tooltip("from_known:N", title="From known"),
                alt.Tooltip("may_go:N", title="May go"),
            ],
        ),
        marks.words(
            pd.DataFrame({"text": [title]}),
            alt.value(0),
            alt.value(12),
            look.ink,
            fontSize=13.0,
        ),
    ]
    return marks.picture(layers, look, height=height)


def standards_of_range(
    frame: pd.DataFrame, title: str, *, look: Look = LIGHT, height: int = 150
) -> alt.LayerChart:
    """Return how several standards read on one range, each joined to a line.

    Lines that move together show the bench; one that leaves the others shows itself.

    Parameters
    ----------
    frame
        A row a comparison and standard: `place` from 1, `standard`,
        `difference_ppm`, `measured_at`. Not empty.
    title
        Of the range.
    height
        In px.
    """
    reach = 1.15 * max(float(frame["difference_ppm"].abs().max()), 1.0)
    unit = ShareUnit.of([reach])
    last = int(frame["place"].max())
    x = alt.X(
        "place:Q",
        axis=None,
        # Room behind the last for the standards' names.
        scale=alt.Scale(domain=[0.5, last + max(1.0, 0.2 * last)], nice=False),
    )
    y = alt.Y(
        "difference_ppm:Q",
        scale=alt.Scale(domain=[-reach, reach], range=[height - 6.0, 24.0], nice=False),
        axis=alt.Axis(
            title=None,
            grid=False,
            domain=False,
            ticks=False,
            tickCount=3,
            minExtent=AXIS_PX,
            labelColor=look.quiet,
            labelExpr=f"datum.value == 0 ? '0' : format(datum.value / {unit.ppm}, "
            f"'+,~r') + ' {unit.name}'",
        ),
    )
    names = sorted(frame["standard"].unique())
    shapes = [SHAPES[place % len(SHAPES)] for place in range(len(names))]
    ends = frame[frame["place"] == last].sort_values("difference_ppm")
    line_ppm = 2 * reach * NAME_PX / (height - 30.0)
    # Names of standards that read alike stand above one another, none on another.
    at = ends["difference_ppm"].tolist()
    for place in range(1, len(at)):
        at[place] = max(at[place], at[place - 1] + line_ppm)
    ends = ends.assign(text=ends["standard"], difference_ppm=at)
    return marks.picture(
        [
            alt.Chart(pd.DataFrame({"difference_ppm": [0.0]}))
            .mark_rule(color=look.quiet, strokeDash=[4, 3])
            .encode(y=y),
            alt.Chart(frame)
            .mark_line(color=look.unit, strokeWidth=1, opacity=0.5)
            .encode(x=x, y=y, detail="standard:N"),
            alt.Chart(frame)
            .mark_point(filled=True, size=DOT_PX**2, color=look.unit)
            .encode(
                x=x,
                y=y,
                shape=alt.Shape(
                    "standard:N",
                    legend=None,
                    scale=alt.Scale(domain=names, range=shapes),
                ),
                tooltip=[
                    alt.Tooltip("standard:N", title="Check standard"),
                    alt.Tooltip("measured_at:T", title="When", format="%d %b %H:%M"),
                    alt.Tooltip("said:N", title="From known"),
                ],
            ),
            marks.words(ends, x, y, look.quiet, dx=8, baseline="middle"),
            marks.words(
                pd.DataFrame({"text": [title]}),
                alt.value(0),
                alt.value(12),
                look.ink,
                fontSize=13.0,
            ),
        ],
        look,
        height=height,
    )
