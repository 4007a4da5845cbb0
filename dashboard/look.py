"""How a page looks: words first, paper and ink, nothing boxed."""

from collections.abc import Sequence

import streamlit as st

from daemon.look import DARK, LIGHT, Look

NARROW_PX = 640

STYLE = f"""
<style>
.stMainBlockContainer {{ padding: 3.6rem 2.4rem 3rem; max-width: 1240px; }}
.st-key-saying h1 {{ font-size: 1.75rem; line-height: 1.25; padding: 0 0 .35rem; }}
.st-key-saying p {{ font-size: 1.02rem; margin: 0; line-height: 1.5; }}
h2, h3 {{ font-size: 1.1rem !important; font-weight: 700 !important; }}
.st-key-wide, .st-key-narrow {{ margin-top: 1rem; }}
.st-key-live {{ min-height: 2.5rem; }}
.st-key-live p {{ margin: 0; }}
.st-key-narrow {{ display: none; }}
@media (max-width: {NARROW_PX}px) {{
  .stMainBlockContainer {{ padding: 3.6rem 1rem 2rem; }}
  .st-key-saying h1 {{ font-size: 1.3rem; }}
  .st-key-wide {{ display: none; }}
  .st-key-narrow {{ display: flex; }}
}}
</style>
"""


def apply() -> None:
    """Put the style on the page."""
    st.html(STYLE)


def current() -> Look:
    """Return the colours of the form that the viewer chose."""
    return DARK if st.context.theme.type == "dark" else LIGHT


def saying(headline: str, lines: Sequence[str] = ()) -> None:
    """Say what to do, then why."""
    with st.container(key="saying", gap="small"):
        st.title(headline, anchor=False)
        for line in lines:
            st.write(line)
