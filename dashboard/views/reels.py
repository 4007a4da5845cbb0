"""Reels: what came in, what it reads, where it went; record, correct and fit them."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from config import HoldpointError, Part, QuantityError, Unit as Quantity, parse
from daemon.holds import checks_of, judged, told
from daemon.presentation import (
    capital,
    counted,
    figures,
    plots,
    screens,
    sentences,
)
from daemon.presentation.figures import day
from daemon.presentation.plots import segments
from daemon.traceability import (
    SHARED,
    ContradictionError,
    Records,
    correct,
    kitting,
    reel_changes,
    seen_in_units,
    told_by_units,
    trace,
)
from dashboard import address, charts, data, documents, look, opening, pictures, who
from storage import Fitting, Reel, ReelCheck, ReelReceipt, Scope, Signal

SUBJECT = "reel"
"""The word of the address."""
DONE = "reels done"
"""Key of a viewer's session: what was recorded last, and how often."""
OPEN = "reels open"
"""Key of a viewer's session: the form that was refused, which stays open."""
ANYWAY = "Record it although records contradict"
FEWEST_PARTS = 2
NEWEST = 200
"""Reels that are listed."""
TEXTS = {
    "supplier": "Supplier",
    "lot_code": "Lot",
    "marking": "Marking",
    "date_code": "Date code",
    "invoice": "Invoice",
}
"""What a person may write of a reel, beside value, tolerance, day and number."""
NONE_MEASURED = (
    "None were measured. Five tell whether the label is right, before they are "
    "soldered in."
)
UNITS_MEAN = (
    "A dot is a unit: the value that its part must have for the unit to read so, all "
    "other parts as planned. What the shared stage, other parts and the bench are off "
    "is still in it; a finding has taken that off, so that its number differs a little."
)


def reels() -> None:
    """Show one reel, all of them, and the forms."""
    shown = data.followed()
    at = shown.connection
    rows = at.store.rows(Reel)
    said, _ = st.session_state.get(DONE, (None, 0))
    name = _chosen([one.reel for one in rows])
    mine = next((one for one in rows if one.reel == name), None)
    if mine is None:
        look.say("No reel is recorded yet." if not rows else "No reel is called so.")
    # All that may grow stands in one place: what is below keeps its own, and with it
    # what somebody is typing there.
    with st.container():
        if said:
            look.lines(said)
        if mine is not None:
            _one(shown, mine)
        if rows:
            _every(shown, rows)
    look.heading("Record")
    with st.container(key="subject", width=360):
        who.choose(at.settings.plan.people)
    _receive()
    if mine is not None:
        _correct(shown, mine)
        _fit(shown, mine)
    opening.form()


def _chosen(names: Sequence[str]) -> str | None:
    """Return the reel that the address or the list names, the newest otherwise."""
    if not names:
        return None
    newest = list(names)[::-1]
    with st.container(key="subject reel", width=360):
        return address.choose(
            "Reel", SUBJECT, newest, otherwise=newest[0], many=True, label_stands=True
        )


def _one(shown: data.Shown, reel: Reel) -> None:
    """Show everything about a reel."""
    at = shown.connection
    records = Records.of(at.store, at.name, at.product.keys, about=[reel.reel])
    found = trace(records, reel.reel, at.product.titles)
    findings = {one.signal: one for one in shown.findings}
    held = [
        sentences.why_held(one, findings.get(one.signal or ""))
        for one in shown.standing
        if (one.scope, one.subject) == (Scope.REEL, reel.reel)
    ]
    look.say(found.headline, [_label(reel, at.store.rows(ReelReceipt, reel=reel.reel))])
    for why in held:
        look.stands_out(f"Do not use it: it is held. {capital(why)}.")
    checks = checks_of(at.store).get(reel.reel, ())
    _loose(reel, checks)
    _units(shown, records, reel)
    for one in shown.current:
        if one.reel == reel.reel:
            _classes(one)
    look.heading("Where it went", found.lines)
    if found.cells:
        charts.traced(
            segments(found.cells, reel.reel),
            words=screens.traced_alt(found.headline),
            key=f"trace {reel.reel}",
        )
    documents.offer(documents.of_reel(shown, reel.reel), key=f"reel {reel.reel}")


