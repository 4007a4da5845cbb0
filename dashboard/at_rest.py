"""How the output comes to rest at the point that is read now: dots, and as files."""

from typing import Any

import pandas as pd

from daemon.judging import ProductModel
from daemon.presentation import screens
from daemon.presentation.plots import coming_to_rest
from dashboard import charts, look, pictures

FEWEST_DRAWN = 3
"""Readings; fewer show no coming to rest."""


def show(state: dict[str, Any], product: ProductModel) -> None:
    """Draw how the output came to rest at the point that was read last."""
    record = state.get("record") or {}
    if len(record.get("output", ())) < FEWEST_DRAWN or not state["range"]:
        return
    title = product.range(state["range"]).title
    where = screens.level_read(title, state["level"], state["levels"])
    look.quiet(screens.coming_to_rest(state["serial"], where))
    chart = coming_to_rest(
        record["at_s"],
        record["output"],
        unit=product.settings.output_unit,
        look=look.current(),
    )
    rows = pd.DataFrame({"at": record["at_s"], "output": record["output"]})
    charts.plain(
        pictures.packed(chart),
        words=screens.at_rest_alt(title, len(record["output"])),
        key=f"at rest {state['serial']} {title}",
        rows=rows,
        columns={"at": "at, s", "output": f"output, {product.settings.output_unit}"},
    )
