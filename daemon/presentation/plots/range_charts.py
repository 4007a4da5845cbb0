"""One range over its builds and reels: averages, sums, means, the long story, dots."""

from collections import Counter
from collections.abc import Sequence
from math import sqrt

import altair as alt
import numpy as np
import pandas as pd
from scipy.special import chdtri, stdtrit

from daemon.presentation.colours import LIGHT, Look
from daemon.presentation.figures import (
    MINUS,
    PPM_PER_PERCENT,
    counted,
    share_of_reading,
)
from daemon.presentation.plots import marks
from daemon.presentation.plots.one_range import (
    Baseline,
    axis,
    baseline_drawn,
    named_builds,
    pooled,
    rounded_up,
    x_of,
)
from daemon.presentation.plots.places import (
    AS_IT_WAS,
    MOST_DOTS,
    MOVED,
    ODD,
    stretches,
    thinned,
)
from daemon.presentation.plots.row_scale import RowScale
from daemon.spc import Limits
from daemon.spc.charts import CusumChart, EwmaChart

HEAD_PX = 24.0
HEIGHT = 300
SMALL_HEIGHT = 170
WEIGHT = 0.2
"""Of the newest unit in the average."""
CONFIDENCE = 0.975
FEWEST = 2
SIGNED_PERCENT = "datum.value == 0 ? '0' : format(datum.value, '+.2~r') + ' %'"
"""How an axis writes its numbers."""
PLAIN_PERCENT = "datum.value == 0 ? '0' : format(datum.value, '.2~r') + ' %'"
DOT_ROWS = 14
"""Dots that stand on each other before one stands for several units."""
BINS = 70
ROOMY = 6
"""With fewer builds a name has room on either side of its place."""
MOST_NUMBERS = 6
"""Numbers under a row of dots, at most about."""


def averages(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    cells: pd.DataFrame,
    *,
    look: Look = LIGHT,
    baseline: Baseline | None = None,
    draggable: bool = False,
) -> tuple[alt.LayerChart, pd.DataFrame] | None:
    """Return the weighted average of the units (EWMA), begun anew with each reel.

    Centre and scatter are those of the units as they were, or the baseline's. None for
    too few units.

    Returns
    -------
    tuple or None
        The chart, and its points: `serial`, `value`, `lower`, `upper`, `meaning`.
    """
    found = _levels(frame, changes, baseline)
    if found is None:
        return None
    rows = []
    for limits, stretch in found:
        chart = EwmaChart(
            limits=Limits(centre=limits.centre, sigma=limits.sigma, width=2.7),
            weight=WEIGHT,
        )
        for place, error in zip(
            stretch["place"], stretch["error_percent"], strict=True
        ):
            point = chart.update(float(error))
            rows.append((place, point.value, point.lower, point.upper, point.signal))
    told = _told(frame, changes, rows)
    reach = rounded_up(
        1.1 * float(told[["value", "lower", "upper"]].abs().to_numpy().max())
    )
    x, y = x_of(cells), _y(look, "value:Q", -reach, reach, HEIGHT)
    drawn = thinned(told, most=MOST_DOTS, by="value")
    dots = marks.dots(drawn, x, y, look, size=26.0)
    # One mark a stretch, however many units it has.
    band = alt.Chart(drawn).mark_area(
        color=look.quiet, opacity=0.16, interpolate="step"
    )
    layers: list[alt.Chart] = [
        band.encode(
            x=x,
            y=alt.Y("lower:Q"),
            y2=alt.Y2("upper:Q"),
            detail=alt.Detail("stretch:N"),
        ),
        *baseline_drawn(baseline, x, look, top=HEAD_PX, bottom=HEIGHT - 2.0),
        _joined(drawn, x, y, look),
        marks.draggable(dots, look) if draggable else dots,
        *_reel_lines(changes, x, look, HEIGHT),
        *named_builds(cells, x, look),
    ]
    return marks.picture(layers, look, height=HEIGHT), told


