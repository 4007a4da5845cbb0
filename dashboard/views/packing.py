"""Packing: scan a unit, hear and read whether it may leave, scan the next."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import streamlit as st

from daemon.holds import NotAllowedError
from daemon.presentation import figures, screens
from daemon.traceability import BY_PLAN, correct
from dashboard import data, documents, look, scanner, who
from storage import AWAY, FINAL, HELD, Amended, StorageError, Unit, UnreachableError

SCANS = "scans"
"""Key of a viewer's session: answers, the newest first."""
SHOWN = 50
UNDOABLE = 4
"""Shipments that have a button of their own while they may be taken back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """One answer; `number` counts those that this viewer was given."""

    number: int
    serial: str
    to: str
    at: datetime
    person: str | None = None
    reasons: tuple[str, ...] = ()
    overridden: bool = False
    by_plan: bool = False
    fault: str | None = None
    """That nothing was recorded, or that it is not known, in a sentence."""
    shipment: str | None = None
    """What was recorded, until it is taken back."""
    taken_back: bool = False

    @property
    def sentence(self) -> str:
        """What became of the unit."""
        if self.taken_back:
            return screens.undone(self.serial, self.to)[0]
        if self.fault is not None:
            return self.fault
        if self.overridden:
            return screens.shipped_by_override(self.serial)
        if self.away:
            return screens.away(self.serial)
        if self.reasons:
            return screens.stays(self.serial)
        return screens.shipped(self.serial, how=BY_PLAN if self.by_plan else None)

    @property
    def away(self) -> bool:
        """Whether it was recorded as shipped before, and that alone is against it."""
        return self.reasons == (AWAY,)

    @property
    def stays(self) -> bool:
        """Whether the unit was not recorded as shipped."""
        return bool(self.reasons) or self.fault is not None

    def undoable(self, now: datetime) -> bool:
        """Whether its shipment may still be taken back here."""
        return self.shipment is not None and now < self.at + screens.UNDO_WITHIN


def packing() -> None:
    """Ask for person and order once, then for one serial after another."""
    scans: list[Scan] = st.session_state.get(SCANS, [])
    newest = scans[0] if scans else None
    tell(newest, scans)
    found = data.last_connection()
    person, order, kind = st.columns([2, 3, 2], vertical_alignment="bottom")
    with person:
        who.choose(found.settings.plan.people)
    with order:
        st.text_input(
            "Order", key="order", placeholder="Its reference, no name",
            bind="query-params",
        )  # fmt: skip
    with kind:
        st.toggle("To a reseller", key="reseller")
    scanner.field(
        "Serial",
        key="scan",
        take=scanned,
        context=context(),
        placeholder="Scan or type, then Enter",
        sounds=True,
        follows=True,
    )
    if (text := data.said()) is not None:
        look.stands_out(text)
    undoing(scans)
    if newest is not None and newest.reasons and newest.stays:
        override(newest)
    if newest is not None and newest.fault is None and measured(newest.serial):
        documents.offer([documents.named("unit", newest.serial)], key="scanned")
    if len(scans) > 1:
        look.heading(screens.BEFORE)
        look.quiet(
            *(
                screens.numbered(o.number, o.sentence, () if o.away else o.reasons)
                for o in scans[1:]
            )
        )


def tell(newest: Scan | None, scans: list[Scan]) -> None:
    """Say the newest answer, and whoever must be laid aside of those just before."""
    if newest is None:
        look.say(screens.PACK, [screens.PACK_MEANS], large=True)
        return
    lines = []
    if newest.taken_back:
        lines = screens.undone(newest.serial, newest.to)[1:]
    elif newest.away:
        lines = [screens.AWAY_MEANS]
    elif not newest.stays:
        lines = [screens.shipped_for(newest.to, newest.at)]
    look.say(newest.sentence, lines, large=True)
    for reason in () if newest.away else newest.reasons:
        look.stands_out(f"{figures.capital(reason.rstrip('.'))}.")
    if any(one.startswith(HELD) for one in newest.reasons):
        st.page_link("views/holds.py", label="Decide on holds")
    # Quick scans are answered together: none that stays may go by unseen.
    near = [
        one
        for one in scans[1:]
        if one.stays
        and not one.away  # it is in its parcel, and belongs there
        and not one.taken_back
        and newest.at - one.at < screens.STAYS_SAID_FOR
        and one.serial != newest.serial
    ]
    for one in near[::-1]:
        look.stands_out(screens.just_before(one.sentence))


def undoing(scans: list[Scan]) -> None:
    """Offer to take back what was recorded in the last minute."""
    now = datetime.now(UTC)
    recent = [one for one in scans if one.undoable(now)]
    if not recent:
        return
    data.redraw_at(min(one.at for one in recent) + screens.UNDO_WITHIN)
    with st.container(key="undo", horizontal=True, vertical_alignment="center"):
        for one in recent[:UNDOABLE]:
            st.button(
                look.plain(screens.undo_button(one.serial)),
                key=f"undo {one.shipment}",
                on_click=undo,
                args=(one.shipment,),
            )
        look.code(screens.UNDO, screens.UNDO_CODE, width_px=84)
        look.quiet(screens.UNDO_MEANS, screens.UNDO_LATER)


def context() -> dict[str, Any]:
    """Return who packs, for which order and for whom, as was last chosen."""
    return {
        "person": who.chosen(),
        "order": st.session_state.get("order", "").strip(),
        "reseller": st.session_state.get("reseller", False),
    }


def scanned(text: str, given: Mapping[str, Any] | None) -> str:
    """Take one scan; return the sound of its answer."""
    if text.casefold() == screens.UNDO and not named(text):
        return undo_last()
    meant = context() if given is None else given
    return attempt(
        text,
        person=meant["person"],
        to=str(meant["order"]),
        reseller=bool(meant["reseller"]),
    )


def named(serial: str) -> bool:
    """Whether a unit is called so."""
    try:
        return bool(data.last_connection().store.rows(Unit, serial=serial))
    except StorageError:
        return False


def measured(serial: str) -> bool:
    """Whether there is a test record of a unit."""
    try:
        store = data.last_connection().store
        return bool(store.table("unit_runs", serial=serial).num_rows)
    except StorageError:
        return False


def attempt(
    serial: str,
    *,
    person: str | None,
    to: str,
    reseller: bool,
    override: str | None = None,
) -> str:
    """Let a unit leave if nothing is against it, or somebody overrides that."""
    scans: list[Scan] = st.session_state.setdefault(SCANS, [])
    made = Scan(
        number=scans[0].number + 1 if scans else 1,
        serial=serial,
        to=to,
        person=person,
        at=datetime.now(UTC),
    )
    try:
        made = shipped(made, reseller=reseller, override=override)
    except UnreachableError:
        made = replace(made, fault=screens.not_known(serial))
    except (NotAllowedError, StorageError) as exc:
        made = replace(made, fault=screens.not_recorded(serial, str(exc)))
    st.session_state[SCANS] = [made, *scans][:SHOWN]
    return scanner.STAYS if made.stays else scanner.LEAVES


def shipped(scan: Scan, *, reseller: bool, override: str | None) -> Scan:
    """Record a scan's unit as shipped, or find what is against it."""
    if scan.person is None or not scan.to:
        raise NotAllowedError(screens.WHO_AND_WHAT)
    if (found := data.doing()) is None:
        raise NotAllowedError(screens.GONE)
    at = found[0]
    shipment = uuid4().hex
    against = at.gate.ship(
        scan.serial,
        to=scan.to,
        person=scan.person,
        at=scan.at,
        reseller=reseller,
        override=override,
        shipment=shipment,
    )
    if against:
        return replace(scan, reasons=tuple(against))
    return replace(
        scan,
        shipment=shipment,
        overridden=override is not None,
        by_plan=override is None and at.gate.by_plan(scan.serial),
    )