def _label(reel: Reel, receipts: Sequence[ReelReceipt]) -> str:
    value = figures.labelled(reel.nominal_ohm, reel.tolerance_ppm)
    told_of = [
        f"By its label {value} {figures.tolerance(reel.tolerance_ppm)}",
        f"came in on {day(reel.received_at)}",
    ]
    for one in receipts:
        told_of.append(counted(one.quantity, "part"))
        told_of += [
            f"{name} {text}"
            for name, text in (
                ("marking", one.marking),
                ("date code", one.date_code),
                ("invoice", one.invoice),
                ("claims until", one.claim_until and day(one.claim_until)),
            )
            if text
        ]
    return f"{', '.join(told_of)}."


def _loose(reel: Reel, checks: Sequence[ReelCheck]) -> None:
    """Show the sample that was measured before it was fitted, or since."""
    if not checks:
        look.heading("Loose parts", [NONE_MEASURED])
        st.page_link("views/receiving.py", label="Read loose parts")
        return
    look.heading("Loose parts", [told(reel, one) for one in checks])
    last = checks[-1]
    if len(last.readings) >= FEWEST_PARTS:
        look.lines(
            *sentences.claim(
                judged(reel, last), reel=reel.reel, tolerance_ppm=reel.tolerance_ppm
            )
        )
    _strip([1e6 * (one / reel.nominal_ohm - 1) for one in last.readings], reel, "part")


def _units(shown: data.Shown, records: Records, reel: Reel) -> None:
    """Show what the units that carry it tell of its parts."""
    seen = seen_in_units(records, shown.product, reel)
    parts = {part for _, part in records.carriers(reel.reel)}
    own = {name for one in shown.product.ranges for name in (one.part, *one.alike)}
    look.heading("In units", [] if seen or parts else ["No unit has such a part yet."])
    for one in seen:
        look.lines(*told_by_units(reel, one))
        _strip(one.deviations_ppm, reel, "unit", of=f"{one.part} {one.title}")
    for part in sorted(parts - own):
        look.lines(f"{part}: {SHARED}")
    if seen:
        look.quiet(UNITS_MEAN)


def _strip(
    deviations_ppm: Sequence[float], reel: Reel, unit: str, *, of: str = ""
) -> None:
    chart = plots.parts_against_claim(
        deviations_ppm, reel.tolerance_ppm, unit=unit, look=look.current()
    )
    shares = [one / figures.PPM_PER_PERCENT for one in deviations_ppm]
    charts.plain(
        pictures.packed(chart),
        words=screens.claim_alt(reel.reel, unit, shares, reel.tolerance_ppm),
        key=f"reel {reel.reel} {of} by {unit}",
        rows=pd.DataFrame({"percent": shares}),
        columns={"percent": "from nominal, %"},
    )


def _classes(finding: Signal) -> None:
    """Show of which class the parts may be, where a finding rests on the reel."""
    claim = finding.basis.claim
    if claim is None or not claim.classes:
        return
    if (untold := sentences.class_untold(finding)) is not None:
        said = f"{sentences.other_value(finding)}{untold}".strip()
        look.heading(
            f"By finding {finding.signal}", [sentences.finding(finding).headline, said]
        )
        return
    look.heading(
        f"By finding {finding.signal}",
        [sentences.finding(finding).headline],
    )
    look.table(
        ("Tolerance", "How likely"),
        [
            (figures.tolerance(limit_ppm), figures.share(probability))
            for limit_ppm, probability in claim.classes
        ],
    )


def _every(shown: data.Shown, rows: Sequence[Reel]) -> None:
    """List all reels, the newest first."""
    at = shown.connection
    receipts = {one.reel: one for one in at.store.rows(ReelReceipt)}
    fitted: dict[str, dict[str, None]] = {}
    for one in at.store.rows(Fitting, product=at.name):
        fitted.setdefault(one.reel, {})[f"{one.part} of {one.build}"] = None
    look.heading("All reels")
    look.table(
        ("Reel", "Value", "Tolerance", "Supplier", "Lot", "Came in", "Parts", "Fitted"),
        [
            (
                one.reel,
                figures.labelled(one.nominal_ohm, one.tolerance_ppm),
                figures.tolerance(one.tolerance_ppm),
                one.supplier or "",
                one.lot_code or "",
                day(one.received_at),
                str(receipts[one.reel].quantity) if one.reel in receipts else "",
                ", ".join(fitted.get(one.reel, {})),
            )
            for one in rows[: -NEWEST - 1 : -1]
        ],
    )
    if len(rows) > NEWEST:
        look.quiet(f"The newest {NEWEST} are listed. All: holdpoint reel list")


# ---- the forms


