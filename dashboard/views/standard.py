"""The check standard: does the bench read right, and which runs are in doubt."""

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, date, datetime

import pandas as pd
import streamlit as st

from config import Bench, HoldpointError, KnownStandard, Unit, load, parse
from daemon.presentation import figures, plots, screens, standards
from daemon.service import Home
from daemon.traceability import standard_values
from dashboard import benches, charts, data, look, pictures, who

MEANING = (
    "A dot is a check: the check standard's error as read, less its known error. The "
    "lines are the expanded uncertainty of that difference (k = 2). The grey band, "
    "once there are eight good checks, is where the next should lie by what it did "
    "before. Checks of one session are joined: units between two of them met a bench "
    "between the two."
)

CHECKS = {
    "started_at": "measured", "difference_ppm": "read less known, ppm",
    "known_ppm": "known, ppm", "limit_ppm": "expanded uncertainty of it, ppm",
    "verdict": "verdict",
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
ASSIGNED = "assigned"
"""Key of a viewer's session: how often values were assigned here, and what was said."""
MEANING_VALUES = (
    "What was judged before keeps the values of its time. The next check compares with "
    "the new ones, in a session of its own: the one that is open is ended."
)
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
    frame = plots.check_frame(shown.checks, known, at.then.of)
    titles = {one.key: one.title for one in at.product.ranges}
    first = [FIRST] if frame.empty else []
    look.say(_headline(frame, runs, titles), first)
    if not runs.empty:
        look.heading("In doubt", _doubted(doubts, runs))
        look.quiet(
            "A good check in the same session clears them. Else a person decides."
        )
        st.page_link("views/holds.py", label="Decide on runs in doubt")
    for text in otherwise():
        look.stands_out(text)
    orders()
    several(shown, titles)
    drawn = [(key, frame[frame["range"] == key]) for key in titles]
    for key, mine in drawn:
        if not mine.empty:
            steps = _steps(shown, key, mine["started_at"].min(), {known.serial})
            chart = plots.checks_of_range(
                mine, titles[key], steps=steps, look=look.current(), height=150
            )
            charts.plain(
                pictures.packed(chart),
                words=plots.checks_in_words(mine, titles[key], steps),
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
    values(shown, bench, titles)
    benches.standard(shown)


def otherwise() -> tuple[str, ...]:
    """Return of which standards the bench file says something else."""
    found = data.doing()
    return () if found is None else tuple(found[1].get("standards_otherwise", ()))


def _steps(
    shown: data.Shown, key: str, since: datetime, serials: set[str]
) -> list[tuple[datetime, str]]:
    """Return when standards were assigned another value since then, and why."""
    steps = standards.steps_of(shown.assigned, key, serials)
    return [one for one in steps if one[0] >= since]


def values(shown: data.Shown, bench: Bench, titles: Mapping[str, str]) -> None:
    """Show the values in force, and let a named person assign others."""
    look.heading("Values in force")
    rows = standards.in_force_rows(
        bench.standards, shown.assigned, titles, when=look.moment
    )
    _table(standards.IN_FORCE, rows)
    if shown.assigned:
        look.heading("Assigned anew")
        rows = standards.assigned_rows(shown.assigned, titles, when=look.moment)
        _table(standards.ASSIGNED, rows)
    times, told = st.session_state.get(ASSIGNED, (0, ()))
    if told:
        look.lines(*told)
    if (text := data.said()) is not None:
        look.stands_out(text)
    with st.expander("Assign other values"):
        look.quiet(MEANING_VALUES)
        _ask_values(bench, titles, times, shown.connection.settings.plan.people)


def _table(columns: Mapping[str, str], rows: list[dict[str, str]]) -> None:
    look.table(list(columns), [[one[key] for key in columns.values()] for one in rows])


def _ask_values(
    bench: Bench, titles: Mapping[str, str], times: int, people: tuple[str, ...]
) -> None:
    """Ask for a standard's new values, why, and who assigns them."""
    by_serial = {one.serial: one for one in bench.standards}
    first, second = st.columns(2)
    with first:
        who.choose(people)
    serial = second.selectbox(
        "Check standard", list(by_serial), key=f"standard {times}"
    )
    one = by_serial[serial]
    look.quiet("A field that is left empty keeps its value.")
    known = {key: title for key, title in titles.items() if key in one.error_ppm}
    for column, (key, title) in zip(
        st.columns(max(len(known), 2)), known.items(), strict=False
    ):
        column.text_input(
            f"Known error on {title}",
            key=f"known {key} {serial} {times}",
            placeholder=standards.known_said(
                one.error_ppm[key],
                one.uncertainty_ppm,
                beside_ppm=one.error_ppm.values(),
            ),
        )
    left, middle, right, last = st.columns(4, vertical_alignment="bottom")
    left.text_input(
        "Standard uncertainty",
        key=f"uncertainty {times}",
        placeholder=f"{one.uncertainty_ppm:g} ppm",
    )
    middle.text_input(
        "Certificate", key=f"certificate {times}", placeholder=one.certificate or ""
    )
    right.date_input("Calibrated", value=None, key=f"calibrated {times}")
    last.date_input("Due", value=None, key=f"due {times}")
    st.text_input(
        "Reason", key=f"reason {times}", placeholder="calibrated anew, certificate 117"
    )
    st.button(
        "Assign these values",
        type="primary",
        key=f"assign {times}",
        on_click=_assign,
        args=(one, tuple(known), times),
    )


def _assign(one: KnownStandard, ranges: tuple[str, ...], times: int) -> None:
    """Assign what stands in the form; say what came of it."""
    person = who.chosen()
    if person is None:
        data.refuse("Choose who decides first")
        return

    def typed(name: str) -> str:
        return str(st.session_state.get(f"{name} {times}") or "").strip()

    def day(name: str) -> date | None:
        found: date | None = st.session_state.get(f"{name} {times}")
        return found

    given = {key: typed(f"known {key} {one.serial}") for key in ranges}
    uncertain = typed("uncertainty")
    told: list[str] = []

    def keep(at: data.Connection) -> None:
        settings = load(Home.usual().folder)
        row = standard_values.assign(
            at.store,
            settings,
            one.serial,
            error_ppm=standard_values.values_typed(
                settings, {key: text for key, text in given.items() if text}
            ),
            uncertainty_ppm=parse(uncertain, Unit.PPM) if uncertain else None,
            certificate=typed("certificate") or None,
            calibrated_at=day("calibrated"),
            calibration_due=day("due"),
            person=person,
            reason=typed("reason"),
            at=datetime.now(UTC),
        )
        told.append(
            f"{row.serial} has other values from now on, assigned by {row.person}."
        )

    try:
        if data.tried(keep):
            st.session_state[ASSIGNED] = times + 1, tuple(told)
    except HoldpointError as exc:
        data.refuse(str(exc))


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
        steps = _steps(
            shown, key, mine["measured_at"].min(), {*mine["standard"].unique()}
        )
        chart = plots.standards_of_range(
            mine, title, steps=steps, look=look.current(), height=130
        )
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
