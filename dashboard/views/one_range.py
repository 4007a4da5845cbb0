"""One range: every unit, reel by reel, with the limits its own scatter sets."""

import streamlit as st

from daemon import plots
from daemon.rows import signals_of
from dashboard import data, look

EVERY_S = 5.0

connection = data.connected()
titles = {one.key: one.title for one in connection.product.ranges}
moved = [one.range for one in signals_of(connection.store, connection.name)]
key = st.segmented_control(
    "Range",
    options=list(titles),
    format_func=titles.__getitem__,
    default=next((key for key in reversed(moved) if key in titles), next(iter(titles))),
    required=True,
)


@st.fragment(run_every=EVERY_S)
def chart(range_: str) -> None:
    """Show the chart of a range and what its marks mean."""
    errors = connection.about_product("latest_errors")
    rows = errors[errors["range"] == range_]
    if rows.empty:
        st.write("No unit has been measured on this range yet.")
        return
    one = connection.product.range(range_)
    frame = plots.laid_out(rows, connection.about_product("signals"))
    changes = plots.reel_changes(
        frame,
        connection.about_product("fittings"),
        {} if one.part is None else {range_: one.part},
    )
    findings = [
        s
        for s in signals_of(connection.store, connection.name)
        if s.range in (range_, None)
    ]
    st.altair_chart(
        plots.individuals(frame, changes, findings, look=look.current()),
        theme=None,
        width="stretch",
    )
    steps = plots.moving_ranges(frame, changes, look=look.current())
    if steps is not None:
        st.altair_chart(steps, theme=None, width="stretch")
    st.caption(
        "Dots are units, a dotted line a new reel. Brackets are the error limit. The "
        "grey band is what the units' own scatter allows around the mean of each reel "
        "(three sigma, from the steps between neighbours); below, those steps and "
        "their limit. A reel may differ from the last by more than the band: whether "
        "it is too much is what the sentence on the first page says."
    )
    with st.expander("Rows"):
        st.dataframe(
            rows[
                [
                    "build",
                    "serial",
                    "error_ppm",
                    "uncertainty_ppm",
                    "limit_ppm",
                    "verdict",
                ]
            ].iloc[::-1],
            hide_index=True,
            column_config={
                "build": "Build",
                "serial": "Unit",
                "error_ppm": st.column_config.NumberColumn(
                    "Error, ppm", format="%+.0f"
                ),
                "uncertainty_ppm": st.column_config.NumberColumn(
                    "u (k=1), ppm", format="%.0f"
                ),
                "limit_ppm": st.column_config.NumberColumn("Limit, ppm", format="%.0f"),
                "verdict": "Verdict",
            },
        )


if key is not None:
    chart(key)
