"""How the output comes to rest at the point that is read now: dots, and as files."""

from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from daemon.judging import ProductModel
from daemon.presentation import screens
from daemon.presentation.plots import coming_to_rest
from dashboard import charts, look, pictures

FEWEST_DRAWN = 3
"""Readings; fewer show no coming to rest."""
DRAWN = "point at rest"
"""Key of a viewer's session: the point that was drawn last, and the how-manieth."""


def show(state: dict[str, Any], product: ProductModel) -> None:
    """Draw how the output came to rest at the point that was read last."""
    place = _place((state["serial"], state["range"], state["level"]))
    record = state.get("record") or {}
    if len(record.get("output", ())) < FEWEST_DRAWN or not state["range"]:
        return
    title = product.range(state["range"]).title
    where = screens.level_read(title, state["level"], state["levels"])
    chart = coming_to_rest(
        record["at_s"],
        record["output"],
        unit=product.settings.output_unit,
        look=look.current(),
    )
    rows = pd.DataFrame({"at": record["at_s"], "output": record["output"]})
    with place:
        look.quiet(screens.coming_to_rest(state["serial"], where))
        charts.plain(
            pictures.packed(chart),
            words=screens.at_rest_alt(title, len(record["output"])),
            key=f"at rest {state['serial']} {title}",
            rows=rows,
            columns={
                "at": "at, s",
                "output": f"output, {product.settings.output_unit}",
            },
        )


def _place(point: tuple[Any, ...]) -> DeltaGenerator:
    """Return where this point is drawn; what is drawn of the one before goes at once.

    A drawing in the same place would stand under the next point's words until the next
    is ready, a second and more.
    """
    last, number = st.session_state.get(DRAWN, (None, 0))
    if point != last:
        number += 1
        st.session_state[DRAWN] = point, number
    places = [st.container() if one == number % 2 else st.empty() for one in (0, 1)]
    here: DeltaGenerator = places[number % 2]
    return here
