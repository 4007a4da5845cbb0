"""How the output came to rest at the point that was read last."""

from collections.abc import Sequence
from typing import Any

import altair as alt
import pandas as pd

from daemon.presentation.colours import Look

HEIGHT_PX = 130


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
    frame = pd.DataFrame({"at": [one - at_s[0] for one in at_s], "output": output})
    quiet: dict[str, Any] = {
        "grid": False, "domain": False, "ticks": False, "title": None,
        "tickCount": 4, "labelColor": look.quiet, "labelFontSize": 12,
    }  # fmt: skip
    # The number apart from its prefix: 900 mV, not 900m.
    labels = (
        "datum.value == 0 ? '0 {unit}' : replace(format(datum.value, '.4~s'), "
        "/([^0-9]?)$/, ' $1{unit}')"
    )
    dots = (
        alt.Chart(frame)
        .mark_point(filled=True, size=22, color=look.unit, opacity=1.0, aria=False)
        .encode(
            x=alt.X("at:Q", axis=alt.Axis(labelExpr=labels.format(unit="s"), **quiet)),
            y=alt.Y(
                "output:Q",
                scale=alt.Scale(zero=False, padding=8),
                axis=alt.Axis(
                    labelExpr=labels.format(unit=unit), minExtent=64, **quiet
                ),
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
