"""Receiving: a reel comes in, a few loose parts are read, and judged by the label."""

from dataclasses import dataclass
from datetime import UTC, datetime
from math import sqrt

import streamlit as st

from config import HoldpointError, QuantityError, Unit, parse
from daemon.holds import NotAllowedError, limits_of_meter_ppm, loose_parts
from daemon.metrology import Circuit, MarkError
from daemon.presentation import capital, loose_parts as words
from daemon.spc import Received, Sample
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
        which = st.selectbox("Reel", [NEW, *names], key=f"reel {times}")
    mine = next((one for one in known if one.reel == which), None)
    is_new = mine is None
    if mine is None:
        mine = _label(times)
    if mine is None:
        look.quiet("Type its name, value and tolerance: then it says how many to read.")
        return
    look.heading("Parts")
    how = _how(times)
    sample = _sample(at, mine, how)
    if sample is None:
        return
    look.lines(*words.sample(sample, reel=mine.reel))
    look.quiet(*words.how_to(mine.nominal_ohm, mine.tolerance_ppm))
    typed = _readings(times, sample, how)
    _preview(mine, typed)
    st.button(
        "Judge and keep",
        type="primary",
        key=f"keep {times}",
        on_click=keep,
        args=(mine, typed),
        kwargs={
            "is_new": is_new,
            "wanted": sample.parts or loose_parts.FEWEST_PARTS,
            "times": times,
        },
    )


def tell(answer: Answer | None) -> None:
    """Say what became of the last reel, or what to do."""
    if answer is None:
        look.say(
            "Receive a reel.",
            ["Read a few loose parts before it is fitted. One part outside is enough."],
        )
        return
    look.say(answer.lines[0], answer.lines[1:])
    if answer.held:
        look.stands_out("It is held now: put it aside, it must not be fitted.")


def _label(times: int) -> Reel | None:
    """Ask for a label; None while it is not whole."""
    name, value, tolerance, marking = (
        column.text_input(label, key=f"{label} {times}", placeholder=example)
        for column, label, example in zip(
            st.columns(4),
            ("Name", "Value", "Tolerance", "Printed on the parts"),
            ("K-107", "4k99", "0.1 %", "4991, if anything"),
            strict=True,
        )
    )
    supplier, lot, _ = (
        column.text_input(label, key=f"{label} {times}")
        for column, label in zip(
            st.columns([1, 1, 1, 1])[:3],
            ("Supplier", "Lot", "Parts that came"),
            strict=True,
        )
    )
    if not (name.strip() and value.strip() and tolerance.strip()):
        return None
    try:
        reel = Reel(
            reel=name.strip(),
            nominal_ohm=parse(value, Unit.OHM),
            tolerance_ppm=parse(tolerance, Unit.PPM),
            received_at=datetime.now(UTC),
            supplier=supplier.strip() or None,
            lot_code=lot.strip() or None,
        )
        if min(reel.nominal_ohm, reel.tolerance_ppm) <= 0:
            look.stands_out("Value and tolerance must be above 0.")
            return None
        if marking.strip():
            look.lines(*words.mark(marking.strip(), reel))
    except (QuantityError, MarkError) as exc:
        look.stands_out(f"{capital(str(exc).rstrip('.'))}.")
        return None
    return reel


