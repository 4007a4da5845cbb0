"""One range: every unit, reel by reel, with the limits its own scatter sets."""

import streamlit as st

from daemon.presentation import points, sentences
from dashboard import data, look, pictures
from storage import JudgedPoint, worst

COVERAGE = 2.0
"""Coverage factor k of the expanded uncertainty."""
MEANING = (
    "A dot is a unit, its error in % of reading; a dotted line is a new reel; brackets "
    "are the error limit. The grey band is what the units' own scatter allows around "
    "the mean of each reel: three sigma, from the steps between neighbours, which "
    "stand below with their limit. A reel may differ from the last by more than the "
    "band; whether it is too much is what the first page says."
)
UNCERTAINTIES = (
    "u is the standard uncertainty of an error, U = k u the expanded uncertainty with "
    "the coverage factor k = 2: a level of confidence of about 95 % (JCGM 100)."
)

SHOWN = data.BUILDS_SHOWN

page = data.followed()
titles = {one.key: one.title for one in page.product.ranges}
# What holds comes before a unit that is odd alone.
moved = [
    one.range
    for one in sorted(page.current, key=lambda one: one.holds)
    if one.range in titles
]
key = st.segmented_control(
    "Range",
    options=list(titles),
    format_func=titles.__getitem__,
    default=moved[-1] if moved else next(iter(titles)),
    required=True,
    key="range",
    label_visibility="collapsed",
)


def chart(range_: str) -> None:
    """Show the chart of a range and what its marks mean."""
    rows = page.errors[page.errors["range"] == range_]
    saying = sentences.one_range(
        titles[range_],
        findings=[one for one in page.findings if one.range in (range_, None)],
        errors_ppm=rows["error_ppm"].to_list(),
        limit_ppm=None if rows.empty else float(rows["limit_ppm"].iloc[-1]),
    )
    look.say(saying.headline, saying.lines)
    if rows.empty:
        return
    for form in ("wide", "narrow"):
        with st.container(key=form):
            for spec in pictures.of_range(page, range_, narrow=form == "narrow"):
                st.vega_lite_chart(
                    spec=spec, theme=None, width="stretch", alt=saying.headline
                )
    if page.units > page.errors["serial"].nunique():
        look.quiet(f"Counted and shown are the units of the {SHOWN} newest builds.")
    look.quiet(MEANING)
    with st.expander("Rows"):
        told = rows.assign(
            expanded_ppm=COVERAGE * rows["uncertainty_ppm"],
            worst=[
                points.decided_at(worst(JudgedPoint.of(one or None)))
                for one in rows["points"].fillna("")
            ],
        )
        st.dataframe(
            told[
                [
                    "serial",
                    "error_ppm",
                    "verdict",
                    "worst",
                    "limit_ppm",
                    "uncertainty_ppm",
                    "expanded_ppm",
                    "build",
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
                    "u, ppm", format="%.0f"
                ),
                "expanded_ppm": st.column_config.NumberColumn(
                    "U (k = 2), ppm", format="%.0f"
                ),
                "limit_ppm": st.column_config.NumberColumn("Limit, ppm", format="%.0f"),
                "verdict": "Verdict",
                "worst": "Worst point",
            },
        )
        look.quiet(UNCERTAINTIES)


chart(key)
