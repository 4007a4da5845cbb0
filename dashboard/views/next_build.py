"""Before the next build: what must be measured, and what a check of some would miss."""

from collections.abc import Mapping
from datetime import date
from typing import Any

import pandas as pd
import streamlit as st

from config import Unit, parse, spell
from daemon.service import Home
from daemon.spc import Costs
from daemon.watch import (
    CHECKED,
    MISSED,
    SHIFTS,
    Outlook,
    RangeOutlook,
    limits_of,
    said_costs,
    said_missed,
    up_to,
)
from dashboard import charts, data, look, pictures, replaying
from dashboard.data import Shown
from storage import StorageError

LEARNT = "learnt before the next build"
MEANING = (
    "Each row is a bad reel, off by so much. Then: how many units must be measured so "
    "that it is missed in no more than 5 % of builds: the first with its parts, or "
    "any of the build. Then: how often it is missed where so few are measured, drawn "
    "at random. More: holdpoint whatif."
)
MOST_UNITS = 1000
"""Every number of units is tried: more would take longer than anybody waits."""
CURVES_MEANING = (
    "Upwards: in what share of builds nobody would notice it. The dotted line is the "
    f"most that is accepted, {100 * MISSED:g} %."
)
COSTS_MEANING = (
    "What a build is expected to cost, in tests and in bad units that leave. In "
    "brackets: how many units are measured. Enough: as many, drawn at random, as it "
    "takes to miss the reel in no more than 5 % of builds. What a held build costs is "
    "not counted."
)
MEANING_PAST = (
    "It goes through your own runs again: with every unit that was measured and "
    "today's plan, and as asked. Which units are measured is drawn at random, ten "
    "times, with the first one of each reel. Verdicts and decisions stay as they were "
    "recorded; nothing is kept. By command: holdpoint replay."
)
MEASURED = {
    "A share of each build": "--share",
    "A number of each build": "--checked",
    "As the plan says": "",
}
"""How many units are measured, with the option of `holdpoint replay`."""
EVERY_S = 1.0
"""How often it is said how far it is."""
NO_BREAK = "\N{NO-BREAK SPACE}"


def outlook(shown: Shown) -> Outlook:
    """Return what the rows teach, worked out anew only when rows changed."""
    kept: tuple[str, Outlook] | None = st.session_state.get(LEARNT)
    if kept is None or kept[0] != shown.stamp:
        known = shown.connection
        with st.spinner("Learning from what was measured"):
            limits = limits_of(Home.usual().data, known.settings)
            kept = (
                shown.stamp,
                Outlook.of(known.settings, known.store, own_limit=limits.serving),
            )
        st.session_state[LEARNT] = kept
    return kept[1]