def undo_last() -> str:
    """Take the newest shipment of the last minute back."""
    now = datetime.now(UTC)
    scans: list[Scan] = st.session_state.get(SCANS, [])
    last = next((one.shipment for one in scans if one.undoable(now)), None)
    if last is None:
        data.refuse(screens.NOTHING_TO_UNDO)
    else:
        undo(last)
    return scanner.STAYS


def undo(shipment: str | None) -> None:
    """Take a shipment back that was recorded a moment ago; a second click does not."""
    scans: list[Scan] = st.session_state.get(SCANS, [])
    one = next((o for o in scans if o.shipment == shipment and shipment), None)
    if one is None:
        return
    if not one.undoable(datetime.now(UTC)):
        data.refuse(screens.NOTHING_TO_UNDO)
        return

    def take_back(at: data.Connection) -> None:
        correct(
            at.store,
            at.name,
            str(one.shipment),
            {Amended.SHIPMENT: None},
            person=str(one.person),
            reason=screens.UNDO_REASON,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        )

    if data.tried(take_back):
        said = replace(
            one,
            number=scans[0].number + 1,
            at=datetime.now(UTC),
            shipment=None,
            taken_back=True,
        )
        rest = [replace(o, shipment=None) if o is one else o for o in scans]
        st.session_state[SCANS] = [said, *rest][:SHOWN]


def override(answer: Scan) -> None:
    """Offer to let a unit leave although something is against it."""
    if any(one in FINAL for one in answer.reasons):
        return
    with st.expander(look.plain(screens.override_title(answer.serial))):
        look.quiet(screens.OVERRIDE_STAYS)
        st.text_input("Reason", key=f"override {answer.number}")
        st.button(
            "Let it leave",
            key=f"let leave {answer.number}",
            on_click=overridden,
            args=(answer.number,),
        )


def overridden(number: int) -> None:
    """Take an override of the newest answer; a second click takes none."""
    scans: list[Scan] = st.session_state.get(SCANS, [])
    if not scans or scans[0].number != number:
        return
    reason = st.session_state.get(f"override {number}", "")
    if not reason.strip():
        data.refuse(screens.OVERRIDE_REASON)
        return
    attempt(
        scans[0].serial,
        person=who.chosen(),
        to=st.session_state.get("order", "").strip() or scans[0].to,
        reseller=bool(st.session_state.get("reseller")),
        override=reason,
    )


packing()
