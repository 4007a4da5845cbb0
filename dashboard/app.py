"""The pages in their groups, and what stands on every page: where to go, the bench."""

import streamlit as st

from daemon.presentation import screens
from daemon.service import Home
from dashboard import address, data, live, look, marks

st.set_page_config(
    page_title="Holdpoint", layout="wide", initial_sidebar_state="collapsed"
)
look.apply()
data.follow_nothing()
GROUPS = {
    "Now": [
        st.Page("views/today.py", title="Today", default=True),
        st.Page("views/build.py", title="Build"),
        st.Page("views/range.py", title="Range"),
        st.Page("views/finding.py", title="Finding"),
        st.Page("views/next_build.py", title="Next build"),
    ],
    "Measure": [
        st.Page("views/bench.py", title="Bench"),
        st.Page("views/standard.py", title="Standard"),
        st.Page("views/budget.py", title="Budget"),
        st.Page("views/gauge.py", title="Gauge"),
        # Only a simulated bench can be made to go wrong.
        *(
            [st.Page("views/try_it.py", title="Try it")]
            if Home.usual().simulated.exists()
            else []
        ),
    ],
    "Decide": [
        st.Page("views/holds.py", title="Holds"),
        st.Page("views/recall.py", title="Recall"),
        st.Page("views/messages.py", title="Messages"),
        st.Page("views/ledger.py", title="Ledger"),
    ],
    "Packing": [st.Page("views/packing.py", title="Packing")],
    "Units": [
        st.Page("views/units.py", title="Units"),
        st.Page("views/reels.py", title="Reels"),
        st.Page("views/receiving.py", title="Receiving"),
    ],
    "Settings": [st.Page("views/settings.py", title="Settings")],
}
page = st.navigation(
    [one for group in GROUPS.values() for one in group], position="hidden"
)
with st.container(key="bar", horizontal=True, vertical_alignment="center", gap="small"):
    for name, group in GROUPS.items():
        with st.container(key="here" if page in group else None, width="content"):
            st.page_link(group[0], label=name)
    beside = next(group for group in GROUPS.values() if page in group)
    if len(beside) > 1:
        with st.container(
            key="beside", horizontal=True, vertical_alignment="center", gap="small"
        ):
            for one in beside:
                with st.container(key="this" if one == page else None, width="content"):
                    st.page_link(one, label=one.title)
    live.line(alone=page.title != "Bench")
marks.where(page.title, alone=len(beside) == 1)
if not data.anything():
    live.gone()
else:
    if strange := address.strange(page.title):
        look.stands_out(screens.strange_address(strange))
    page.run()