def sums(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    cells: pd.DataFrame,
    *,
    look: Look = LIGHT,
    baseline: Baseline | None = None,
    draggable: bool = False,
) -> tuple[alt.LayerChart, pd.DataFrame] | None:
    """Return the sums of what units lie off (CUSUM), begun anew with each reel.

    In standard deviations of a unit; the sum for a shift down is drawn downwards. None
    for too few units.
    """
    found = _levels(frame, changes, baseline)
    if found is None:
        return None
    rows = []
    bound = 0.0
    for limits, stretch in found:
        chart = CusumChart(limits=limits)
        for place, error in zip(
            stretch["place"], stretch["error_percent"], strict=True
        ):
            point = chart.update(float(error))
            bound = point.limit
            down = point.below > point.above
            value = -point.below if down else point.above
            rows.append((place, value, -point.limit, point.limit, point.signal))
    told = _told(frame, changes, rows)
    reach = rounded_up(1.1 * max(bound, float(told["value"].abs().max())))
    x = x_of(cells)
    y = _y(look, "value:Q", -reach, reach, HEIGHT, labels="format(datum.value, '+~g')")
    rules = alt.Chart(pd.DataFrame({"bound": [-bound, bound]}))
    drawn = thinned(told, most=MOST_DOTS, by="value")
    dots = marks.dots(drawn, x, y, look, size=26.0)
    layers: list[alt.Chart] = [
        *baseline_drawn(baseline, x, look, top=HEAD_PX, bottom=HEIGHT - 2.0),
        rules.mark_rule(color=look.quiet).encode(y=alt.Y("bound:Q")),
        _joined(drawn, x, y, look),
        marks.draggable(dots, look) if draggable else dots,
        *_reel_lines(changes, x, look, HEIGHT),
        *named_builds(cells, x, look),
    ]
    return marks.picture(layers, look, height=HEIGHT), told


def between_and_within(
    frame: pd.DataFrame,
    changes: pd.DataFrame,
    cells: pd.DataFrame,
    *,
    look: Look = LIGHT,
) -> tuple[list[alt.LayerChart], pd.DataFrame] | None:
    """Return the mean, and the scatter, of each reel in each build, with intervals.

    None while no stretch has two units that differ.
    """
    of = stretches(frame, changes)
    rows = []
    for _, stretch in frame.groupby(of.to_numpy()):
        errors = stretch["error_percent"].to_numpy()
        n = len(errors)
        if n < FEWEST or float(np.ptp(errors)) == 0.0:
            continue
        s = float(np.std(errors, ddof=1))
        reach = float(stdtrit(n - 1, CONFIDENCE)) * s / sqrt(n)
        moved = (stretch["meaning"] == MOVED).all()
        rows.append(
            {
                "build": stretch["build"].iloc[0],
                "serial": " to ".join(stretch["serial"].iloc[[0, -1]]),
                "verdict": f"{n} units",
                "units": n,
                "left": float(stretch["place"].min()) - 0.5,
                "right": float(stretch["place"].max()) + 0.5,
                "mean": float(errors.mean()),
                "mean_low": float(errors.mean()) - reach,
                "mean_high": float(errors.mean()) + reach,
                "s": s,
                "s_low": s * sqrt((n - 1) / float(chdtri(n - 1, 1 - CONFIDENCE))),
                "s_high": s * sqrt((n - 1) / float(chdtri(n - 1, CONFIDENCE))),
                "meaning": MOVED if moved else AS_IT_WAS,
            }
        )
    if not rows:
        return None
    told = pd.DataFrame(rows)
    told = told.assign(place=(told["left"] + told["right"]) / 2)
    # Of two units an interval of the scatter reaches so far that the rest is flat.
    most_s = 4.0 * float(told["s"].max())
    drawn = told.assign(s_high=told["s_high"].clip(upper=most_s))
    far = float(drawn[["mean_low", "mean_high"]].abs().to_numpy().max())
    charts = []
    for name, low, high, words in (
        (
            "mean",
            -rounded_up(1.1 * far),
            rounded_up(1.1 * far),
            "Between: mean of each",
        ),
        (
            "s",
            0.0,
            rounded_up(1.05 * float(drawn["s_high"].max())),
            "Within: standard deviation of each",
        ),
    ):
        labels = SIGNED_PERCENT if low < 0.0 else PLAIN_PERCENT
        x = x_of(cells)
        y = _y(look, f"{name}:Q", low, high, SMALL_HEIGHT, labels)
        title = pd.DataFrame({"text": [words]})
        spans = alt.Chart(drawn.assign(error_percent=drawn[name]))
        layers: list[alt.Chart] = [
            marks.words(title, alt.value(0), alt.value(26), look.quiet, fontSize=12.0),
            spans.mark_rule(color=look.unit, opacity=0.5, strokeWidth=3).encode(
                x=x, y=alt.Y(f"{name}_low:Q"), y2=alt.Y2(f"{name}_high:Q")
            ),
            marks.dots(drawn.assign(error_percent=drawn[name]), x, y, look, size=44.0),
            *_reel_lines(changes, x, look, SMALL_HEIGHT),
            *named_builds(cells, x, look),
        ]
        charts.append(marks.picture(layers, look, height=SMALL_HEIGHT))
    return charts, told


