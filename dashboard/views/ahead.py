"""Before the next build: what must be measured, and what a check of some would miss."""

import streamlit as st

from config.quantity import Unit, parse, spell
from daemon.foresight import CHECKED, RARE, SHIFTS, Outlook, RangeOutlook
from daemon.home import Home
from daemon.limits import limits_of
from daemon.spc.spot_check import Costs
from dashboard import data, look
from dashboard.data import Shown
from storage.errors import StorageError

LEARNT = "learnt before the next build"
MEANING = (
    "A reel whose parts are off by so much needs so many of its first units measured, "
    "or so many units of the build drawn at random, to be missed in no more than 5 % "
    "of builds; beside it, how often a check of a few at random misses it. More: "
    "holdpoint whatif."
)


def outlook(shown: Shown) -> Outlook:
    """Return what the rows teach, worked out anew only when rows changed."""
    kept: tuple[str, Outlook] | None = st.session_state.get(LEARNT)
    if kept is None or kept[0] != shown.stamp:
        known = shown.connection
        with st.spinner("Learning from what was measured"):
            limits = limits_of(Home.usual(), known.settings)
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
        (
            f"Learnt from {known.units} units of {known.builds} builds.",
            known.history,
        ),
    )
    titles = {one.key: one for one in known.ranges}
    hardest = known.hardest().key
    key = st.selectbox(
        "Range",
        options=list(titles),
        index=list(titles).index(hardest),
        format_func=lambda one: titles[one].title,
        key="ahead_range",
        help="At first the one in which a bad reel is seen last.",
    )
    left, right = st.columns(2)
    build = int(
        left.number_input("Units in the build", 1, 100_000, 60, key="ahead_units")
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
        f"Units of one reel scatter by {spell(round(one.check.sigma_ppm), Unit.PPM)}, "
        f"good reels by {spell(round(one.check.reel_sigma_ppm), Unit.PPM)}."
    )
    costs = asked_costs()
    # A plain table: its heads wrap, so that a phone shows every column.
    with st.container(key="asked"):
        st.table(
            [told(one, shift, build, carrying, costs) for shift in SHIFTS],
            border="horizontal",
            hide_index=True,
        )
    look.quiet(MEANING)


def asked_costs() -> Costs | None:
    """Ask what a test and an escape cost; None while nobody said."""
    with st.expander("Costs"):
        test = st.number_input("Of measuring a unit", 0.0, 1e9, 0.0, key="ahead_test")
        escape = st.number_input(
            "Of a bad unit shipped", 0.0, 1e9, 0.0, key="ahead_escape"
        )
        builds = st.number_input(
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
    one: RangeOutlook, shift: str, build: int, carrying: int, costs: Costs | None
) -> dict[str, str]:
    """Return a row of the table in words."""
    checked = tuple(number for number in CHECKED if number <= build)
    row = one.asked(
        parse(shift, Unit.PPM),
        build=build,
        carrying=carrying,
        checked=checked,
        costs=costs,
    )
    said = {
        "Off by": shift,
        "Needs its first": str(row["units_of_the_reel"] or "more"),
        "Or any": str(row["units_at_random"] or "more"),
    }
    for number in checked:
        missed = row[f"missed_by_{number}"]
        said[f"Any {number} miss"] = (
            "< 0.1 %" if missed < RARE else f"{100 * missed:.1f} %"
        )
    if costs is not None:
        said["Costs least"] = str(row["cheapest"])
    return said


ahead(data.here())