def _receive() -> None:
    with _form("Record a reel that came in", "new"):
        _field("Name", "new reel")
        left, right = st.columns(2, gap="small")
        with left:
            _field("Value", "new nominal", placeholder="such as 4k99")
        with right:
            _field("Tolerance", "new tolerance", placeholder="such as 0.1 %")
        st.number_input("Parts", min_value=1, value=None, step=1, key="new quantity")
        st.date_input("Came in", value="today", max_value="today", key="new received")
        for column, title in TEXTS.items():
            _field(title, f"new {column}")
        _button("Record it", _keep_reel)


def _keep_reel() -> None:
    given = {key: _text(f"new {key}") for key in TEXTS}
    name, number = _text("new reel"), st.session_state.get("new quantity")
    if name is None:
        _refuse("new", "Give the reel a name")
        return

    def keep(at: data.Connection) -> None:
        receipt = None
        if number is not None:
            receipt = ReelReceipt(
                reel=name,
                quantity=int(number),
                marking=given["marking"],
                date_code=given["date_code"],
                invoice=given["invoice"],
            )
        kitting.receive_reel(
            at.store,
            name,
            nominal_ohm=_quantity("Value", "new nominal", Quantity.OHM),
            tolerance_ppm=_quantity("Tolerance", "new tolerance", Quantity.PPM),
            at=_moment(st.session_state["new received"]),
            supplier=given["supplier"],
            lot_code=given["lot_code"],
            receipt=receipt,
        )

    if _done("new", keep, f"Reel {name} is recorded."):
        st.query_params[SUBJECT] = name


def _correct(shown: data.Shown, reel: Reel) -> None:
    """Offer to correct what is recorded; what stands there is filled in."""
    receipts = shown.connection.store.rows(ReelReceipt, reel=reel.reel)
    now = _recorded(reel, receipts)
    with _form(f"Correct what is recorded of reel {reel.reel}", "correct"):
        for key, title in {
            "nominal_ohm": "Value",
            "tolerance_ppm": "Tolerance",
            "quantity": "Parts",
            **TEXTS,
        }.items():
            st.text_input(title, value=now[key], key=_key(reel, key))
        st.date_input(
            "Came in", value=reel.received_at.date(), key=_key(reel, "received_at")
        )
        st.text_area("Reason", key=_key(reel, "reason"))
        _button("Correct it", _keep_correction, reel.reel)


def _recorded(reel: Reel, receipts: Sequence[ReelReceipt]) -> dict[str, str]:
    """Return what is recorded of a reel, as it would be typed."""
    rows: list[object] = [reel, *receipts]
    texts = {
        "nominal_ohm": f"{reel.nominal_ohm:.10g}",
        "tolerance_ppm": f"{reel.tolerance_ppm / 1e4:g} %",
    }
    for key in ("quantity", *TEXTS):
        found = [getattr(row, key) for row in rows if hasattr(row, key)]
        texts[key] = str(found[-1]) if found and found[-1] is not None else ""
    return texts


def _keep_correction(name: str) -> None:
    person = who.chosen()
    if person is None:
        _refuse("correct", "Say who decides")
        return

    def keep(at: data.Connection) -> None:
        (reel,) = at.store.rows(Reel, reel=name)
        before = _recorded(reel, at.store.rows(ReelReceipt, reel=name))
        says: dict[str, object] = {}
        for key, was in before.items():
            text = str(st.session_state.get(_key(reel, key), was)).strip()
            if text == was or not text:
                continue
            match key:
                case "nominal_ohm":
                    says[key] = parse(text, Quantity.OHM)
                case "tolerance_ppm":
                    says[key] = parse(text, Quantity.PPM)
                case "quantity":
                    says[key] = _count(text)
                case _:
                    says[key] = text
        came = st.session_state.get(_key(reel, "received_at"))
        if isinstance(came, date) and came != reel.received_at.date():
            says["received_at"] = _moment(came)
        correct(
            at.store,
            at.name,
            name,
            reel_changes(at.store, name, says),
            person=person,
            reason=str(st.session_state.get(_key(reel, "reason"), "")),
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        )

    _done("correct", keep, f"Reel {name} is corrected.")


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise QuantityError(text=text, problem="must be a whole number, 1 or more")
    return int(text)


