"""Bench: measure the next unit, by the instruments or by hand."""

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import uuid4

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from config import Beside, Unit, meters_words, spell
from daemon.judging import ProductModel, asked, line_of, question
from daemon.presentation import figures, screens, spans
from daemon.service import RefusedOrderError
from daemon.station import NEW_SETUP
from dashboard import at_rest, data, live, look, opening, scanner
from dashboard.typed import (
    Texts,
    Understood,
    UnderstoodCheck,
    understood,
    understood_checks,
)
from storage import StorageError

EVERY_S = 1.0
# Keys of a viewer's session: what was ordered; typed readings, understood or not;
# whether the daemon had a bench when it last answered.
ORDERS, CHECKED, FAULTS, HAS_BENCH = "orders", "checked", "faults", "has bench"
# Which build was the newest at the last look; which was opened elsewhere meanwhile.
NEWEST, FOLLOWED = "newest build", "followed build"
# The session of the bench that was open last.
SESSION = "session of the bench"
# What the daemon does, as it was said last: nothing on the page is ahead of that.
LOOKED = "looked"
SHOWN_ORDERS = 12
BEFORE = "This unit was measured before."
ENDED = {"done", "failed"}
NEAR = (
    "Source at zero and off before you touch leads, boards or the range switch: an "
    "opened loop drives the source to its compliance voltage."
)
CAUTIONS = (
    "Source off now is no emergency stop, and software-off is no isolation: have a "
    "hardware disconnect within reach. Never leave powered boards unsupervised. Solder "
    "and measure ohms only on unpowered boards, battery out, capacitors discharged. "
    "Local codes and licensed practice come first."
)


def main() -> None:
    """Show the page."""
    page = data.here()
    now()
    if not page.builds:
        look.heading("Open a build first")
        opening.form(alone=True)
        return
    left, right = st.columns(2, gap="large")
    with left:
        by_instruments()
        look.quiet(NEAR, CAUTIONS)
        instruments()
    with right:
        by_hand()


@st.fragment(run_every=EVERY_S)
def now() -> None:
    """Say what the bench does and asks for, and what it reads."""
    found = data.doing()
    if found is None:
        look.say(f"{screens.GONE}.", [screens.TYPED_STAYS])
        return
    connection, state = found
    st.session_state[LOOKED] = state
    words = ("See the alarm above first.", []) if state["alarm"] else live.doing(state)
    if state["live"]:
        look.say(
            *words,
            over=screens.last_read(state["serial"], where(state, connection.product)),
            named=last_read(state["live"], connection.product),
        )
    else:
        look.say(*words)
    with place_for(state["prompt"]):
        if state["prompt"] is not None:
            live.prompt(state["prompt"], state["order"])
            if state["prompt"]["by_scan"]:
                look.quiet(screens.SCAN_CONFIRMS)
    with place_for(state["remarks"]):
        for remark in state["remarks"]:
            look.stands_out(remark)
    with place_for(state["live"]):
        if state["live"]:
            at_rest.show(state, connection.product)
    if state["reopened"]:
        look.quiet(screens.reopened(state["reopened"], state["lost"]))


def place_for(what: object) -> DeltaGenerator:
    """Return a part of the page; where there is nothing to show, an empty one.

    What is left out of a page goes only once all of it is drawn, seconds after the
    words above on a slow machine; what is made empty goes at once.
    """
    return st.container() if what else st.empty()


def where(state: dict[str, Any], product: ProductModel) -> str:
    """Return which level of which range was read last."""
    title = product.range(state["range"]).title
    return screens.level_read(title, state["level"], state["levels"])


def last_read(read: dict[str, float], product: ProductModel) -> list[tuple[str, str]]:
    """Return the last readings, named, to six digits."""
    into = Unit(product.settings.input_unit)
    out_of = Unit(product.settings.output_unit)
    return [
        (name, spell(float(f"{read[key]:.6g}"), unit).replace("-", figures.MINUS))
        for name, key, unit in (
            ("source was set to", "level", into),
            ("reference", "reference", into),
            ("output", "output", out_of),
        )
    ]


@st.fragment(run_every=EVERY_S)
def instruments() -> None:
    """List the instruments of the session that is being measured."""
    found = data.doing()
    if found is None or found[1]["session"] is None:
        return
    connection, state = found
    rows = connection.store.table(
        "bench_instrument", session=state["session"]
    ).to_pylist()
    if rows:
        look.heading("Instruments of this session", [line_of(one) for one in rows])


