"""Who may say that a unit leaves, and by which settings it must have been judged."""

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

from pydantic import ValidationError

from config import HoldpointError, Settings
from daemon.holds import NotAllowedError, require_decision
from daemon.traceability.held import holds_of
from storage import (
    Configuration,
    Decision,
    SampleRule,
    Shipment,
    ShipRule,
    Store,
    UnitReturn,
    held_for,
)

SHIP, SHIP_AGAINST, TAKE_BACK = "ship", "ship against", "take back"
"""Ledger actions."""
BY_PLAN = "measured by plan"
"""What is said of a unit that leaves without every range."""


class OrderListError(HoldpointError, ValueError):
    """A list of orders that cannot be read, and why."""


class Gate:
    """The rule by which units of one product leave.

    Settings in force are those that judge as today's do: same ranges and limits, same
    way of judging. A change of anything else makes no unit's verdict void.
    """

    def __init__(self, settings: Settings, store: Store) -> None:
        self._settings = settings
        self._store = store
        self._alike: dict[str, bool] = {}
        self._worded: dict[str, str] = {}
        """Reasons of holds that stand, with their findings' present words."""
        self._worded_at: int | None = None

    def rule(self, serial: str) -> ShipRule:
        """Return what a unit must fulfil."""
        plan = self._settings.plan.sample
        # By the plan a unit rests on others of its build, judged by settings of theirs.
        asked = "unit_configurations" if plan is None else "build_configurations"
        known = self._told(asked, "configuration", serial)
        return ShipRule(
            ranges=tuple(self._settings.product.ranges),
            titles=tuple(one.title for one in self._settings.product.ranges.values()),
            configurations=tuple(sorted(one for one in known if self._is_alike(one))),
            sample=None
            if plan is None
            else SampleRule(share=plan.full_share, ranges=plan.ranges),
        )

    def by_plan(self, serial: str) -> bool:
        """Whether a unit lacks ranges, so that the sample plan alone lets it leave."""
        if self._settings.plan.sample is None:
            return False
        measured = self._told("unit_runs", "range", serial)
        return not measured.issuperset(self._settings.product.ranges)

    def against(self, serial: str) -> list[str]:
        """Return every reason for which a unit may not leave now."""
        return self.in_present_words(
            self._store.reasons_against(
                serial, self._settings.product.name, self.rule(serial)
            )
        )

    def ship(
        self,
        serial: str,
        *,
        to: str,
        person: str,
        at: datetime,
        reseller: bool = False,
        override: str | None = None,
        shipment: str | None = None,
    ) -> list[str]:
        """Let a unit leave, or return what is against it.

        Parameters
        ----------
        shipment
            Id of the record, for whoever may have to take it back.

        Raises
        ------
        daemon.holds.policy.NotAllowedError
            The person is not listed, or overrides without a reason.
        """
        require_listed(person, self._settings.plan.people)
        if override is not None and not override.strip():
            message = "an override needs a reason; none was given"
            raise NotAllowedError(message)
        left = Shipment(
            shipment=shipment or uuid4().hex,
            serial=serial,
            product=self._settings.product.name,
            destination=to.strip(),
            reseller=reseller,
            person=person,
            shipped_at=at,
            override_reason=override,
        )
        decision = Decision(
            person=person,
            action=SHIP if override is None else SHIP_AGAINST,
            subject=serial,
            reason=f"for {left.destination}{self._how(serial, override)}",
            decided_at=at,
        )
        return self.in_present_words(
            self._store.ship(left, self.rule(serial), decision)
        )

    def _told(self, query: str, column: str, serial: str) -> set[str]:
        """Return what stands in one column of a question about a unit."""
        told = self._store.table(query, serial=serial).column(column)
        return {str(one) for one in told.to_pylist()}

    def in_present_words(self, against: Sequence[str]) -> list[str]:
        """Say holds of findings as they stand now: a reason is as old as its hold."""
        if not against:
            return []
        # Of a build that is held many are asked in a row; nothing is kept meanwhile.
        changes = self._store.changes()
        if changes != self._worded_at:
            holds = holds_of(self._store, self._settings.product.name)
            self._worded = {
                held_for(one, one.reason): held_for(one, one.why)
                for one in holds
                if one.disposal is None
            }
            self._worded_at = changes
        return [self._worded.get(one, one) for one in against]

    def _how(self, serial: str, override: str | None) -> str:
        if override is not None:
            return f": {override}"
        return f", {BY_PLAN}" if self.by_plan(serial) else ""

    def _is_alike(self, configuration: str) -> bool:
        if configuration not in self._alike:
            found = self._store.rows(Configuration, configuration=configuration)
            self._alike[configuration] = any(
                self._judges_alike(one.body) for one in found
            )
        return self._alike[configuration]

    def _judges_alike(self, body: str) -> bool:
        try:
            then = Settings.model_validate_json(body)
        except ValidationError:
            return False
        now = self._settings
        return (then.product.ranges, then.product.parts, then.plan.judging) == (
            now.product.ranges,
            now.product.parts,
            now.plan.judging,
        )


def require_listed(person: str, people: Iterable[str]) -> None:
    """Refuse a person whom the control plan does not list.

    Raises
    ------
    NotAllowedError
        Naming those whom it does.
    """
    listed = tuple(people)
    if person not in listed:
        message = f"{person!r} may not decide; listed are {', '.join(listed)}"
        raise NotAllowedError(message)


def came_back(
    serial: str,
    *,
    product: str,
    person: str,
    reason: str,
    people: Iterable[str],
    at: datetime,
) -> tuple[UnitReturn, Decision]:
    """Return that a unit came back, with its line for the ledger.

    Raises
    ------
    NotAllowedError
        The person is not among `people`, or there is no reason.
    """
    require_decision(
        person, reason, people, do="take a unit back", done="a unit is taken back"
    )
    back = UnitReturn(
        unit_return=uuid4().hex,
        serial=serial,
        product=product,
        person=person,
        reason=reason.strip(),
        returned_at=at,
    )
    line = Decision(
        person=person,
        action=TAKE_BACK,
        subject=serial,
        reason=back.reason,
        decided_at=at,
    )
    return back, line


@dataclass(frozen=True, slots=True, kw_only=True)
class Ordered:
    """One line of a list of orders."""

    line: int
    serial: str
    order: str


def orders_of(path: Path, *, serial: str, order: str) -> list[Ordered]:
    """Read a shop's list of orders, a CSV with a row a unit.

    Parameters
    ----------
    serial, order
        Headings of the columns; all others are left unread, names and addresses too.

    Raises
    ------
    OrderListError
        It is no such list.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as exc:
        message = f"{path.name} cannot be read: {exc}"
        raise OrderListError(message) from exc
    try:
        dialect: Any = csv.Sniffer().sniff(text[:4096], delimiters=",;\t")
    except csv.Error:
        dialect = csv.excel
    reader = csv.DictReader(text.splitlines(), dialect=dialect)
    try:
        headings = reader.fieldnames or ()
        rows = list(reader)
    except csv.Error as exc:
        message = f"{path.name} cannot be read: {exc}"
        raise OrderListError(message) from exc
    for name in (serial, order):
        if name not in headings:
            message = (
                f"{path.name} has no column {name!r}; it has {', '.join(headings)}"
            )
            raise OrderListError(message)
    found = [_line(number, row, serial, order) for number, row in enumerate(rows, 2)]
    return [one for one in found if one.serial]


def _line(number: int, row: Mapping[str, Any], serial: str, order: str) -> Ordered:
    def text(name: str) -> str:
        return str(row[name] or "").strip()

    return Ordered(line=number, serial=text(serial), order=text(order))
