"""One build: live while it runs, units against limits, yield, comparison, hold."""

from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

import pandas as pd
import streamlit as st

from daemon.holds import offered_ends
from daemon.presentation import builds, capital, sentences
from daemon.spc import SpcError, against_earlier
from daemon.traceability.papers import Of
from dashboard import (
    address,
    charts,
    data,
    documents,
    hold_form,
    look,
    opening,
    pictures,
    who,
)
from dashboard.data import Shown
from storage import BuildState, HoldState, Scope, StorageError, concerns

EVERY_S = 1.0
EARLIER = 12
COMPARED = {
    "range": "Range", "shift": "Shift", "interval": "95 % interval",
    "spread": "Spread", "of_spread": "95 % interval of it", "what": "In words",
}  # fmt: skip
AT_WORK = {"measuring", "checking"}


def one() -> None:
    """Show one build, chosen by the address."""
    shown = data.followed()
    if not shown.builds:
        look.say("No build is open yet.")
        opening.form(alone=True)
        return
    with st.container(key="subject", width=360):
        name = address.choose(
            "Build",
            "build",
            shown.builds[::-1],
            otherwise=running(shown) or latest(shown),
            many=True,
        )
    state = state_of(shown, name)
    rows = pictures.results_of(shown, name)
    if rows.empty:
        look.say(
            builds.headline(state, shown.stays(name)),
            ["No unit of it has been measured yet."],
        )
        live(name, state, [])
        papers(name)
        return
    drawn = pictures.of_build(shown, name)
    # What may grow stands in a place of its own, so that forms below keep theirs.
    with st.container():
        look.say(builds.headline(state, shown.stays(name)), standing(shown, name))
        starts = rows.drop_duplicates("serial")["started_at"].sort_values()
        live(name, state, [one.timestamp() for one in starts])
        figures_of(shown, name, state)
        look.heading("Units by ranges, as a share of the limit")
        charts.show(
            drawn.specs,
            words=f"{builds.headline(state, shown.stays(name))} {builds.SHARES}",
            key=f"build {name}",
            rows=drawn.rows,
            columns=drawn.columns,
            clicks=True,
        )
        look.quiet(builds.SHARES)
        compared(shown, name, rows)
    held(shown, name)
    papers(name)


def running(shown: Shown) -> str | None:
    """Return the build that the bench is at; None where it is at none."""
    found = data.doing()
    name = None if found is None else found[1]["build"]
    return name if name in shown.builds else None


def latest(shown: Shown) -> str:
    """Return the newest build of which a unit was measured, else the newest."""
    measured = [each.build for each in shown.states if each.units]
    return measured[-1] if measured else shown.builds[-1]


def state_of(shown: Shown, name: str) -> BuildState:
    """Return how a build stands."""
    for each in shown.states:
        if each.build == name:
            return each
    (found,) = data.told(
        shown, BuildState, "builds", product=shown.connection.name, build=name
    )
    return found


def standing(shown: Shown, name: str) -> list[str]:
    """Say what was found on the build."""
    again = shown.good_again
    return [
        f"{capital(sentences.reads(each, reworked=again.get(each.signal)))}."
        for each in shown.current
        if each.build == name
    ]


@st.fragment(run_every=EVERY_S)
def live(name: str, state: BuildState, starts_s: list[float]) -> None:
    """Say what the bench does with this build, how fast, and how long it takes."""
    found = data.doing()
    if found is None:
        return
    connection, now = found
    at_work = now["build"] == name and now["phase"] in AT_WORK
    planned = state.planned_units
    left = None if planned is None else max(0, planned - state.units)
    if not at_work:
        if left and starts_s:
            age = datetime.now(UTC) - datetime.fromtimestamp(max(starts_s), UTC)
            look.quiet(
                f"{builds.last_seen(age)} {builds.pace(builds.pace_s(starts_s), left)}"
            )
        return
    if planned:
        st.progress(min(1.0, state.units / planned))
    with st.container(key="running"):
        look.figures(list(running_now(now, connection.product)))
    look.lines(builds.pace(builds.pace_s(starts_s), left))


def running_now(now: Mapping[str, Any], product: Any) -> Iterator[tuple[str, str]]:
    """Yield the unit, the range and the point that is being read."""
    yield f"unit, {now['phase']}", str(now["serial"])
    if now["range"]:
        yield "range", product.range(now["range"]).title
        yield "points read", f"{now['done']} of {now['points']}"
    keys = product.keys
    if now["range"] in keys:
        place = list(keys).index(now["range"]) + 1
        yield "ranges of the unit", f"{place} of {len(keys)}"