@st.fragment(run_every=EVERY_S)
def by_instruments() -> None:
    """Take orders by scanner, keyboard or button; say what became of all orders."""
    builds = data.here().builds
    if (found := data.doing()) is not None:
        st.session_state[HAS_BENCH] = found[1]["bench"] is not None
    has_bench = st.session_state.get(HAS_BENCH, False)
    orders: list[dict[str, Any]] = st.session_state.setdefault(ORDERS, [])
    look.heading("By the instruments" if has_bench else "Into which build")
    into_build(builds)
    after_rework(orders, has_bench=has_bench)
    place_of_field = place_for(has_bench)
    first = max(0, len(orders) - SHOWN_ORDERS)
    orders[first:] = [
        one if one["state"] in ENDED else followed(one) for one in orders[first:]
    ]
    now_done = st.session_state.get(LOOKED)
    mine = of_now(orders[first:], now_done)
    look.lines(*(result(one, now_done) for one in reversed(mine)))
    again(mine)
    if has_bench:
        # It stands above, and comes last: once it has its answer the next scans are
        # sent, and what is not drawn by then is never drawn.
        with place_of_field:
            take_scans(orders)


def of_now(
    orders: Sequence[dict[str, Any]], now_done: dict[str, Any] | None
) -> list[dict[str, Any]]:
    """Return the orders that did not end in a session before the latest one.

    What went wrong in an earlier session says nothing of the bench as it is now.
    """
    latest = (now_done or {}).get("session") or st.session_state.get(SESSION)
    st.session_state[SESSION] = latest
    for one in orders:
        if one["state"] in ENDED:
            one.setdefault("in session", latest)
    return [one for one in orders if one.get("in session", latest) == latest]


def take_scans(orders: list[dict[str, Any]]) -> None:
    """Take orders by scanner, keyboard or button."""
    scanner.field(
        "Serial: scan it, or type it and press Enter",
        key="ordered",
        take=scanned,
        context={"build": st.session_state["build"]},
    )
    with st.container(key="bench orders", horizontal=True, gap="small"):
        st.button(
            "Measure the next serial",
            # Another key after each order: a second click on one is no order.
            key=f"next {len(orders)}",
            on_click=order_next,
            args=(len(orders),),
        )
        if (st.session_state.get(LOOKED) or {}).get("session"):
            st.button(
                screens.END_SESSION,
                key=f"end {len(orders)}",
                on_click=order_end,
                args=(len(orders),),
                help=screens.END_MEANS,
            )


def into_build(builds: Sequence[str]) -> None:
    """Choose the build; one that was opened elsewhere since is chosen, and said."""
    newest = builds[-1]
    if st.session_state.get(NEWEST, newest) != newest:
        st.session_state["build"] = newest
        st.session_state[FOLLOWED] = newest
    st.session_state[NEWEST] = newest
    st.selectbox("Build", builds, index=len(builds) - 1, key="build")
    chosen = st.session_state["build"]
    if chosen != newest:
        look.stands_out(screens.into_older_build(chosen, newest))
    elif st.session_state.get(FOLLOWED) == newest:
        look.stands_out(screens.followed_build(newest))


def after_rework(orders: list[dict[str, Any]], *, has_bench: bool) -> None:
    """Say which units a rework has wait for the bench; offer to measure the first."""
    waiting = data.here().again
    if not waiting:
        return
    look.stands_out(screens.after_rework(spans(waiting)))
    if not has_bench:
        return
    under_way = {
        one["order"].get("serial") for one in orders if one["state"] not in ENDED
    }
    first = next((one for one in waiting if one not in under_way), None)
    if first is not None:
        st.button(
            look.plain(screens.measure_again(first)),
            key=f"reworked {first} {len(orders)}",
            on_click=order_again,
            args=(first, len(orders)),
        )


def order_again(serial: str, number: int) -> None:
    """Order a reworked unit, once for each button that was shown."""
    if number == len(st.session_state[ORDERS]):
        place(f"reworked {serial} {number}", build=None, serial=serial, rerun=True)


def again(orders: list[dict[str, Any]]) -> None:
    """Offer a rerun of what was not measured because it was measured before."""
    for place_of, one in reversed(list(enumerate(orders))):
        order = one["order"]
        refused = one["state"] == "failed" and one["ticket"] and not order.get("rerun")
        if order.get("typed"):
            continue  # its readings are typed again, and "measured before" is ticked
        if not refused or not data.here().measured_ever(order.get("serial") or ""):
            continue
        later = {o["order"].get("serial") for o in orders[place_of + 1 :]}
        if order["serial"] in later:
            continue
        st.button(
            look.plain(screens.measure_again(order["serial"])),
            key=f"again {one['ticket']}",
            on_click=rerun,
            args=(one["ticket"],),
        )


