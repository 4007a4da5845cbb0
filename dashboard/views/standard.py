"""The check standard: does the bench read right, and which runs are in doubt."""

from dataclasses import asdict

import pandas as pd
import streamlit as st

from daemon.presentation import figures, plots, screens, standards
from dashboard import benches, charts, data, look, pictures

MEANING = (
    "A dot is a check: the check standard's error as read, less its known error. The "
    "lines are the expanded uncertainty of that difference (k = 2). The grey band, "
    "once there are eight good checks, is where the next should lie by what it did "
    "before. Checks of one session are joined: units between two of them met a bench "
    "between the two."
)

CHECKS = {
    "started_at": "measured", "difference_ppm": "read less known, ppm",
    "limit_ppm": "expanded uncertainty of it, ppm", "verdict": "verdict",
}  # fmt: skip
BESIDE = {
    "measured_at": "measured", "standard": "check standard",
    "difference_ppm": "read less known, ppm",
    "allowed_ppm": "expanded uncertainty of it, ppm",
}  # fmt: skip
NOT_BESIDE = (
    "They have not been run beside one another yet. A session opens with all of them."
)
MEANING_SEVERAL = (
    "A dot is a standard's error as read, less its error as it was known then. What "
    "the bench adds is the same for all that it reads in a row: lines that move "
    "together show the bench; a line that leaves the others shows that its "
    "standard has moved."
)
FIRST = "A session opens with it on every range."
ORDERED = "bench orders"
"""Key of a viewer's session: how often something was ordered here."""
ORDERS = {"Run the check standard now": "check", screens.END_SESSION: "end session"}


def standard() -> None:
    """Say whether the bench may judge, what is in doubt, and show the checks."""
    shown = data.followed()
    at = shown.connection
    bench = at.settings.bench
    if bench is None or bench.check_standard is None:
        look.say(
            "No check standard.",
            ["A drifting meter looks like a drifting product: name one in bench.toml."],
        )
        return
    known = bench.check_standard
    # Of the rows that all pages show: they stay while the daemon is away.
    doubts = shown.doubts
    runs = pd.DataFrame([asdict(one) for one in shown.runs_in_doubt])
    frame = plots.check_frame(shown.checks, known.error_ppm, known.uncertainty_ppm)
    titles = {one.key: one.title for one in at.product.ranges}
    first = [FIRST] if frame.empty else []
    look.say(_headline(frame, runs, titles), first)
    if not runs.empty:
        look.heading("In doubt", _doubted(doubts, runs))
        look.quiet(
            "A good check in the same session clears them. Else a person decides."
        )
        st.page_link("views/holds.py", label="Decide on runs in doubt")
    orders()
    several(shown, titles)
    drawn = [(key, frame[frame["range"] == key]) for key in titles]
    for key, mine in drawn:
        if not mine.empty:
            chart = plots.checks_of_range(
                mine, titles[key], look=look.current(), height=150
            )
            charts.plain(
                pictures.packed(chart),
                words=plots.checks_in_words(mine, titles[key]),
                key=f"check standard {key}",
                rows=mine,
                columns=CHECKS,
            )
    if not frame.empty:
        since, until = (
            look.moment(at.to_pydatetime())
            for at in (frame["started_at"].min(), frame["started_at"].max())
        )
        checks = figures.counted(frame["number"].nunique(), "check")
        look.quiet(f"{checks}, from {since} to {until}.", MEANING)
    benches.standard(shown)


def several(shown: data.Shown, titles: dict[str, str]) -> None:
    """Say what several standards tell of one another; nothing where there is one."""
    bench = shown.connection.settings.bench
    if bench is None or not bench.further_standards:
        return
    rows = shown.beside
    last = standards.latest(rows)
    look.heading(
        "Several standards",
        list(standards.standards_said(last, titles)) if last else [NOT_BESIDE],
    )
    if not last:
        return
    look.table(
        list(standards.BESIDE),
        [
            [one[key] for key in standards.BESIDE.values()]
            for one in standards.beside_rows(last, titles)
        ],
    )
    for key, title in titles.items():
        mine = pd.DataFrame(standards.over_time(rows, key))
        if mine.empty or mine["standard"].nunique() < 2 or mine["place"].max() < 2:  # noqa: PLR2004 -- a line needs two
            continue
        chart = plots.standards_of_range(mine, title, look=look.current(), height=130)
        charts.plain(
            pictures.packed(chart),
            words=f"Standards on range {title}, as the table says it.",
            key=f"standards {key}",
            rows=mine,
            columns=BESIDE,
        )
    when = look.moment(last[0].measured_at)
    look.quiet(f"Run beside one another, {when}.", MEANING_SEVERAL)


def orders() -> None:
    """Offer a check now, and the end of the session, while a bench is open."""
    found = data.doing()
    if found is None or found[1]["bench"] is None:
        return
    number = st.session_state.get(ORDERED, 0)
    with st.container(key="bench orders", horizontal=True, gap="small"):
        for title, work in ORDERS.items():
            # A second click on one button is known by its key.
            key = f"{work} {number}"
            st.button(title, key=key, on_click=order, args=(work, key))


def order(work: str, button: str) -> None:
    """Order it; the bench asks above for the standard to be connected."""
    once = data.once(button)
    if data.tried(lambda at: at.client.work(work, once=once)):
        st.session_state[ORDERED] = st.session_state.get(ORDERED, 0) + 1


def _headline(frame: pd.DataFrame, runs: pd.DataFrame, titles: dict[str, str]) -> str:
    if frame.empty:
        return "The check standard has not been run yet."
    last = frame[frame["number"] == frame["number"].max()]
    outside = [
        titles[key] for key in last.loc[last["verdict"] != "conforming", "range"]
    ]
    if outside:
        return f"Judge nothing: the bench reads wrong on {', '.join(outside)}."
    if not runs.empty:
        units = figures.counted(runs["serial"].nunique(), "unit")
        return f"The bench reads right, and {units} measured before stay in doubt."
    return "The bench reads right on every range."


def _doubted(doubts: pd.DataFrame, runs: pd.DataFrame) -> list[str]:
    reasons = doubts.set_index("doubt")["reason"]
    return [
        f"{', '.join(dict.fromkeys(mine['serial']))}: {reasons[name]}."
        for name, mine in runs.groupby("doubt", sort=False)
    ]


standard()