def _how(times: int) -> loose_parts.As:
    """Ask how parts are read."""
    one, two, three, four = st.columns(4, vertical_alignment="bottom")
    circuit: Circuit = one.selectbox(
        "Measured by",
        list(Circuit),
        format_func=lambda by: words.NAMES[by],
        key=f"circuit {times}",
    )
    meter = two.text_input(
        METERS[circuit], value="0.02 %", key=f"meter {circuit} {times}"
    )
    more: dict[str, str] = {}
    if circuit is Circuit.TWO_WIRE:
        more["leads"] = three.text_input(
            "Leads together read", key=f"leads {times}", placeholder="0.12"
        )
    elif circuit is Circuit.VOLTS_AMPERES:
        more["ammeter"] = three.text_input(
            "Accuracy of the ammeter", value="0.02 %", key=f"ammeter {times}"
        )
    elif circuit is Circuit.RATIO:
        more["standard"] = three.text_input(
            "Standard resistor", key=f"standard {times}"
        )
        more["standard_accuracy"] = four.text_input(
            "Its accuracy", value="0.005 %", key=f"standard accuracy {times}"
        )
    with st.expander("Self-heating, guard"):
        left, middle, right = st.columns(3, vertical_alignment="bottom")
        current = left.text_input(
            "Current through the part", key=f"current {times}", placeholder="1 mA"
        )
        tempco = middle.text_input(
            "Its temperature coefficient, a kelvin",
            key=f"tempco {times}",
            placeholder="25 ppm",
        )
        guarded = right.toggle("A guard takes leakage away", key=f"guard {times}")
    return loose_parts.As(
        circuit=circuit,
        meter=meter.strip() or None,
        current=current.strip() or None,
        tempco=tempco.strip() or None,
        guarded=guarded,
        **{key: text.strip() for key, text in more.items() if text.strip()},
    )


def _sample(at: data.Connection, reel: Reel, how: loose_parts.As) -> Sample | None:
    """Return how many parts to read; None, and why, where the meter is no number."""
    try:
        return loose_parts.sample_of(
            at.store, reel, uncertainty_ppm=limits_of_meter_ppm(how.meter) / sqrt(3)
        )
    except HoldpointError as exc:
        look.stands_out(f"{capital(str(exc).rstrip('.'))}.")
        return None


def _readings(times: int, sample: Sample, how: loose_parts.As) -> Typed:
    """Ask for one reading a part; return those typed, and what goes with them."""
    example = words.NUMBERS[how.by].rpartition("such as ")[2]
    text = st.text_area(
        f"Readings, one part a line: {example}",
        key=f"readings {times}",
        height=34 + 24 * min(sample.parts or loose_parts.FEWEST_PARTS, 12),
    )
    left, right = st.columns(2, vertical_alignment="bottom")
    two_wire = ""
    if how.by is not Circuit.TWO_WIRE:
        two_wire = left.text_input(
            "Part 1 read with two wires, if tried", key=f"two wires {times}"
        )
    anew = right.toggle("Earlier readings of it do not count", key=f"anew {times}")
    return Typed(
        how=how,
        readings=tuple(one.strip() for one in text.splitlines() if one.strip()),
        two_wire=two_wire.strip(),
        anew=anew,
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


def keep(reel: Reel, typed: Typed, *, is_new: bool, wanted: int, times: int) -> None:
    """Record the reel, if it is new, and what its parts read."""
    person = who.chosen()
    if person is None:
        data.refuse("Say who measures")
        return
    receipt = None
    try:
        if is_new:
            receipt = _receipt(reel.reel, times)
        found = loose_parts.measured(reel, typed.readings, typed.how)
        two_ohm = parse(typed.two_wire, Unit.OHM) if typed.two_wire else None
    except HoldpointError as exc:
        data.refuse(str(exc))
        return
    said: list[Answer] = []

    def record(at: data.Connection) -> None:
        if is_new:
            kitting.receive_reel(
                at.store,
                reel.reel,
                nominal_ohm=reel.nominal_ohm,
                tolerance_ppm=reel.tolerance_ppm,
                at=reel.received_at,
                supplier=reel.supplier,
                lot_code=reel.lot_code,
                receipt=receipt,
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
        became = loose_parts.received(reel, [*before, check], wanted=wanted)
        held = loose_parts.keep(
            at.store, check, became, product=at.name, people=at.settings.plan.people
        )
        said.append(_answer(became, reel, found, two_ohm, held=held))

    try:
        if not data.tried(record):
            return
    except (NotAllowedError, kitting.KnownReelError) as exc:
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
    typed = st.session_state.get(f"Parts that came {times}", "").strip()
    if not typed:
        return None
    if not typed.isdecimal() or not int(typed):
        raise QuantityError(text=typed, problem="must be a number of parts, 1 or more")
    marking = st.session_state.get(f"Printed on the parts {times}", "").strip() or None
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
    )


receiving()