def rerun(ticket: str) -> None:
    """Order a rerun of an order's unit; a second click orders none."""
    orders: list[dict[str, Any]] = st.session_state.get(ORDERS, [])
    one = next((o for o in orders if o["ticket"] == ticket), None)
    if one is None or one["order"].get("rerun") or one.get("again"):
        return
    asked = one["order"]
    if place(
        f"again {ticket}", build=asked["build"], serial=asked["serial"], rerun=True
    ):
        one["again"] = True


def followed(order: dict[str, Any]) -> dict[str, Any]:
    """Return what has become of an order."""
    try:
        return data.connection().client.ticket(order["ticket"])
    except StorageError:
        return order
    except RefusedOrderError:
        return {**order, "state": "failed", "message": "the daemon no longer knows it"}


def result(order: dict[str, Any], now_done: dict[str, Any] | None) -> str:
    """Return one line on an order.

    Parameters
    ----------
    now_done
        What the daemon does, as the page says it; None before it was known.
    """
    serial = order["serial"] or order["order"]["serial"] or "The next serial"
    if order["order"]["work"] == "end session":
        serial = "The end of the session"
    # A unit that is to be seated again has the verdict of its first run meanwhile.
    if order["state"] in ENDED:
        became = order["message"] or order["verdict"] or order["state"]
        return in_sentences(f"{serial}: {became}", *order.get("remarks", ()))
    first = None if now_done is None else now_done["order"]
    if now_done is None or first is None or first["ticket"] != order["ticket"]:
        became = "waits for its turn"
    else:
        became = screens.order_is(first["serial"], now_done)
    return in_sentences(f"{serial} {became}", *order.get("remarks", ()))


def in_sentences(*said: str) -> str:
    """Return remarks after one another, each ended once."""
    if len(said) == 1:
        return said[0]
    return " ".join(f"{one.rstrip('.')}." for one in said)


def place(button: str, *, work: str = "unit", **values: Any) -> bool:
    """Place an order and follow it; once for each name of a button.

    Parameters
    ----------
    work
        "unit", or what is of the bench itself.
    """
    once = data.once(button)
    # Looked up before: between what was ordered and its line nothing may end this.
    orders: list[dict[str, Any]] = st.session_state.setdefault(ORDERS, [])

    def order(at: data.Connection) -> None:
        if work == "unit":
            ticket = at.client.measure(**values, once=once)
        else:
            ticket = at.client.work(work, once=once)
        if any(one["ticket"] == ticket for one in orders):
            return
        orders.append(
            {
                "ticket": ticket,
                "order": {"work": work, "serial": None, **values},
                "serial": None,
                "state": "waiting",
                "message": None,
                "verdict": None,
            }
        )

    return data.tried(order)


def scanned(serial: str, given: Mapping[str, Any] | None) -> None:
    """Order the unit whose serial was scanned; one that was refused is listed too.

    Where the daemon asks for just this unit, the scan says that it is connected.
    """
    if confirmed(serial):
        return
    build = str((st.session_state if given is None else given)["build"])
    # Whoever scans a unit that waits for the bench after rework means to measure it.
    if serial in data.here().again:
        ordered: dict[str, Any] = {"build": None, "serial": serial, "rerun": True}
    else:
        ordered = {"build": build, "serial": serial}
    # Each scan is taken once by its number, so that each is an order of its own.
    if not place(f"scan {uuid4().hex}", **ordered):
        st.session_state.setdefault(ORDERS, []).append(
            {
                "ticket": None,
                "order": {"work": "unit", **ordered},
                "serial": serial,
                "state": "failed",
                "message": screens.not_ordered(data.said() or screens.GONE),
                "verdict": None,
            }
        )


def confirmed(serial: str) -> bool:
    """Confirm what is asked of this unit; False where nothing is that a scan says."""
    if (found := data.doing()) is None:
        return False
    asked_now = found[1]["prompt"]
    if not asked_now or not asked_now["by_scan"] or asked_now["subject"] != serial:
        return False
    taken: list[bool] = []
    data.tried(lambda at: taken.append(at.client.answer(asked_now["prompt"])))
    return any(taken)


def order_next(number: int) -> None:
    """Order the serial after the last, once for each button that was shown."""
    if number == len(st.session_state[ORDERS]):
        place(f"next {number}", build=st.session_state["build"], serial=None)


def order_end(number: int) -> None:
    """Order the end of the session, once for each button that was shown."""
    if number == len(st.session_state[ORDERS]):
        place(f"end {number}", work="end session")