def distribution(
    frame: pd.DataFrame, *, look: Look = LIGHT, width: float = 1100.0
) -> alt.LayerChart:
    """Return the units as dots on each other, by their error, against the limits.

    The scale is that of the scatter; a limit outside of it is an arrow with words. A
    dot may stand for several units, which is then said.
    """
    limit = float(frame["limit_percent"].iloc[-1])
    as_it_was = frame[frame["meaning"] == AS_IT_WAS]
    told = frame if as_it_was.empty else as_it_was
    row = RowScale.of(told["error_percent"], told["build"], limit=limit)
    off = frame.loc[~row.is_far(frame["error_percent"]), "error_percent"] - row.centre
    reach = max(row.reach, 1.05 * float(off.abs().max()) if len(off) else 0.0)
    low, high = row.centre - reach, row.centre + reach
    bins = BINS if width > 600 else BINS // 2  # noqa: PLR2004 -- a phone
    shown = frame["error_percent"].clip(low, high)
    index = ((shown - low) / (high - low) * bins).clip(0, bins - 1e-9).astype(int)
    counts = Counter(zip(index.tolist(), frame["meaning"].tolist(), strict=True))
    tallest = max(Counter(index.tolist()).values())
    each = max(1, -(-tallest // DOT_ROWS))
    rows = []
    height_of: dict[int, int] = {}
    # What is as it was lies below; what moved stands on it.
    for (place, meaning), units in sorted(
        counts.items(), key=lambda one: (one[0][0], one[0][1] != AS_IT_WAS)
    ):
        for _ in range(-(-units // each)):
            height_of[place] = height_of.get(place, 0) + 1
            rows.append(
                {
                    "at": low + (place + 0.5) / bins * (high - low),
                    "stack": height_of[place],
                    "meaning": meaning,
                    "serial": f"{counted(units, 'unit')} here",
                    "build": "",
                    "error_percent": low + (place + 0.5) / bins * (high - low),
                    "verdict": "",
                }
            )
    dots = pd.DataFrame(rows)
    dot_px = min(10.0, width / bins * 0.8)
    most = max(height_of.values())
    stack_px = max(dot_px + 1.0, 9.0)
    height = int(HEAD_PX + stack_px * most + 46.0)
    foot = height - 40.0
    dots["y"] = foot - 4.0 - (dots["stack"] - 0.5) * stack_px
    scale = alt.Scale(domain=[low, high], nice=False, zero=False)
    x = alt.X("at:Q", scale=scale, axis=None)
    y = alt.Y("y:Q", scale=None, axis=None)
    layers: list[alt.Chart] = [
        marks.dots(dots, x, y, look, size=dot_px**2),
        alt.Chart(pd.DataFrame({"y": [foot]})).mark_rule(color=look.quiet).encode(y=y),
    ]
    layers += [_numbers(row, low, high, x, foot, look)]
    layers += _limits(limit, low, high, x, foot, look)
    if each > 1:
        note = pd.DataFrame({"text": [f"A dot is up to {each} units."]})
        layers.append(
            marks.words(note, alt.value(0), alt.value(12), look.quiet, fontSize=12.0)
        )
    return marks.picture(layers, look, height=height)


def _numbers(
    row: RowScale, low: float, high: float, x: alt.X, foot: float, look: Look
) -> alt.Chart:
    """Write round numbers under the dots."""
    step = row.grid
    while (high - low) / step > MOST_NUMBERS:
        step *= 2.0
    first, last = int(np.ceil(low / step)), int(np.floor(high / step))
    at = pd.DataFrame({"at": [step * one for one in range(first, last + 1)]})
    at = at.assign(
        text=[
            "0" if one == 0 else f"{'+' if one > 0 else MINUS}{abs(one):.3g} %"
            for one in at["at"]
        ]
    )
    return marks.words(
        at, x, alt.value(foot + 16.0), look.quiet, align="center", fontSize=12.0
    )


def _limits(
    limit: float, low: float, high: float, x: alt.X, foot: float, look: Look
) -> list[alt.Chart]:
    """Draw the limits as brackets, or as words with an arrow where they are outside."""
    drawn: list[alt.Chart] = []
    text = share_of_reading(limit)
    for bound, sign in ((-limit, MINUS), (limit, "+")):
        if low <= bound <= high:
            at = pd.DataFrame({"at": [bound], "text": [f"limit {sign}{text}"]})
            drawn += [
                alt.Chart(at)
                .mark_rule(color=look.quiet, strokeWidth=1.5)
                .encode(x=x, y=alt.value(HEAD_PX), y2=alt.value(foot)),
                marks.words(
                    at,
                    x,
                    alt.value(HEAD_PX - 4.0),
                    look.quiet,
                    align="center",
                    fontSize=12.0,
                ),
            ]
            continue
        upper = bound > 0
        edge = high if upper else low
        times = abs(bound - (low + high) / 2) / ((high - low) / 2)
        said = f"limit {sign}{text}, {marks.as_far(times)}"
        arrow = "\N{RIGHTWARDS ARROW}" if upper else "\N{LEFTWARDS ARROW}"
        at = pd.DataFrame(
            {"at": [edge], "text": [f"{said} {arrow}" if upper else f"{arrow} {said}"]}
        )
        drawn.append(
            marks.words(
                at,
                x,
                alt.value(foot + 36.0),
                look.quiet,
                align="right" if upper else "left",
                fontSize=12.0,
            )
        )
    return drawn


def story(
    told: pd.DataFrame, *, look: Look = LIGHT, height: int = 300
) -> alt.LayerChart:
    """Return how a range read in all builds, by when they were opened.

    Parameters
    ----------
    told
        `range_story` of the Store: a row a stretch of builds.
    """
    frame = told.assign(
        **{
            name: told[f"{name}_ppm"] / PPM_PER_PERCENT
            for name in ("mean", "low_mean", "high_mean", "low", "high", "limit")
        },
        name=[
            first if first == last else f"{first} to {last}"
            for first, last in zip(told["first_build"], told["last_build"], strict=True)
        ],
        build=told["last_build"],
    )
    limit = float(frame["limit"].iloc[-1])
    middle = float(frame["mean"].median())
    spread = float(
        np.quantile((frame[["low", "high"]] - middle).abs().to_numpy(), 0.98)
    )
    reach = 1.15 * spread or 0.2 * limit
    centre = middle if abs(middle) > 0.6 * reach else 0.0
    reach = max(reach, 1.15 * (spread + abs(middle - centre)))
    if limit <= 1.7 * reach and centre == 0.0:
        reach = max(reach, 1.05 * limit)
    far = frame[
        ((frame["high"] - centre).abs() > reach)
        | ((frame["low"] - centre).abs() > reach)
    ]
    clipped = frame.assign(
        **{
            name: frame[name].clip(centre - reach, centre + reach)
            for name in ("mean", "low_mean", "high_mean", "low", "high")
        }
    )
    x = alt.X(
        "place:Q",
        scale=alt.Scale(domain=[-0.5, len(frame) - 0.5], nice=False, zero=False),
        axis=None,
    )
    clipped = clipped.assign(place=np.arange(len(clipped)))
    y = alt.Y(
        "mean:Q",
        scale=alt.Scale(
            domain=[centre - reach, centre + reach],
            range=[height - 26.0, HEAD_PX],
            nice=False,
        ),
        axis=axis(
            look,
            labels=SIGNED_PERCENT,
            ticks=5,
        ),
    )
    base = alt.Chart(clipped)
    tips = [
        alt.Tooltip("name:N", title="Build"),
        alt.Tooltip("since:T", title="Opened", format="%Y-%m-%d"),
        alt.Tooltip("units:Q", title="Units"),
        alt.Tooltip("mean:Q", title="Mean, %", format="+.4f"),
        alt.Tooltip("low:Q", title="Lowest, %", format="+.4f"),
        alt.Tooltip("high:Q", title="Highest, %", format="+.4f"),
        alt.Tooltip("outside:Q", title="Outside"),
    ]
    wide = max(1.0, min(8.0, 700.0 / len(clipped)))
    means = base.mark_point(
        filled=True, size=max(10.0, min(36.0, wide**2)), color=look.unit, opacity=0.9
    ).encode(x=x, y=y, tooltip=tips)
    layers: list[alt.Chart] = [
        base.mark_rule(
            color=look.quiet, opacity=0.45, strokeWidth=min(wide, 3.0)
        ).encode(x=x, y=alt.Y("low:Q"), y2=alt.Y2("high:Q"), tooltip=tips),
        base.mark_rule(color=look.unit, opacity=0.5, strokeWidth=min(wide, 4.0)).encode(
            x=x, y=alt.Y("low_mean:Q"), y2=alt.Y2("high_mean:Q"), tooltip=tips
        ),
        marks.clickable(means, marks.BUILD_OPENED, marks.OPENED[marks.BUILD_OPENED]),
        *_story_limits(limit, centre, reach, look),
        *_dates(clipped, x, height, look),
    ]
    if len(far):
        edge = clipped.loc[far.index]
        edge = edge.assign(
            text="\N{UP DOWN ARROW}",
            mean=np.where(
                (far["high"] - centre).abs() >= (far["low"] - centre).abs(),
                centre + reach,
                centre - reach,
            ),
        )
        layers.append(
            alt.Chart(edge)
            .mark_point(shape="diamond", filled=True, size=44.0, color=look.odd)
            .encode(x=x, y=y, tooltip=tips)
        )
    return marks.picture(layers, look, height=height)


def _story_limits(
    limit: float, centre: float, reach: float, look: Look
) -> list[alt.Chart]:
    text = share_of_reading(limit)
    inside = [b for b in (-limit, limit) if abs(b - centre) <= reach]
    if inside:
        return [
            alt.Chart(pd.DataFrame({"mean": inside}))
            .mark_rule(color=look.quiet, strokeWidth=1.5)
            .encode(y=alt.Y("mean:Q"))
        ]
    away = f"limit \N{PLUS-MINUS SIGN}{text}, {marks.as_far(limit / reach)}"
    said = pd.DataFrame({"text": [f"\N{UP DOWN ARROW} {away}"]})
    return [
        marks.words(
            said,
            alt.value("width"),
            alt.value(12),
            look.quiet,
            align="right",
            fontSize=12.0,
        )
    ]


def _dates(frame: pd.DataFrame, x: alt.X, height: int, look: Look) -> list[alt.Chart]:
    """Write when builds were opened: at the ends, and between where there is room."""
    last = len(frame) - 1
    places = sorted({0, last // 2, last}) if last >= FEWEST else [0]
    drawn = []
    for place in places:
        one = frame.iloc[[place]]
        text = [f"{one['first_build'].iloc[0]}, {one['since'].iloc[0]:%Y-%m-%d}"]
        align = "center"
        if last >= ROOMY:  # the ends are at the edges, where half a name has no room
            align = {0: "left", last: "right"}.get(place, align)
        drawn.append(
            marks.words(
                one.assign(text=text),
                x,
                alt.value(height - 6.0),
                look.quiet,
                align=align,
                fontSize=12.0,
            )
        )
    return drawn


def _levels(
    frame: pd.DataFrame, changes: pd.DataFrame, baseline: Baseline | None
) -> list[tuple[Limits, pd.DataFrame]] | None:
    """Return each stretch with the centre and the scatter that it is held against."""
    if baseline is not None:
        whole = Limits(centre=baseline.limits.centre, sigma=baseline.limits.sigma)
        of = stretches(frame, changes).to_numpy()
        return [(whole, stretch) for _, stretch in frame.groupby(of)]
    good = frame[frame["meaning"] != MOVED]
    limits = pooled(good, changes)
    if limits is None:
        return None
    level = float(good["error_percent"].mean())
    found = []
    for _, stretch in frame.groupby(stretches(frame, changes).to_numpy()):
        own = stretch.loc[stretch["meaning"] != MOVED, "error_percent"]
        centre = float(own.mean()) if len(own) >= FEWEST else level
        found.append((Limits(centre=centre, sigma=limits.sigma), stretch))
    return found


def _told(
    frame: pd.DataFrame, changes: pd.DataFrame, rows: Sequence[tuple[float, ...]]
) -> pd.DataFrame:
    points = pd.DataFrame(rows, columns=["place", "value", "lower", "upper", "signal"])
    told = frame[
        ["range", "place", "serial", "build", "verdict", "error_percent", "meaning"]
    ]
    told = told.assign(stretch=stretches(frame, changes)).merge(points, on="place")
    odd = told["signal"].astype(bool) & (told["meaning"] != MOVED)
    return told.assign(meaning=told["meaning"].mask(odd, ODD))


def _joined(told: pd.DataFrame, x: alt.X, y: alt.Y, look: Look) -> alt.Chart:
    chart: alt.Chart = (
        alt.Chart(told)
        .mark_line(color=look.unit, strokeWidth=1, opacity=0.6)
        .encode(x=x, y=y, detail=alt.Detail("build:N"), order=alt.Order("place:Q"))
    )
    return chart


def _reel_lines(
    changes: pd.DataFrame, x: alt.X, look: Look, height: int
) -> list[alt.Chart]:
    if changes.empty:
        return []
    return [
        marks.reels(changes, x, look, y=alt.value(HEAD_PX), y2=alt.value(height - 2.0))
    ]


def _y(
    look: Look,
    field: str,
    low: float,
    high: float,
    height: int,
    labels: str = SIGNED_PERCENT,
) -> alt.Y:
    return alt.Y(
        field,
        scale=alt.Scale(
            domain=[low, high], range=[height - 12.0, HEAD_PX + 8.0], nice=False
        ),
        axis=axis(look, labels=labels, ticks=4),
    )