def figures_of(shown: Shown, name: str, state: BuildState) -> None:
    """Write how many were measured and how many passed."""
    with suppress(StorageError):
        found = data.asked(shown, "yields", build=name)
        final = None if found.empty else float(found["final_yield"].iloc[0])
        first = None if found.empty else found["first_pass_yield"].iloc[0]
        reworked = 0 if found.empty else int(found["reworked"].iloc[0])
        measured = str(state.units)
        if state.planned_units:
            measured += f" of {state.planned_units}"
        look.figures(
            [
                ("units measured", measured),
                *builds.yields(None if pd.isna(first) else float(first), final),
                ("units reworked", str(reworked)),
            ]
        )


def compared(shown: Shown, name: str, rows: pd.DataFrame) -> None:
    """Compare the build, range by range, with those before it."""
    look.heading("Against earlier builds")
    earlier = earlier_of(shown, name)
    lines = []
    number = 0
    for each in shown.product.ranges:
        mine = rows.loc[rows["range"] == each.key, "error_ppm"]
        others = [
            units["error_ppm"].to_numpy()
            for _, units in earlier[earlier["range"] == each.key].groupby("build")
        ]
        try:
            found = against_earlier(mine.to_numpy(), others)
        except SpcError:
            continue
        number = max(number, found.builds)
        shift, interval = builds.shifted(found.shift, found.shift_low, found.shift_high)
        ratio, of_ratio = builds.widened(found.ratio, found.ratio_low, found.ratio_high)
        notes = [
            word
            for word, there in (
                (builds.moved(found.usual), found.moved),
                ("spread differs", found.wider),
            )
            if there
        ]
        lines.append(
            {
                "range": each.title,
                "shift": shift,
                "interval": interval,
                "spread": ratio,
                "of_spread": of_ratio,
                "what": ", ".join(notes) or "as usual",
            }
        )
    if not lines:
        look.lines(builds.NO_EARLIER if earlier.empty else builds.TOO_FEW)
        return
    look.table(
        list(COMPARED.values()), [[each[key] for key in COMPARED] for each in lines]
    )
    look.quiet(
        builds.COMPARED.format(builds=f"{number} builds" if number > 1 else "build")
    )


def earlier_of(shown: Shown, name: str) -> pd.DataFrame:
    """Return the latest results of builds before one, of the newest that are read.

    Of a build older than those, of the builds opened just before it.
    """
    order = {build: place for place, build in enumerate(shown.builds)}
    if name in set(shown.errors["build"]):
        before = shown.errors["build"].map(order) < order[name]
        return shown.errors[before]
    place = order[name]
    near = shown.builds[max(0, place - EARLIER // 3) : place]
    found = [data.asked(shown, "latest_errors", build=each) for each in near]
    return pd.concat(found) if found else shown.errors.iloc[:0]


def held(shown: Shown, name: str) -> None:
    """Show what holds the build, and the way out of each."""
    fitted = shown.fittings
    reels = set(fitted.loc[fitted["build"] == name, "reel"])
    rows = pictures.results_of(shown, name)
    serials = set(rows["serial"])
    mine = [each for each in shown.standing if on_build(each, name, reels, serials)]
    look.heading("Hold and its way out")
    if not mine:
        look.lines("Nothing of this build is held.")
        return
    findings = {each.signal: each for each in shown.findings}
    raised = {each.signal: each for each in shown.raised}
    with st.container(key="who", width=360):
        who.choose(shown.connection.settings.plan.people)
    at = shown.connection
    offers = offered_ends(at.store, at.name, mine, shown.raised, shown.findings)
    led: set[str] = set()
    for each in mine:
        finding = findings.get(each.signal or "")
        why = sentences.why_held(each, finding)
        look.lines(
            f"{capital(sentences.held(each))}, since {look.moment(each.placed_at)}: "
            f"{why}."
        )
        if finding is not None and finding.signal not in led:
            led.add(finding.signal)
            address.link(f"Open finding {finding.signal}", "finding", finding.signal)
        offer = offers.get(each.hold)
        hold_form.form(
            f"End the hold on {sentences.held(each)}",
            each,
            raised.get(each.signal or ""),
            offer,
        )


def on_build(hold: HoldState, name: str, reels: set[str], serials: set[str]) -> bool:
    """Whether a hold stands on a build, a reel in it or a unit of it."""
    if hold.scope is Scope.BUILD:
        return hold.subject == name
    return any(
        concerns(hold, serial=each, build=name, reels=reels)
        for each in (serials or {""})
    )


def papers(name: str) -> None:
    """Offer the build's documents."""
    look.heading("Papers", printed=False)
    documents.offer(documents.every(Of.BUILD, name), key="build")


one()
