"""The page list, and what stands on every page: what the bench does, source off."""

import streamlit as st

from dashboard import data, live, look

st.set_page_config(
    page_title="Holdpoint", layout="wide", initial_sidebar_state="collapsed"
)
look.apply()
page = st.navigation(
    [
        st.Page("views/now.py", title="Now", default=True),
        st.Page("views/one_range.py", title="One range"),
        st.Page("views/bench.py", title="Bench"),
        st.Page("views/holds.py", title="Holds"),
    ],
    position="top",
)
if data.connection() is None:
    look.saying(
        "The daemon does not answer.",
        ["Start it with `holdpoint daemon`; this page goes on by itself."],
    )
    live.try_again()
else:
    live.line()
    page.run()
