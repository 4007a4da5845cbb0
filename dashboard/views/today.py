"""Today: may I ship, what changed, product or bench, what do I do now."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from typing import Any

import streamlit as st

from daemon.holds import by_reason
from daemon.presentation import (
    Concerning,
    figures,
    hold_order,
    screens,
    sentences,
    sharing,
    spans,
    today,
)
from dashboard import (
    address,
    bench_strip,
    benches,
    charts,
    concerned,
    data,
    happened,
    look,
    noticed,
    opening,
    pictures,
)
from dashboard.data import Shown
from storage import Hold, Signal, StorageError

EVERY_S = 3.0
MAP_COLUMNS = {
    "serial": "unit", "build": "build", "range": "range", "error_ppm": "error, ppm",
    "limit_ppm": "limit, ppm", "verdict": "verdict", "started_at": "measured",
}  # fmt: skip


def now() -> None:
    """Say what stands, and show it."""
    shown = data.followed()
    saying = sentences.standing(
        signals=shown.findings,
        builds=shown.states,
        holds=shown.standing,
        units=shown.units,
        reworked=shown.good_again,
    )
    if shown.errors.empty:
        look.say(saying.headline, saying.lines)
        first_run(shown)
        return
    findings = today.most_important(shown.findings, shown.states)
    concerns = {one.signal: whom(shown, one) for one in findings}
    # Drawn before anything is said, so that words and picture change together.
    drawn = {
        form: [pictures.by_builds(shown, narrow=form == "narrow")]
        for form in charts.FORMS
    }
    look.say(saying.headline)
    for one in findings:
        first = concerns[one.signal]
        if first and (text := today.left_first(one, first)):
            look.stands_out(text)
    asked_and_answered(shown, findings, concerns)
    what_now(shown, findings)
    unheard(shown)
    seen = sentences.rows_seen(shown.builds)
    charts.show(
        drawn,
        words=f"Ranges by builds. {saying.headline} {seen}",
        key="ranges by builds",
        rows=shown.errors,
        columns=MAP_COLUMNS,
        clicks=True,
    )
    ways(shown)
    if saying.lines:
        look.heading("Why", saying.lines)
    waiting = [screens.after_rework(spans(shown.again))] if shown.again else []
    beside([*waiting, *saying.apart])
    stays(shown)
    warned(shown)
    bench_strip.show(shown)
    benches.show(shown)
    happened.show(shown)
    watching(saying.lines)


def whom(shown: Shown, finding: Signal) -> Concerning | None:
    """Return how many units a finding concerns; None while nobody can say."""
    with suppress(StorageError):
        return concerned.numbers(concerned.by(shown, finding))
    return None


def asked_and_answered(
    shown: Shown,
    findings: Sequence[Signal],
    concerns: Mapping[str, Concerning | None],
) -> None:
    """Answer what is asked each morning."""
    since = {
        one.signal: look.moment(at)
        for one in findings
        if (at := first_measured(shown, one)) is not None
    }
    first = findings[0] if findings else None
    doubted = len(shown.doubted)
    numbers = concerns.get(first.signal) if first else None
    changed = today.changed(findings, since, shown.good_again)
    if numbers is not None:
        changed = f"{changed} {today.concerned(numbers)}"
    whose = today.whose(first, doubted=doubted)
    kept = shown.with_reel()
    look.answers(
        [
            (today.SHIP, today.ship(shown.standing, doubted=doubted, kept=kept)),
            (today.CHANGED, changed),
            (today.WHOSE, benches.whose(shown, first, whose)),
        ],
        moved=[today.SHIP] if shown.standing or doubted else [],
    )


def first_measured(shown: Shown, finding: Signal) -> datetime | None:
    """Return when a finding's first unit was measured, of the builds shown."""
    mine = shown.errors[shown.errors["serial"] == finding.first_serial]
    if mine.empty:
        return None
    if mine["reworked"].any():
        # Its results are those after rework, and it moved before.
        return noticed.measured(shown, finding, finding.first_serial)
    found: datetime = mine["started_at"].min().to_pydatetime()
    return found


def what_now(shown: Shown, findings: Sequence[Signal]) -> None:
    """Lead to what is to be done first."""
    label, page, query = first_step(shown, findings)
    with st.container(key="first step", horizontal=True, gap="small"):
        if st.button(label, type="primary", key="do first"):
            st.switch_page(page, query_params=query)


def first_step(
    shown: Shown, findings: Sequence[Signal]
) -> tuple[str, str, dict[str, str]]:
    """Return what to do first: what the button says, and where it leads."""
    if findings and findings[0].holds:
        name = findings[0].signal
        return f"Work on finding {name}", address.PAGES["finding"], {"finding": name}
    if shown.standing:
        return "Decide on holds", "views/holds.py", {}
    if shown.doubted:
        return "Check the bench", "views/standard.py", {}
    if findings:
        name = findings[0].signal
        return f"Look at finding {name}", address.PAGES["finding"], {"finding": name}
    return "Measure the next unit", "views/bench.py", {}


def ways(shown: Shown) -> None:
    """Lead to ranges and builds by keyboard too, as a click on the map does."""
    with st.container(key="ways", horizontal=True, gap="small"):
        look.quiet("Open:")
        for one in shown.product.ranges:
            address.link(one.title, "range", one.key)
        for build in shown.recent["build"].tolist()[: -pictures.BUILDS_WIDE - 1 : -1]:
            address.link(build, "build", build)


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
    found: tuple[Any, dict[str, Any]] | None = data.doing()
    if found is not None:
        _, state = found
        look.quiet(" ".join(sentences.watching(state, said=said)))
        if said_of := sharing(state["sharing"]):
            look.quiet(" ".join(said_of))


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
    why: dict[str, list[Hold]] = {}
    for one in sorted(shown.standing, key=hold_order):
        reason = sentences.why_held(one, findings.get(one.signal or ""))
        why.setdefault(reason, []).append(one)
    lines = [
        f"{figures.capital(each)}: {reason}."
        for reason, holds in why.items()
        for each in sentences.held_together(holds)
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
        opening.form(alone=True)
        build = "B-1"
    else:
        build = shown.builds[-1]
        look.heading(f"1. Build {build} is open")
    part = next((one.part for one in shown.product.ranges if one.part), None)
    fitted = shown.fittings["reel"].nunique()
    if fitted:
        look.heading(f"2. {figures.counted(fitted, 'reel')} recorded for a part")
    elif part is not None:
        settings = shown.product.settings.parts[part]
        label = figures.labelled(settings.nominal_ohm, settings.tolerance_ppm)
        nominal = label.replace(" ", "")
        tolerance = figures.share_of(settings.tolerance_ppm).replace(" ", "")
        look.heading("2. Record the reels on the machine")
        st.page_link("views/reels.py", label="Record and fit a reel")
        st.code(
            f"holdpoint reel add K-101 --nominal {nominal} "
            f"--tolerance {tolerance}\n"
            f"holdpoint reel fit K-101 {part} --build {build}",
            language=None,
        )
    look.heading("3. Measure the first unit")
    st.page_link("views/bench.py", label="Go to the bench")
    typed = "" if shown.connection.settings.bench is not None else " --typed"
    st.code(f"holdpoint measure PA-0001{typed}", language=None)
    look.quiet(
        "The commands do the same as the pages. A check standard is asked for first, "
        "where bench.toml names one. No instruments at hand? holdpoint import FILE "
        "reads a spreadsheet, and holdpoint demo shows everything with a simulated "
        "bench."
    )


now()
