"""The check standard, range by range: how far it read from what is known of it."""

from collections.abc import Callable, Sequence
from datetime import datetime

import altair as alt
import pandas as pd

from config import KnownStandard
from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.figures import ShareUnit, counted
from daemon.presentation.plots import marks
from daemon.presentation.plots.places import AS_IT_WAS, MOVED
from daemon.spc import own_limits
from storage import Verdict

__all__ = ["check_frame", "checks_in_words", "checks_of_range", "standards_of_range"]

AXIS_PX = 64
DOT_PX = 7.0
LABEL_PX = 22.0
"""Where the reason of a step stands: between the title and the highest limit."""
NAME_PX = 12.0
"""Of a standard behind its line."""
SHAPES = ("circle", "square", "diamond", "triangle-up")
"""Of the standards' dots."""


def check_frame(
    checks: pd.DataFrame,
    standard: KnownStandard,
    then: Callable[[str, str], KnownStandard | None],
) -> pd.DataFrame:
    """Return one row a check and range: the difference and how far it may go, ppm.

    Parameters
    ----------
    checks
        `range_rows` of kind check.
    standard
        The check standard as it is known now.
    then
        What was known by the settings of a run, by their hash, of the standard with a
        serial; None where they do not tell.
    """
    frame = checks[checks["range"].isin(standard.error_ppm)].copy()
    known = [
        then(configuration, serial) or standard
        for configuration, serial in zip(
            frame["configuration"], frame["serial"], strict=True
        )
    ]
    frame["known_ppm"] = [
        one.error_ppm.get(key, standard.error_ppm[key])
        for one, key in zip(known, frame["range"], strict=True)
    ]
    frame["difference_ppm"] = frame["error_ppm"] - frame["known_ppm"].astype(float)
    known_uncertainty_ppm = pd.Series(
        [one.uncertainty_ppm for one in known], index=frame.index, dtype=float
    )
    frame["limit_ppm"] = (
        2 * (frame["uncertainty_ppm"] ** 2 + known_uncertainty_ppm**2) ** 0.5
    )
    frame["meaning"] = [
        AS_IT_WAS if one == Verdict.CONFORMING else MOVED for one in frame["verdict"]
    ]
    frame["place"] = frame.groupby("range").cumcount() + 1
    return frame


def checks_in_words(
    frame: pd.DataFrame, title: str, steps: Sequence[tuple[datetime, str]] = ()
) -> str:
    """Say what the chart of one range shows, for who cannot see it."""
    last = frame.iloc[-1]
    difference_ppm, limit_ppm = float(last["difference_ppm"]), float(last["limit_ppm"])
    unit = ShareUnit.of([difference_ppm, limit_ppm])
    return (
        f"Check standard on range {title}, {counted(len(frame), 'check')}: the last is "
        f"{unit.signed(difference_ppm, limit_ppm)} {unit.name} from what is known; "
        f"{unit.comes_to(limit_ppm)} {unit.name} is allowed."
        + "".join(f" {text.rstrip('.')}." for _, text in steps)
    )


def checks_of_range(
    frame: pd.DataFrame,
    title: str,
    *,
    steps: Sequence[tuple[datetime, str]] = (),
    look: Look = LIGHT,
    height: int = 150,
) -> alt.LayerChart:
    """Return the chart of one range: checks in order, joined inside a session.

    Parameters
    ----------
    frame
        `check_frame` of this range, not empty.
    title
        Of the range.
    steps
        When the standard was assigned another value, and why.
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
        *_assigned(steps, frame["started_at"], frame["place"], along, look, height),
        marks.words(
            pd.DataFrame({"text": [title]}),
            alt.value(0),
            alt.value(12),
            look.ink,
            fontSize=13.0,
        ),
    ]
    return marks.picture(layers, look, height=height)


def _assigned(
    steps: Sequence[tuple[datetime, str]],
    at: "pd.Series[pd.Timestamp]",
    places: "pd.Series[int]",
    along: alt.Scale,
    look: Look,
    height: int,
) -> list[alt.Chart]:
    """Return a line where a standard was assigned another value, with the reason."""
    if not steps:
        return []
    last = int(places.max())
    rows = pd.DataFrame(
        {
            "place": [
                0.5 + max((place for t, place in zip(at, places, strict=True)
                           if t < when), default=0)
                for when, _ in steps
            ],
            "text": [text for _, text in steps],
        }
    )  # fmt: skip
    rows["place"] = rows["place"].clip(upper=last + 0.5)
    x = alt.X("place:Q", axis=None, scale=along)
    return [
        alt.Chart(rows)
        .mark_rule(color=look.ink, strokeDash=[2, 3])
        .encode(
            x=x,
            y=alt.value(LABEL_PX + 3.0),
            y2=alt.value(height),
            tooltip=[alt.Tooltip("text:N", title="Assigned")],
        ),
        *(
            marks.words(
                rows[half],
                x,
                alt.value(LABEL_PX),
                look.quiet,
                dx=4 if left else -4,
                align="left" if left else "right",
                limit=460,
            )
            for left in (True, False)
            if (half := (rows["place"] <= 0.5 + last / 2) == left).any()
        ),
    ]


def standards_of_range(
    frame: pd.DataFrame,
    title: str,
    *,
    steps: Sequence[tuple[datetime, str]] = (),
    look: Look = LIGHT,
    height: int = 150,
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
    steps
        When one of them was assigned another value, and why.
    height
        In px.
    """
    reach = 1.15 * max(float(frame["difference_ppm"].abs().max()), 1.0)
    unit = ShareUnit.of([reach])
    last = int(frame["place"].max())
    # Room behind the last for the standards' names.
    along = alt.Scale(domain=[0.5, last + max(1.0, 0.2 * last)], nice=False)
    x = alt.X("place:Q", axis=None, scale=along)
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
            *_assigned(
                steps, frame["measured_at"], frame["place"], along, look, height
            ),
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