def ahead(shown: Shown) -> None:
    """Ask for the build, and answer."""
    try:
        known = outlook(shown)
    except StorageError:
        look.quiet("The daemon does not answer; this needs it.")
        return
    look.say(
        known.checking(),
        (known.history,),
    )
    titles = {one.key: one for one in known.ranges}
    hardest = known.hardest().key
    asked = st.container(key="asked of it", width=720)
    key = asked.selectbox(
        "Range",
        options=list(titles),
        index=list(titles).index(hardest),
        format_func=lambda one: titles[one].title,
        key="ahead_range",
        help="The first shown is the one in which a bad reel is seen latest.",
    )
    left, right = asked.columns(2)
    build = int(
        left.number_input("Units in the build", 1, MOST_UNITS, 60, key="ahead_units")
    )
    carrying = int(
        right.number_input(
            "Of them with the new reel",
            1,
            build,
            max(1, build // 2),
            key="ahead_carrying",
        )
    )
    one = titles[key]
    look.quiet(
        "Units with parts of one reel differ by some "
        f"{spell(round(one.check.sigma_ppm), Unit.PPM)} (standard deviation), good "
        f"reels from one another by some "
        f"{spell(round(one.check.reel_sigma_ppm), Unit.PPM)}."
    )
    checked = tuple(number for number in CHECKED if number <= build) or (build,)
    look.heading(
        "How often a check would miss a reel",
        (
            (
                "Suppose that a bad reel comes and only some units are measured. To "
                "the right: how far its units read off, up to the error limit "
                f"{one.limit}, less the offset that they have."
            ),
            CURVES_MEANING,
        ),
    )
    rows_of = {
        shift: one.asked(
            parse(shift, Unit.PPM), build=build, carrying=carrying, checked=checked
        )
        for shift in SHIFTS
    }
    said = [told(shift, row, checked) for shift, row in rows_of.items()]
    charts.plain(
        pictures.missed(one, build=build, carrying=carrying, checked=checked),
        words="How often a check of some units misses a reel, by how far it is off; "
        "the table says the same.",
        key=f"missed {key}",
        rows=pd.DataFrame(said),
    )
    with st.expander("As a table"):
        table("asked", said)
        unsure = up_to(rows_of.values(), known.units, known.builds)
        look.quiet(MEANING if unsure is None else f"{MEANING} {unsure}")
    with st.expander("Costs"):
        priced(one, build, carrying)
    look.heading("When some are enough", known.to_some(build=build, carrying=carrying))
    look.heading("When all must be measured again", known.to_all())
    on_the_past(shown)


def table(key: str, rows: list[dict[str, str]]) -> None:
    """Show a plain table: its heads wrap, so that a phone shows every column."""
    with st.container(key=key):
        st.table(rows, border="horizontal", hide_index=True)


def priced(one: RangeOutlook, build: int, carrying: int) -> None:
    """Ask for costs, and say what measuring none, some and all would cost."""
    costs = asked_costs()
    if costs is None:
        look.quiet(
            "Give both costs to see what measuring none, some or all would cost."
        )
        return
    rows = []
    for shift in SHIFTS:
        row = one.asked(
            parse(shift, Unit.PPM), build=build, carrying=carrying, costs=costs
        )
        said = said_costs(row)
        rows.append(
            {
                "Off by": shift,
                "None": said["none"],
                "Enough": said["enough"],
                "Costs least": said["cheapest"],
                f"All {build}": said["all"],
            }
        )
    table("asked_costs", rows)
    look.quiet(COSTS_MEANING)


def on_the_past(shown: Shown) -> None:
    """Ask for a plan, try it on what was measured, and say what came of it."""
    look.heading(
        "What a plan would have done so far",
        ["What it would have held, missed and cost on your own units."],
    )
    # The first has words to show whole, the others a number or a day.
    one, two, three, four = st.columns([5, 3, 4, 4], vertical_alignment="bottom")
    how = MEASURED[one.selectbox("Measure", list(MEASURED), key="past_how")]
    if how == "--share":
        two.number_input("Percent", 1, 100, 20, key="past_share")
    elif how:
        two.number_input("Units", 1, MOST_UNITS, 5, key="past_units")
    three.date_input("Plan in force on", None, key="past_plan")
    four.date_input("Builds begun since", None, key="past_since")
    st.button(
        "Try it on what was measured",
        key="past_try",
        on_click=try_plan,
        args=(shown.stamp,),
    )
    look.quiet(MEANING_PAST)
    what_came_of_it()


def try_plan(stamp: str) -> None:
    """Try what stands in the form now: it may have been typed with this very click."""
    at = st.session_state
    how = MEASURED[at["past_how"]]
    words: list[str] = []
    if how == "--share":
        words += [how, f"{at['past_share'] / 100:g}"]
    elif how:
        words += [how, str(at["past_units"])]
    for option, key in (("--plan-of", "past_plan"), ("--since", "past_since")):
        day: date | None = at[key]
        words += [] if day is None else [option, day.isoformat()]
    replaying.begin(tuple(words), stamp)


@st.fragment(run_every=EVERY_S)
def what_came_of_it() -> None:
    """Say how far it is, then what a plan would have done."""
    trial = replaying.last()
    if trial is None:
        return
    if trial.problem is not None:
        look.stands_out(f"It was not tried: {trial.problem.rstrip('.')}.")
        return
    if trial.found is None:
        st.progress(
            trial.done / max(trial.of, 1),
            text=f"Going through your runs again, {trial.done} of {trial.of}"
            if trial.of
            else "Reading what was measured",
        )
        return
    now = data.shown()
    if now is not None and now.stamp != trial.stamp:
        look.stands_out("More was recorded since. Try it again to count that too.")
    found = trial.found
    test, escape = (
        float(st.session_state.get(key, 0.0)) for key in ("ahead_test", "ahead_escape")
    )
    look.lines(found.head())
    look.table(
        found.heads,
        [
            [row["what"], row["whole"], row["asked"]]
            for row in found.rows((test, escape) if test and escape else None)
        ],
    )
    look.lines(*found.sentences())
    if trial.asked:
        look.quiet(f"Asked: holdpoint replay {' '.join(trial.asked)}")


def asked_costs() -> Costs | None:
    """Ask what a test and an escape cost; None while nobody said."""
    of_test, of_escape, of_builds = st.columns(3)
    test = of_test.number_input("Of measuring a unit", 0.0, 1e9, 0.0, key="ahead_test")
    escape = of_escape.number_input(
        "Of a bad unit shipped", 0.0, 1e9, 0.0, key="ahead_escape"
    )
    builds = of_builds.number_input(
        "A bad reel comes in one of so many builds",
        2.0,
        1e6,
        50.0,
        key="ahead_builds",
    )
    if test == 0.0 or escape == 0.0:
        return None
    return Costs(test=test, escape=escape, bad_share=1.0 / builds)


def told(
    shift: str, row: Mapping[str, Any], checked: tuple[int, ...]
) -> dict[str, str]:
    """Return a row of the table in words."""
    said = {
        "Off by": shift,
        "Needs its first": str(row["units_of_the_reel"] or "more"),
        "Or any": str(row["units_at_random"] or "more"),
    }
    return said | {
        # A phone breaks it into lines, and parts no number from its sign.
        f"Any {number} miss": said_missed(row, number).replace(" %", f"{NO_BREAK}%")
        for number in checked
    }


ahead(data.here())