def by_hand() -> None:
    """Take typed readings: first say what was understood, then keep it."""
    connection = data.here().connection
    look.heading("By hand")
    if connection.settings.bench is None:
        plan = connection.settings.plan
        look.quiet(meters_words(plan.meters, plan.output_meter))
    look.quiet("Any prefix, such as 90.02u or 0.9004 V. Leave out what was not read.")
    with st.form("typed", border=False, enter_to_submit=False):
        st.text_input("Serial", key="typed serial")
        for one in connection.product.ranges:
            # Side by side on a phone too: "out" alone says of no range.
            with st.container(key=f"side by side {one.key}"):
                into, out_of, zero = st.columns(3, gap="small")
            into.text_input(look.plain(f"{one.title}: in"), key=f"in {one.key}")
            out_of.text_input("out", key=f"out {one.key}")
            zero.text_input("out at zero", key=f"zero {one.key}")
        for name, beside in asked_by_hand(connection).items():
            title = beside.range and connection.product.titles[beside.range]
            label = figures.capital(question(name, beside, title))
            st.text_input(look.plain(label), key=f"beside {name}")
        st.checkbox(BEFORE, key="typed rerun")
        st.checkbox(NEW_SETUP, key="typed new setup")
        st.form_submit_button("Check what I typed", on_click=check)
    for fault in st.session_state.get(FAULTS, ()):
        look.stands_out(fault)
    if (checked := st.session_state.get(CHECKED)) is None:
        return
    look.heading(
        f"Unit {checked['serial']}",
        [
            *(one.words for one in (*checked["readings"], *checked["checks"])),
            *([f"Into build {checked['build']}."] if checked["build"] else []),
            *([BEFORE] if checked["rerun"] else []),
            *([NEW_SETUP] if checked["new_setup"] else []),
        ],
    )
    st.button(
        "Judge and keep",
        type="primary",
        key=f"keep {len(st.session_state.get(ORDERS, []))}",
        on_click=keep,
    )
    look.quiet("Not right? Correct it above and check again; nothing is kept yet.")


def asked_by_hand(connection: data.Connection) -> dict[str, Beside]:
    """Return the checks that whoever types readings answers too."""
    return asked(
        connection.settings.plan.checks, typed=True, ranges=connection.product.keys
    )


def check() -> None:
    """Read what was typed; keep nothing."""
    connection = data.here().connection
    product, bench = connection.product, connection.settings.meters
    texts = {
        key: Texts(
            into=st.session_state[f"in {key}"],
            out_of=st.session_state[f"out {key}"],
            zero=st.session_state[f"zero {key}"],
        )
        for key in product.keys
    }
    readings, faults = understood(
        texts, product, bench, connection.settings.plan.judging
    )
    plan = asked_by_hand(connection)
    taken = {key for key, one in texts.items() if not one.blank}
    checks, unanswered = understood_checks(
        {
            name: st.session_state[f"beside {name}"]
            for name, one in plan.items()
            if one.range is None or one.range in taken
        },
        plan,
    )
    faults += unanswered
    serial = st.session_state["typed serial"].strip()
    if not serial:
        faults.insert(0, "Serial: scan it or type it.")
    reworked = serial in data.here().again
    st.session_state[FAULTS] = faults
    st.session_state[CHECKED] = (
        None
        if faults
        else {
            "serial": serial,
            "button": f"keep {uuid4().hex}",
            # Of a reworked unit its own, whichever is measured today.
            "build": None if reworked else st.session_state.get("build"),
            "readings": readings,
            "checks": checks,
            "rerun": reworked or st.session_state["typed rerun"],
            "new_setup": st.session_state["typed new setup"],
        }
    )


def keep() -> None:
    """Have the readings judged and kept as they were shown; once."""
    checked = st.session_state.get(CHECKED)
    if checked is None:
        return
    readings: list[Understood] = checked["readings"]
    checks: list[UnderstoodCheck] = checked["checks"]
    # As it was shown: another may have been opened since.
    build = checked["build"]
    if build is None and not checked["rerun"]:
        build = data.here().builds[-1]
    if place(
        checked["button"],
        build=build,
        serial=checked["serial"],
        typed=[one.order for one in readings],
        checks=[one.order for one in checks],
        rerun=checked["rerun"],
        new_setup=checked["new_setup"],
    ):
        st.session_state[CHECKED] = None
        for key in data.here().product.keys:
            for name in ("in", "out", "zero"):
                st.session_state[f"{name} {key}"] = ""
        for name in asked_by_hand(data.here().connection):
            st.session_state[f"beside {name}"] = ""
        st.session_state["typed serial"] = ""
        # Each is said of one unit.
        st.session_state["typed rerun"] = False
        st.session_state["typed new setup"] = False


main()