def _fit(shown: data.Shown, reel: Reel) -> None:
    """Offer to record that a reel feeds a part."""
    if not shown.builds:
        return
    at = shown.connection
    parts = _parts(at.settings.product.parts, reel)
    with _form(f"Record that reel {reel.reel} feeds a part", "fit"):
        # Another reel, another part: what was chosen for one is no choice for it.
        st.selectbox("Part", parts, key=f"fit part {reel.reel}")
        st.selectbox("Build", shown.builds[::-1], key="fit build")
        _field("From unit", "fit from", placeholder="left out: the whole build")
        st.checkbox(ANYWAY, key="fit anyway")
        _button("Record that it feeds the part", _keep_fitting, reel.reel)


def _parts(planned: Mapping[str, Part], reel: Reel) -> list[str]:
    """Return all parts, first those that are planned with the reel's value."""

    def of_another_value(part: str) -> bool:
        of = planned[part]
        allowed_ohm = of.nominal_ohm * of.tolerance_ppm * 1e-6
        return abs(reel.nominal_ohm - of.nominal_ohm) > allowed_ohm

    return sorted(planned, key=of_another_value)


def _keep_fitting(name: str) -> None:
    part = st.session_state[f"fit part {name}"]
    build = st.session_state["fit build"]
    first = _text("fit from")
    doubts: list[str] = []

    def keep(at: data.Connection) -> None:
        fitted = kitting.fit_reel(
            at.store,
            at.settings.product,
            kitting.fitting_of(
                at.name,
                build,
                part,
                name,
                from_serial=first,
                at=datetime.now(UTC),
            ),
            anyway=bool(st.session_state.get("fit anyway")),
        )
        doubts.extend((*fitted.doubts, *fitted.succession))
        if fitted.fitting is None:
            doubts.append("It was recorded so already.")

    since = f"unit {first}" if first else "the first unit"
    said = f"Part {part} of build {build} comes from reel {name} from {since} on."
    if _done("fit", keep, said) and doubts:
        st.session_state[DONE] = (
            " ".join((said, *doubts)), st.session_state[DONE][1],
        )  # fmt: skip


# ---- what the forms have in common


def _form(title: str, name: str) -> DeltaGenerator:
    """Return a form that folds; one that was refused stays open."""
    refused = st.session_state.get(OPEN) == name
    return st.expander(look.plain(title), expanded=refused)


def _key(reel: Reel, column: str) -> str:
    return f"correct {reel.reel} {column} {st.session_state.get(DONE, (None, 0))[1]}"


def _field(title: str, key: str, **how: Any) -> None:
    st.text_input(title, key=key, **how)


def _text(key: str) -> str | None:
    return str(st.session_state.get(key) or "").strip() or None


def _quantity(title: str, key: str, unit: Quantity) -> float:
    text = _text(key)
    if text is None:
        raise QuantityError(text=title, problem="is missing")
    return parse(text, unit)


def _moment(on: date) -> datetime:
    """Return the beginning of a day; of today, now."""
    now = datetime.now(UTC)
    return now if on >= now.date() else datetime(on.year, on.month, on.day, tzinfo=UTC)


def _button(title: str, act: Any, *args: Any) -> None:
    # A second click on one button is known by its key.
    count = st.session_state.get(DONE, (None, 0))[1]
    st.button(title, key=f"{title} {count}", on_click=act, args=args)


def _refuse(form: str, why: str | None = None) -> None:
    """Say why nothing was recorded, and leave the form open as it was filled in.

    Parameters
    ----------
    why
        Left out where it was said already.
    """
    if why is not None:
        data.refuse(why)
    st.session_state[OPEN] = form
    st.session_state[DONE] = (None, st.session_state.get(DONE, (None, 0))[1])


def _done(form: str, keep: Any, said: str) -> bool:
    """Record; say so, and clear what was typed."""
    count = st.session_state.get(DONE, (None, 0))[1]
    try:
        if not data.tried(keep):
            _refuse(form)
            return False
    except ContradictionError as exc:
        # Its own sentence names what a command takes.
        why = f"reel {exc.reel} cannot feed it: {exc.detail}"
        _refuse(form, f"{why}. If it is so all the same, tick: {ANYWAY}")
        return False
    except HoldpointError as exc:
        _refuse(form, str(exc))
        return False
    st.session_state[DONE], st.session_state[OPEN] = (said, count + 1), None
    # A key that is deleted would leave in the browser what was typed.
    for key in ("new reel", "new nominal", "new tolerance", "fit from"):
        st.session_state[key] = ""
    st.session_state["new quantity"] = None
    st.session_state["fit anyway"] = False
    for column in TEXTS:
        st.session_state[f"new {column}"] = ""
    return True


reels()
