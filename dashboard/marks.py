"""What the library does not say to those who do not see a page; what it says twice."""

from functools import cache
from typing import Any

import streamlit as st

JS = """
export default function ({ data }) {
  const mark = () => {
    const bar = document.querySelector(".st-key-bar");
    if (bar === null) return;
    const links = bar.querySelectorAll(".stPageLink a");
    const nav = links[0]?.closest(".st-key-bar");
    if (nav && nav.getAttribute("role") !== "navigation") {
      nav.setAttribute("role", "navigation");
      nav.setAttribute("aria-label", data.label);
    }
    links.forEach((one) => {
      const now = one.closest(".st-key-this") ? "page"
        : one.closest(".st-key-here") ? (data.alone ? "page" : "true") : null;
      if (now === null) one.removeAttribute("aria-current");
      else if (one.getAttribute("aria-current") !== now)
        one.setAttribute("aria-current", now);
    });
  };
  // A page has a sentence for who cannot see a picture; the marks inside, of which a
  // drag adds some without a name, say nothing more.
  const hide = () => document
    .querySelectorAll(".stVegaLiteChart svg.marks:not([aria-hidden])")
    .forEach((one) => one.setAttribute("aria-hidden", "true"));
  window.holdpointPictures?.disconnect();
  window.holdpointPictures = new MutationObserver(hide);
  window.holdpointPictures.observe(document.body, { childList: true, subtree: true });
  hide();
  mark();
  const again = setInterval(mark, 300);
  setTimeout(() => clearInterval(again), 3000);
}
"""


@cache
def _component() -> Any:
    return st.components.v2.component("holdpoint.marks", html="<span></span>", js=JS)


def where(page: str, *, alone: bool) -> None:
    """Tell screen readers which page this is.

    Parameters
    ----------
    alone
        Whether its group has no other.
    """
    with st.container(key="unseen"):
        _component()(
            key="marks",
            data={"page": page, "alone": alone, "label": "Pages"},
            height="content",
        )
