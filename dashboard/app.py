"""The page list, and what stands on every page: where to go, what the bench does."""

import streamlit as st

from dashboard import data, live, look

st.set_page_config(
    page_title="Holdpoint", layout="wide", initial_sidebar_state="collapsed"
)
look.apply()
pages = [
    st.Page("views/now.py", title="Now", default=True),
    st.Page("views/one_range.py", title="One range"),
    st.Page("views/bench.py", title="Bench"),
    st.Page("views/standard.py", title="Standard"),
    st.Page("views/holds.py", title="Holds"),
    st.Page("views/packing.py", title="Packing"),
    st.Page("views/recall.py", title="Recall"),
    st.Page("views/traced.py", title="Trace"),
]
page = st.navigation(pages, position="hidden")
with st.container(key="bar", horizontal=True, vertical_alignment="center", gap="small"):
    for one in pages:
        with st.container(key="here" if one == page else None, width="content"):
            st.page_link(one, label=one.title)
    live.line(prompting=page.title != "Bench")
if data.shown() is None:
    live.gone()
else:
    page.run()
