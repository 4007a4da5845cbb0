"""Try it: plant a fault on the simulated bench, and see when it is noticed."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import streamlit as st

from daemon.presentation import figures, planted, sentences
from daemon.service import Hands, HandsError, Home, hands_of, note_planted
from daemon.traceability import kitting
from dashboard import data, look
from storage import Build, Signal, Unit

BEGIN = "TRY-"
"""Begin of the names of builds that are made to try."""
UNITS, MOST_UNITS = 10, 60
ORDERED = "tried orders"
"""Key of a viewer's session: how often something was planted or ordered."""
KINDS = {
    "reel": "A reel that is off",
    "two reels": "Two reels at once",
    "slip": "One unit is seated badly",
    "meter": "The output meter steps",
}
ELSEWHERE = (
    "This page makes a simulated bench go wrong, and here none runs. `holdpoint demo` "
    "shows one; `holdpoint daemon --simulated` plays a bench of your own product."
)
MEANING = (
    "What you plant comes with a new unit, and nothing tells the program of it. Units "
    "are made when they are ordered. Where the bench asks for something, such as to "
    "seat a unit again, its question comes at the top of this page."
)
OWN_BUILDS = (
    "This page measures in builds of its own, such as TRY-1, but what you plant also "
    "comes in new units that you measure elsewhere, until you begin anew with good "
    "reels below."
)
BUSY = "The bench still measures the demo's own units. This page waits for their end."


def try_it() -> None:
    """Show the forms and what came of them."""
    hands = hands_of(Home.usual())
    if hands is None:
        look.say("Nothing can be tried here.", [ELSEWHERE])
        return
    with hands:
        shown = data.followed()
        try:
            left = int(hands.state()["left"])
            there = hands.planted()
            note_planted(Home.usual(), there)
        except HandsError as exc:
            look.say("Nothing can be tried here.", [str(exc)])
            return
    if left:
        look.say("Wait a moment.", [BUSY])
        return
    build = _build(shown)
    look.say(
        "Plant a fault, measure units, and see when it is noticed.",
        [MEANING, OWN_BUILDS],
    )
    _plant(shown)
    _measure(build)
    _came_of_it(shown, there, build)


def _build(shown: data.Shown) -> str | None:
    """Return the newest build that was opened to try."""
    mine = [one for one in shown.builds if one.startswith(BEGIN)]
    return mine[-1] if mine else None


def _plant(shown: data.Shown) -> None:
    ranges = {one.key: one.title for one in shown.product.ranges if one.part}
    look.heading("Plant")
    with st.container(key="plant", width=560):
        kind = st.selectbox(
            "What", list(KINDS), format_func=KINDS.__getitem__, key="kind"
        )
        first = None
        if kind != "meter":
            first = st.selectbox(
                "Range", list(ranges), format_func=ranges.__getitem__, key="first range"
            )
        if kind == "two reels":
            others = [one for one in ranges if one != first]
            st.selectbox(
                "Second range",
                others,
                format_func=ranges.__getitem__,
                key="second range",
            )
        left, right = st.columns(2, gap="small")
        left.number_input(
            "Reads off by, %", min_value=-20.0, max_value=20.0, value=0.3,
            step=0.1, format="%.2f", key="size",
        )  # fmt: skip
        right.number_input(
            "From which new unit on (the next is 1)", min_value=1,
            max_value=MOST_UNITS, value=4, step=1, key="from unit",
        )  # fmt: skip
        _button("Plant it", _do_plant)


def _do_plant() -> None:
    kind = st.session_state["kind"]
    size_ppm = 1e4 * float(st.session_state["size"])
    after = int(st.session_state["from unit"]) - 1
    ranges = [st.session_state.get("first range", "")]
    if kind == "two reels":
        ranges.append(st.session_state["second range"])

    def plant(hands: Hands) -> None:
        for one in [""] if kind == "meter" else ranges:
            name = "reel" if kind == "two reels" else kind
            hands.plant(name, one, size_ppm, after=after)

    _by_hands(plant)


def _by_hands(act: Any) -> None:
    data.remarks().forget()
    hands = hands_of(Home.usual())
    if hands is None:
        data.refuse("The simulated bench has ended")
        return
    with hands:
        try:
            act(hands)
            note_planted(Home.usual(), hands.planted())
        except HandsError as exc:
            data.refuse(str(exc))
            return
    _counted()


def _measure(build: str | None) -> None:
    look.heading("Measure")
    found = data.doing()
    waiting = 0 if found is None else int(found[1]["waiting"])
    if waiting:
        look.lines(f"{figures.counted(waiting, 'unit')} still to be measured.")
    with st.container(key="units to try", width=560):
        st.number_input(
            "New units", min_value=1, max_value=MOST_UNITS, value=UNITS, step=1,
            key="new units",
        )  # fmt: skip
        _button("Measure them", _do_measure, build, disabled=bool(waiting))
        if build is not None:
            _button("Begin anew, with good reels", _do_begin, disabled=bool(waiting))


def _do_measure(build: str | None) -> None:
    number = int(st.session_state["new units"])

    def order(at: data.Connection) -> None:
        name = build or _opened(at, [])
        units = len(at.store.rows(Unit, build=name))
        for place in range(units + 1, units + 1 + number):
            at.client.measure(build=name, serial=f"{name}-{place:03d}")

    if data.tried(order):
        _counted()


def _do_begin() -> None:
    _by_hands(Hands.make_good)

    def begin(at: data.Connection) -> None:
        _opened(at, [one.build for one in at.store.rows(Build, product=at.name)])

    data.tried(begin)


def _opened(at: data.Connection, known: Sequence[str]) -> str:
    """Open the next build to try, and return its name."""
    number = 1 + sum(one.startswith(BEGIN) for one in known)
    name = f"{BEGIN}{number}"
    kitting.open_build(
        at.store, at.name, name, planned_units=None, at=datetime.now(UTC)
    )
    return name


def _came_of_it(
    shown: data.Shown, there: Sequence[Mapping[str, Any]], build: str | None
) -> None:
    look.heading("What came of it")
    if not there:
        look.lines("Nothing is planted.")
    titles = {one.key: one.title for one in shown.product.ranges}
    for one in there:
        look.lines(planted(one, titles.get(str(one["range"]), "")))
    said = [one for one in shown.findings if one.build == build]
    if build is None or not said:
        look.lines("Nothing was noticed.")
        return
    for finding in said:
        _noticed(finding)


def _noticed(one: Signal) -> None:
    words = sentences.finding(one)
    text = f"Noticed at unit {one.raised_serial}: {words.headline}"
    if one.standing and one.holds:
        look.stands_out(text)
    else:
        look.lines(text if one.standing else f"{text} {sentences.withdrawn(one)}")
    look.quiet(*words.lines)


def _button(title: str, act: Any, *args: Any, disabled: bool = False) -> None:
    # A second click on one button is known by its key.
    count = st.session_state.get(ORDERED, 0)
    st.button(title, key=f"{title} {count}", on_click=act, args=args, disabled=disabled)


def _counted() -> None:
    st.session_state[ORDERED] = st.session_state.get(ORDERED, 0) + 1


try_it()
