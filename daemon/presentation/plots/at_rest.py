"""How the output came to rest at the point that was read last."""

from collections.abc import Sequence
from math import ceil, floor, log10
from typing import Any

import altair as alt
import pandas as pd

from daemon.presentation.colours import Look

HEIGHT_PX = 130
TICKS = 4
PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M"}
FEWEST_DIGITS, MOST_DECIMALS = 4, 9


def coming_to_rest(
    at_s: Sequence[float], output: Sequence[float], *, unit: str, look: Look
) -> alt.LayerChart:
    """Draw the readings of a point as dots in the order of time.

    Parameters
    ----------
    at_s
        When each was read, s, on any clock.
    output
        What was read, in the product's unit.
    unit
        Its symbol.
    """
    since_s = [one - at_s[0] for one in at_s]
    frame = pd.DataFrame({"at": since_s, "output": output})
    quiet: dict[str, Any] = {
        "grid": False, "domain": False, "ticks": False, "title": None,
        "tickCount": TICKS, "labelColor": look.quiet, "labelFontSize": 12,
        # The last one is drawn to the left of its place, else it is cut off.
        "labelFlush": True, "labelOverlap": True,
    }  # fmt: skip
    dots = (
        alt.Chart(frame)
        .mark_point(filled=True, size=22, color=look.unit, opacity=1.0, aria=False)
        .encode(
            x=alt.X("at:Q", axis=alt.Axis(labelExpr=labels(since_s, "s"), **quiet)),
            y=alt.Y(
                "output:Q",
                scale=alt.Scale(zero=False, padding=8),
                axis=alt.Axis(labelExpr=labels(output, unit), minExtent=64, **quiet),
            ),
        )
    )
    chart: alt.LayerChart = (
        alt.layer(dots)
        .properties(height=HEIGHT_PX, width="container", background=look.paper)
        .configure_view(strokeWidth=0)
        .configure(font='"Source Sans", "DejaVu Sans", Verdana, sans-serif')
    )
    return chart


def labels(values: Sequence[float], unit: str) -> str:
    """Return how the ticks of an axis are written: no two alike, all with one prefix.

    Parameters
    ----------
    values
        What the axis shows; they may differ in their last digits alone.
    unit
        Its symbol.

    >>> labels([1.80052, 1.80056], "V")
    "format(datum.value / 1, '.6f') + ' V'"
    >>> labels([0.0, 0.9], "V")
    "format(datum.value / 0.001, '.0f') + ' mV'"
    """
    largest = max(map(abs, values))
    power = 0 if largest == 0 else 3 * floor(log10(largest) / 3)
    power = min(max(power, min(PREFIXES)), max(PREFIXES))
    scale = float(f"1e{power}")
    step = (max(values) - min(values)) / scale / (2 * TICKS)
    if step > 0:
        decimals = ceil(-log10(step))
    else:
        decimals = FEWEST_DIGITS - 1 - floor(log10(max(largest / scale, 1.0)))
    decimals = min(max(0, decimals), MOST_DECIMALS)
    return (
        f"format(datum.value / {scale:g}, '.{decimals}f') + ' {PREFIXES[power]}{unit}'"
    )
