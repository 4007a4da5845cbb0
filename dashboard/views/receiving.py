"""Receiving: a reel comes in, a few loose parts are read, and judged by the label."""

from dataclasses import dataclass
from datetime import UTC, datetime
from math import sqrt

import streamlit as st

from config import HoldpointError, QuantityError, Unit, parse
from daemon.holds import limits_of_meter_ppm, loose_parts
from daemon.metrology import Circuit, MarkError
from daemon.presentation import capital, loose_parts as words
from daemon.spc import Receipt, Received, Sample
from daemon.traceability import kitting
from dashboard import data, look, who
from storage import Reel, ReelReceipt

DONE = "received"
"""Key of a viewer's session: the last answer, and how many there were."""
NEW = "A new reel"
METERS = {
    Circuit.FOUR_WIRE: "Accuracy of the ohmmeter",
    Circuit.TWO_WIRE: "Accuracy of the ohmmeter",
    Circuit.VOLTS_AMPERES: "Accuracy of the voltmeter",
    Circuit.RATIO: "Voltmeter: how straight",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of the last reel, in words."""

    lines: tuple[str, ...]
    held: bool
    accepted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """What stands in the form below the label."""

    how: loose_parts.As
    readings: tuple[str, ...]
    two_wire: str
    anew: bool


def receiving() -> None:
    """Ask for the label, say how many parts to read, take readings, and answer."""
    at = data.here().connection
    answer, times = st.session_state.get(DONE, (None, 0))
    tell(answer)
    if (text := data.said()) is not None:
        look.stands_out(text)
    known = at.store.rows(Reel)
    look.heading("Label")
    first, second, _ = st.columns([1, 1, 2], vertical_alignment="bottom")
    with first:
        who.choose(at.settings.plan.people)
    names = [one.reel for one in reversed(known)]
    with second:
        st.selectbox("Reel", [NEW, *names], key=f"reel {times}")
    if _field("reel", times) == NEW:
        _ask_label(times)
    try:
        mine = _reel(at, times)
        if mine is None:
            look.quiet(
                "Type its name, value and tolerance: then it says how many to read."
            )
            return
        if marking := _field("Printed on the parts", times):
            look.lines(*words.mark(marking, mine))
        look.heading("Parts")
        _ask_how(times)
        sample = _sample(at, mine, _how(times))
    except (HoldpointError, MarkError) as exc:
        look.stands_out(f"{capital(str(exc).rstrip('.'))}.")
        return
    look.lines(*words.sample(sample, reel=mine.reel))
    look.quiet(*words.how_to(mine.nominal_ohm, mine.tolerance_ppm))
    _ask_readings(times, sample)
    _preview(mine, _typed(times))
    st.button(
        "Judge and keep",
        type="primary",
        key=f"keep {times}",
        on_click=keep,
        args=(times,),
    )


def tell(answer: Answer | None) -> None:
    """Say what became of the last reel, or what to do."""
    if answer is None:
        look.say(
            "Receive a reel.",
            ["Read a few loose parts before it is used. One part outside is enough."],
        )
        return
    look.say(answer.lines[0], answer.lines[1:])
    if answer.held:
        look.stands_out(
            "It is held now: put it aside, it must not be used. Units with its parts "
            "stay until the hold is ended."
        )
        st.page_link("views/holds.py", label="Decide on holds")
    elif answer.accepted:
        st.page_link("views/reels.py", label="Record which part it feeds")


def _field(name: str, times: int) -> str:
    """Return what stands in a field now, as an action must read it; "" for none."""
    return str(st.session_state.get(f"{name} {times}") or "").strip()


def _ask_label(times: int) -> None:
    """Ask for what is on the label, and on the parts."""
    fields = {
        "Name": "K-107",
        "Value": "4k99",
        "Tolerance": "0.1 %",
        "Printed on the parts": "4991, if anything",
        "Supplier": "",
        "Lot": "",
        "Parts that came": "",
    }
    columns = [*st.columns(4), *st.columns(4)]
    for column, (label, example) in zip(columns, fields.items(), strict=False):
        column.text_input(label, key=f"{label} {times}", placeholder=example)


def _reel(at: data.Connection, times: int) -> Reel | None:
    """Return the reel that was chosen, or as its label was typed; None unless whole.

    Raises
    ------
    HoldpointError
        What was typed is none.
    """
    chosen = _field("reel", times)
    if chosen != NEW:
        return next((one for one in at.store.rows(Reel, reel=chosen)), None)
    name, value, tolerance = (
        _field(one, times) for one in ("Name", "Value", "Tolerance")
    )
    if not (name and value and tolerance):
        return None
    nominal_ohm, tolerance_ppm = parse(value, Unit.OHM), parse(tolerance, Unit.PPM)
    for text, number in ((value, nominal_ohm), (tolerance, tolerance_ppm)):
        if number <= 0:
            raise QuantityError(text=text, problem="must be above 0")
    return Reel(
        reel=name,
        nominal_ohm=nominal_ohm,
        tolerance_ppm=tolerance_ppm,
        received_at=datetime.now(UTC),
        supplier=_field("Supplier", times) or None,
        lot_code=_field("Lot", times) or None,
    )


def _ask_how(times: int) -> None:
    """Ask how parts are read."""
    one, two, three, four = st.columns(4, vertical_alignment="bottom")
    one.selectbox(
        "Measured by",
        [by.value for by in Circuit],
        format_func=lambda by: words.NAMES[Circuit(by)],
        key=f"circuit {times}",
    )
    circuit = Circuit(_field("circuit", times))
    two.text_input(METERS[circuit], value="0.02 %", key=f"meter {times}")
    if circuit is Circuit.TWO_WIRE:
        three.text_input(
            "Leads together read", key=f"leads {times}", placeholder="0.12"
        )
    elif circuit is Circuit.VOLTS_AMPERES:
        three.text_input(
            "Accuracy of the ammeter", value="0.02 %", key=f"ammeter {times}"
        )
    elif circuit is Circuit.RATIO:
        three.text_input("Standard resistor", key=f"standard {times}")
        four.text_input(
            "Its accuracy", value="0.005 %", key=f"standard_accuracy {times}"
        )
    with st.expander("Self-heating, guard"):
        left, middle, right = st.columns(3, vertical_alignment="bottom")
        left.text_input(
            "Current through the part", key=f"current {times}", placeholder="1 mA"
        )
        middle.text_input(
            "Its temperature coefficient, a kelvin",
            key=f"tempco {times}",
            placeholder="25 ppm",
        )
        right.toggle("A guard takes leakage away", key=f"guarded {times}")


def _how(times: int) -> loose_parts.As:
    """Return how parts were read, as it stands in the form."""
    circuit = Circuit(_field("circuit", times) or Circuit.FOUR_WIRE)
    of_circuit = {
        Circuit.FOUR_WIRE: (),
        Circuit.TWO_WIRE: ("leads",),
        Circuit.VOLTS_AMPERES: ("ammeter",),
        Circuit.RATIO: ("standard", "standard_accuracy"),
    }
    names = ("meter", "current", "tempco", *of_circuit[circuit])
    return loose_parts.As(
        circuit=circuit,
        guarded=bool(st.session_state.get(f"guarded {times}")),
        **{one: text for one in names if (text := _field(one, times))},
    )


def _sample(at: data.Connection, reel: Reel, how: loose_parts.As) -> Sample:
    """Return how many parts to read.

    Raises
    ------
    HoldpointError
        The meter's accuracy is no share.
    """
    return loose_parts.sample_of(
        at.store, reel, uncertainty_ppm=limits_of_meter_ppm(how.meter) / sqrt(3)
    )


def _ask_readings(times: int, sample: Sample) -> None:
    """Ask for one reading a part, and what goes with them."""
    by = _how(times).by
    example = words.NUMBERS[by].rpartition("such as ")[2]
    st.text_area(
        f"Readings, one part a line: {example}",
        key=f"readings {times}",
        height=34 + 24 * min(sample.parts or loose_parts.FEWEST_PARTS, 12),
    )
    left, right = st.columns(2, vertical_alignment="bottom")
    if by is not Circuit.TWO_WIRE:
        left.text_input(
            "Part 1 read with two wires, if tried", key=f"two wires {times}"
        )
    right.toggle("Earlier readings of it do not count", key=f"anew {times}")


def _typed(times: int) -> Typed:
    """Return what stands in the form below the label."""
    text = _field("readings", times)
    return Typed(
        how=_how(times),
        readings=tuple(one.strip() for one in text.splitlines() if one.strip()),
        two_wire=_field("two wires", times),
        anew=bool(st.session_state.get(f"anew {times}")),
    )


def _preview(reel: Reel, typed: Typed) -> None:
    """Say what was understood, before it is kept."""
    if len(typed.readings) < loose_parts.FEWEST_PARTS:
        return
    try:
        found = loose_parts.measured(reel, typed.readings, typed.how)
    except HoldpointError as exc:
        look.stands_out(f"{capital(str(exc).rstrip('.'))}.")
        return
    look.quiet(
        words.understood(found.readings, reel.nominal_ohm),
        words.unsure(found.shares, tolerance_ppm=reel.tolerance_ppm),
    )
    if found.heating is not None:
        look.quiet(words.heated(found.heating, tolerance_ppm=reel.tolerance_ppm))


def keep(times: int) -> None:
    """Record the reel, if it is new, and what its parts read."""
    person = who.chosen()
    if person is None:
        data.refuse("Say who measures")
        return
    typed = _typed(times)
    is_new = _field("reel", times) == NEW
    said: list[Answer] = []

    def record(at: data.Connection) -> None:
        reel = _reel(at, times)
        if reel is None:
            data.refuse("Type name, value and tolerance of the reel")
            return
        found = loose_parts.measured(reel, typed.readings, typed.how)
        two_ohm = parse(typed.two_wire, Unit.OHM) if typed.two_wire else None
        if is_new:
            kitting.receive_reel(
                at.store,
                reel.reel,
                nominal_ohm=reel.nominal_ohm,
                tolerance_ppm=reel.tolerance_ppm,
                at=reel.received_at,
                supplier=reel.supplier,
                lot_code=reel.lot_code,
                receipt=_receipt(reel.reel, times),
            )
        check = loose_parts.checked(
            reel,
            found,
            how=typed.how,
            person=person,
            at=datetime.now(UTC),
            incoming=loose_parts.incoming(at.store, reel.reel),
        )
        before = (
            () if typed.anew else loose_parts.checks_of(at.store).get(reel.reel, ())
        )
        wanted = _sample(at, reel, typed.how).parts or loose_parts.FEWEST_PARTS
        became = loose_parts.received(reel, [*before, check], wanted=wanted)
        held = loose_parts.keep(
            at.store, check, became, product=at.name, people=at.settings.plan.people
        )
        said.append(_answer(became, reel, found, two_ohm, held=held))

    try:
        if not data.tried(record) or not said:
            return
    except HoldpointError as exc:
        data.refuse(str(exc))
        return
    st.session_state[DONE] = (said[0], times + 1)


def _receipt(reel: str, times: int) -> ReelReceipt | None:
    """Return what came with a new reel, as typed.

    Raises
    ------
    config.errors.QuantityError
        The number of parts is none.
    """
    typed = _field("Parts that came", times)
    if not typed:
        return None
    if not typed.isdecimal() or not int(typed):
        raise QuantityError(text=typed, problem="must be a number of parts, 1 or more")
    marking = _field("Printed on the parts", times) or None
    return ReelReceipt(reel=reel, quantity=int(typed), marking=marking)


def _answer(
    became: Received,
    reel: Reel,
    found: loose_parts.Measured,
    two_ohm: float | None,
    *,
    held: bool,
) -> Answer:
    beside = []
    if two_ohm is not None:
        beside.append(words.two_wires(two_ohm, found.readings[0]))
    return Answer(
        lines=(
            *words.became(became, reel=reel.reel),
            words.unsure(found.shares, tolerance_ppm=reel.tolerance_ppm),
            *beside,
        ),
        held=held,
        accepted=became.receipt is Receipt.ACCEPTED,
    )


receiving()
