"""Bench: measure the next unit, by the instruments or by hand."""

from typing import Any

import streamlit as st

from config.errors import QuantityError
from config.quantity import Unit, parse
from daemon.client import RefusedOrderError
from dashboard import data
from storage.errors import UnreachableError

CAUTIONS = """
Set the source to zero and turn it off before you touch leads, boards or the range
switch: an opened current loop drives the source to its compliance voltage. The button
above is no emergency stop and software-off is no isolation; keep a hardware disconnect
within reach. Solder and measure ohms only on unpowered boards, battery out, capacitors
discharged. Never leave powered boards unsupervised. Local codes and licensed practice
come first.
"""

connection = data.connected()
builds = list(connection.about_product("builds")["build"])
left, right = st.columns(2, gap="large")


def order(**values: Any) -> None:
    """Place an order and remember its ticket for this viewer."""
    try:
        st.session_state["ticket"] = connection.client.measure(**values)
    except (RefusedOrderError, UnreachableError) as exc:
        st.session_state["refusal"] = str(exc)


def scanned() -> None:
    """Order the unit whose serial was scanned; a scanner ends with Enter."""
    serial = st.session_state["scan"].strip()
    if serial:
        order(build=st.session_state["build"], serial=serial)
    st.session_state["scan"] = ""


@st.fragment(run_every=1.0)
def live_values() -> None:
    """Show the last readings and what became of the last order."""
    state = connection.client.state()
    into, out_of = connection.settings.product.input_unit, "V"
    if state["live"]:
        st.markdown(
            f"Level {state['live']['level']:.6g} {into}, reference "
            f"{state['live']['reference']:.6g} {into}, output "
            f"{state['live']['output']:.6g} {out_of}"
        )
    if (ticket := st.session_state.get("ticket")) is not None:
        seen = connection.client.ticket(ticket)
        words = seen["message"] or seen["verdict"] or seen["state"]
        st.markdown(f"Unit **{seen['serial'] or 'next'}**: {words}")
    if refusal := st.session_state.pop("refusal", None):
        st.warning(refusal)


with left:
    st.subheader("By the instruments", anchor=False)
    if not builds:
        st.write("Open a build first: `holdpoint build open B-1 --units 30`")
    else:
        st.selectbox("Build", builds, index=len(builds) - 1, key="build")
        st.text_input(
            "Serial: scan it, or type it and press Enter", key="scan", on_change=scanned
        )
        st.button(
            "Measure the next serial",
            on_click=lambda: order(build=st.session_state["build"], serial=None),
        )
    live_values()
    st.caption(CAUTIONS)

with right:
    st.subheader("By hand", anchor=False)
    with st.form("typed", clear_on_submit=False, border=False):
        serial = st.text_input("Serial", key="typed_serial")
        rerun = st.checkbox("It was measured before")
        texts: dict[str, tuple[str, str]] = {}
        for one in connection.product.ranges:
            a, b = st.columns(2)
            texts[one.key] = (
                a.text_input(
                    f"{one.title}: in", placeholder="90.02u", key=f"in {one.key}"
                ),
                b.text_input(
                    f"{one.title}: out", placeholder="0.9981 V", key=f"out {one.key}"
                ),
            )
        sent = st.form_submit_button("Judge and keep")
    if sent and builds:
        typed, faults = [], []
        for key, (text_in, text_out) in texts.items():
            if not text_in and not text_out:
                continue
            try:
                typed.append(
                    {
                        "range": key,
                        "reference": parse(
                            text_in, Unit(connection.settings.product.input_unit)
                        ),
                        "output": parse(text_out, Unit.VOLT),
                    }
                )
            except QuantityError as exc:
                faults.append(f"{connection.product.range(key).title}: {exc}")
        if not serial.strip():
            faults.append("Serial: type it or scan it.")
        if not typed and not faults:
            faults.append("No reading was typed.")
        for fault in faults:
            st.warning(fault)
        if not faults:
            order(
                build=st.session_state["build"],
                serial=serial.strip(),
                typed=typed,
                rerun=rerun,
            )
