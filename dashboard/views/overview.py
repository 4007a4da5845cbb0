"""Now: what to do, the map of ranges by builds, what may not leave."""

from collections.abc import Sequence

import streamlit as st

from config import Unit, spell
from daemon.holds import by_reason
from daemon.presentation import figures, sentences
from daemon.traceability import spans
from dashboard import data, look, pictures
from dashboard.data import Shown

EVERY_S = 3.0


def now() -> None:
    """Say what stands, and show it."""
    shown = data.followed()
    saying = sentences.standing(
        signals=shown.findings,
        builds=shown.states,
        holds=shown.standing,
        units=shown.units,
    )
    if shown.errors.empty:
        look.say(saying.headline, saying.lines)
        first_run(shown)
        return
    # Drawn before anything is said, so that words and picture change together.
    drawn = {
        form: pictures.by_builds(shown, narrow=form == "narrow")
        for form in ("wide", "narrow")
    }
    look.say(saying.headline, saying.lines)
    beside(saying.apart)
    unheard(shown)
    for form, spec in drawn.items():
        with st.container(key=form):
            st.vega_lite_chart(
                spec=spec,
                theme=None,
                width="stretch",
                alt=f"Ranges by builds. {saying.headline}",
            )
    stays(shown)
    warned(shown)
    watching(saying.lines)


def beside(lines: Sequence[str]) -> None:
    """Say what else is to be done."""
    if lines:
        look.heading("Also to do", lines)


def warned(shown: Shown) -> None:
    """Say what charts warn of on the latest build; nothing is held by it."""
    lines = sentences.warnings(shown.warnings, shown.builds)
    if lines:
        look.heading("Charts warn", lines)


@st.fragment(run_every=EVERY_S)
def watching(said: Sequence[str]) -> None:
    """Say which limit serves, and what builds are held against, unless it was said."""
    found = data.doing()
    if found is not None:
        _, state = found
        look.quiet(" ".join(sentences.watching(state, said=said)))


def unheard(shown: Shown) -> None:
    """Say that somebody was not told of what he should have been."""
    dead = shown.given_up["alert"].nunique()
    if not dead:
        return
    number = figures.counted(dead, "message")
    look.stands_out(f"{number} did not arrive: nobody may know of it.")
    st.page_link("views/messages.py", label="See messages")


def stays(shown: Shown) -> None:
    """List what may not leave."""
    doubts = shown.doubted
    if not shown.standing and not doubts:
        return
    findings = {one.signal: one for one in shown.findings}
    lines = [
        f"{figures.capital(sentences.held(one))}: "
        f"{sentences.why_held(one, findings.get(one.signal or ''))}."
        for one in shown.standing
    ]
    lines += [
        f"Bench in doubt, {spans(serials)}: {reason}."
        for reason, serials in by_reason(doubts, doubts).items()
    ]
    look.heading("Must not leave", lines)
    st.page_link("views/holds.py", label="Decide on holds")


def first_run(shown: Shown) -> None:
    """Say how to begin, in the words of this product."""
    if not shown.builds:
        look.heading("1. Open a build")
        st.code("holdpoint build open B-1 --units 30", language=None)
        build = "B-1"
    else:
        build = shown.builds[-1]
        look.heading(f"1. Build {build} is open")
    part = next((one.part for one in shown.product.ranges if one.part), None)
    if part is not None:
        nominal = spell(shown.product.nominal_ohm[part], Unit.OHM).replace(" ", "")
        look.heading("2. Record the reels on the machine")
        st.code(
            f"holdpoint reel add K-101 --nominal {nominal} --tolerance 0.1%\n"
            f"holdpoint reel fit K-101 {part} --build {build}",
            language=None,
        )
    look.heading("3. Measure the first unit")
    st.code("holdpoint measure PA-0001", language=None)
    look.quiet(
        "Or on the page Bench. A check standard is asked for first, where bench.toml "
        "names one. No instruments at hand? holdpoint import FILE reads a "
        "spreadsheet, and holdpoint demo shows everything with a simulated bench."
    )


now()
