"""Where people's orders wait, and what the worker says of what it does.

The HTTP threads bring what people ask; one worker thread owns the bench and
answers. `Desk` is the only thing they share.
"""

import queue
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from threading import Condition, Event
from typing import Any
from uuid import uuid4

from daemon.bench import StoppedError
from daemon.station.orders import Order, Prompt, ReadAgain, RefusedError, Ticket
from daemon.station.vitals import Vitals
from storage import is_running

LONGEST_WAIT_S = 30.0
WORKER_SILENCE_S = 60.0
"""How much longer than its step may take the worker may be silent."""
CATCHING_UP = "catching up"
"""The phase in which the runs of before are looked through."""
KEPT = 500
"""Ended tickets that can still be asked for."""
NOTHING_READ: dict[str, Any] = {
    "range": None, "done": 0, "points": 0, "level": 0, "levels": 0, "live": {},
    "record": {},
}  # fmt: skip
"""What stands of readings where none is of what is done now."""


class DroppedError(StoppedError):
    """Whoever stands at the bench dropped an order before its unit was connected."""

    def __init__(self) -> None:
        super().__init__("dropped before it was connected")


@dataclass(slots=True)
class _State:
    phase: str = "starting"
    configuration: str | None = None
    instruments: bool = False
    """Whether this daemon may speak to any: it was started with a bench."""
    bench: str | None = None
    source_on: bool = False
    serial: str | None = None
    build: str | None = None
    range: str | None = None
    done: int = 0
    points: int = 0
    level: int = 0
    """Which one of the range's `levels` was read last, from 1."""
    levels: int = 0
    live: dict[str, float] = field(default_factory=dict)
    record: dict[str, list[float]] = field(default_factory=dict)
    """Readings of the point that was read last: `at_s` and `output`, in order."""
    session: str | None = None
    trouble: str | None = None
    alarm: str | None = None
    """The source may be on and out of reach; stands until it was seen off."""
    stalled: str | None = None
    """Which part of the daemon does not go on, though the process runs."""
    checked: str | None = None
    """That the session's last check read right, in a sentence; one that did not is
    `trouble`."""
    check_due: str | None = None
    """Why no unit is judged before the next check."""
    check_overdue: bool = False
    check_after_units: int | None = None
    """How many more units may be judged before it; None: any number."""
    remarks: tuple[str, ...] = ()
    """What a reader of this session's results must know of the instruments."""
    standards_otherwise: tuple[str, ...] = ()
    """Of which check standards bench.toml says other values than are in force."""
    cautions: tuple[str, ...] = ()
    """What a person must know of this bench before its source is turned on."""
    limit: str | None = None
    """Which limit the detector goes by, in a sentence."""
    calibrating_percent: int | None = None
    """How far the calibration of the product's own limit is; None while none runs."""
    history: str | None = None
    """What the latest build is held against, in a sentence."""
    catching_up: str | None = None
    """How far the runs of before are looked through, in a sentence; None once all."""
    refolded: str | None = None
    """Why that took long at this start, in a sentence."""
    reopened: int = 0
    """How often the bench was lost and opened anew to measure a unit again."""
    lost: str | None = None
    """Why it was lost the last time."""
    sharing: "Shared | None" = None
    """How far this bench is with the shared database; None for one that is alone."""
    since: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """How far a bench is with the record that it shares with others."""

    bench: str
    reached_at: datetime | None
    """When the shared database answered last; None before the first time."""
    waiting: int
    """Entries that are yet to be told."""
    refused: int
    """Entries that could not be kept at the other end."""
    reason: str | None
    """Why it does not answer now; None while it does."""


class Desk:
    """Where people's orders wait, and where the worker says what it is doing."""

    def __init__(
        self,
        *,
        utc: Callable[[], datetime],
        stop: Event,
        vitals: Vitals | None = None,
    ) -> None:
        self.stop = stop
        self.vitals = vitals or Vitals()
        self.connected: Callable[[str, bool], None] = lambda _serial, _anew: None
        """Told what is to stand on the bench now, and whether it was asked for anew: of
        a simulated one, which has no hands of its own."""
        self.halt = Event()
        """Set by "source off now": whatever is being measured is given up."""
        self._utc = utc
        self._orders: queue.Queue[str] = queue.Queue()
        self._tickets: dict[str, Ticket] = {}
        self._state = _State()
        self._prompt: Prompt | None = None
        self._answer: str | ReadAgain | None = None
        self._dropped = False
        self._users: dict[int, bool] | None = None
        self._changed = Condition()

    # who is there

    def serve_only(self, user: int) -> None:
        """Go on only while one of the processes that use this daemon lives."""
        self._users = {user: True}

    def use(self, user: int, *, needs_this: bool = True) -> bool:
        """Note that a process uses this daemon; False when it ends already.

        Parameters
        ----------
        needs_this
            Whether another daemon in its place would disturb it.
        """
        with self._changed:
            if self._users is not None and not self.stop.is_set():
                self._users[user] = needs_this
            return not self.stop.is_set()

    def leave(self, user: int) -> bool:
        """Note that a process uses it no more; return whether the daemon ends now."""
        with self._changed:
            if self._users is None:
                return False
            self._users.pop(user, None)
        return self.end_unused()

    def end_unused(self) -> bool:
        """End the daemon when whoever it was started for is gone; say whether it is.

        An order that waits, or is carried out, keeps it.
        """
        with self._changed:
            if self._users is None:
                return False
            self._forget_gone(self._users)
            if self._users or self._works():
                return False
            self.stop.set()
            return True

    def make_way(self) -> bool:
        """End a daemon that was started for screens, for one that measures; say if.

        An order that waits, or is carried out, keeps it, and whoever needs this one.
        """
        with self._changed:
            if self._users is None:
                return False
            self._forget_gone(self._users)
            if self._works() or any(self._users.values()):
                return False
            self.stop.set()
            return True

    @staticmethod
    def _forget_gone(users: dict[int, bool]) -> None:
        for one in [one for one in users if not is_running(one)]:
            del users[one]

    def _works(self) -> bool:
        return any(not one.ended for one in self._tickets.values())

    # what people ask

    def place(self, order: Order, *, connect_first: bool = False) -> Ticket:
        """Queue an order; note whether its unit is yet to be connected then.

        One that was placed by the same name before is not queued again.

        Parameters
        ----------
        connect_first
            Whether it is in any case, though nothing is in its way.
        """
        with self._changed:
            for old in [t.ticket for t in self._tickets.values() if t.ended][:-KEPT]:
                del self._tickets[old]
            if order.once and (placed := self._placed(order.once)):
                return placed
            before = [one for one in self._tickets.values() if one.order.needs_bench]
            first = connect_first or _in_the_way(order, before)
            ticket = Ticket(
                ticket=uuid4().hex,
                order=order,
                connect_first=order.needs_bench and first,
                behind=before[-1].ticket if before and not before[-1].ended else None,
            )
            self._tickets[ticket.ticket] = ticket
            # Still locked: taken in another order, one would stand in the other's way.
            self._orders.put(ticket.ticket)
        return ticket

    def _placed(self, once: str) -> Ticket | None:
        known = self._tickets.values()
        return next((one for one in known if one.order.once == once), None)

    def ticket(self, ticket: str, *, wait_s: float = 0.0) -> Ticket | None:
        """Return a ticket, waiting up to `wait_s` for it to end."""
        with self._changed:
            self._changed.wait_for(
                lambda: ticket not in self._tickets or self._tickets[ticket].ended,
                timeout=min(wait_s, LONGEST_WAIT_S),
            )
            return self._tickets.get(ticket)

    def answer(self, prompt: str, value: str | ReadAgain) -> bool:
        """Answer a prompt; False when it is no longer asked.

        Parameters
        ----------
        value
            What was typed, or all readings of a unit where the prompt takes them.

        Raises
        ------
        RefusedError
            It takes no readings.
        """
        with self._changed:
            if self._prompt is None or self._prompt.prompt != prompt:
                return False
            if isinstance(value, ReadAgain) and not self._prompt.ranges:
                message = "what is asked now is not answered with a unit's readings"
                raise RefusedError(message)
            self._answer = value
            self._prompt = None
            self._changed.notify_all()
            return True

    def drop(self, prompt: str) -> bool:
        """Drop the order that waits for its unit; False when it is no longer asked for.

        Raises
        ------
        RefusedError
            It is under way: the source may be on.
        """
        with self._changed:
            if self._prompt is None or self._prompt.prompt != prompt:
                return False
            if not self._prompt.by_scan:
                message = (
                    "only an order whose unit is yet to be connected can be dropped; "
                    "`holdpoint bench off` ends what is under way"
                )
                raise RefusedError(message)
            self._dropped = True
            self._prompt = None
            self._changed.notify_all()
            return True

    def snapshot(self) -> dict[str, Any]:
        """Return what the daemon is doing, for screens."""
        with self._changed:
            tickets = self._tickets.values()
            open_now = [t for t in tickets if not t.ended]
            done = {t.order.serial for t in tickets if t.state != "failed"}
            not_measured = {
                str(t.order.serial): t.message
                for t in tickets
                if t.state == "failed"
                and t.order.dropped
                and t.order.serial not in done
            }
            return {
                **asdict(self._state),
                "prompt": None if self._prompt is None else asdict(self._prompt),
                "waiting": len(open_now),
                "order": None if not open_now else _named(open_now[0]),
                "not_measured": not_measured,
            }

    # what the worker says

    def beat(self, longest_s: float = 0.0) -> None:
        """Note that the worker is not stuck; what it does now may take so long."""
        self.vitals.beat(
            "the worker, which measures,", within_s=WORKER_SILENCE_S + longest_s
        )

    def next_order(self, *, wait_s: float) -> Ticket | None:
        """Return the oldest waiting order, or None after `wait_s` without one.

        An order before it that failed connected nothing, perhaps: where it was to leave
        the unit connected, that is asked for.
        """
        self.beat()
        try:
            name = self._orders.get(timeout=wait_s)
        except queue.Empty:
            return None
        with self._changed:
            ticket = self._tickets[name]
            before = self._tickets.get(ticket.behind or "")
            if before is not None and before.state == "failed":
                ticket = replace(ticket, connect_first=ticket.order.needs_bench)
                self._tickets[name] = ticket
            return ticket

    def update(self, ticket: str, **changes: Any) -> None:
        """Note what became of an order."""
        with self._changed:
            self._tickets[ticket] = replace(self._tickets[ticket], **changes)
            self._changed.notify_all()

    def show(self, **changes: object) -> None:
        """Note what the daemon is doing."""
        with self._changed:
            for name, value in changes.items():
                setattr(self._state, name, value)
            self._state.since = self._utc()
            self._changed.notify_all()

    def turn_to(
        self, phase: str, *, serial: str | None = None, build: str | None = None
    ) -> None:
        """Note that something else is done from now on: nothing of it was read yet."""
        self.show(phase=phase, serial=serial, build=build, **NOTHING_READ)

    def ask(
        self,
        text: str,
        *,
        subject: str,
        wants: str | None = None,
        by_scan: bool = False,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> str:
        """Ask whoever stands at the bench; return the answer.

        Parameters
        ----------
        wants
            Unit of the value that is to be typed.
        by_scan
            Whether scanning the label of its subject confirms it.
        meanwhile
            Called again and again until it is answered: keeps a source on.

        Raises
        ------
        StoppedError
            The daemon is going down, the source was ordered off, or the order was
            dropped.
        """
        prompt = Prompt(
            prompt=uuid4().hex,
            text=text,
            subject=subject,
            wants=wants,
            by_scan=by_scan,
        )
        return str(self._answered(prompt, meanwhile))

    def ask_to_read_again(
        self, text: str, *, subject: str, ranges: Sequence[str]
    ) -> ReadAgain | None:
        """Ask for a unit to be read once more; return its readings.

        Parameters
        ----------
        ranges
            All that are to be read.

        Returns
        -------
        daemon.station.orders.ReadAgain or None
            None where it was confirmed only: then its values are asked for.

        Raises
        ------
        StoppedError
            The daemon is going down, or the source was ordered off.
        """
        prompt = Prompt(
            prompt=uuid4().hex, text=text, subject=subject, ranges=tuple(ranges)
        )
        answer = self._answered(prompt, lambda: None)
        return answer if isinstance(answer, ReadAgain) else None

    def _answered(
        self, prompt: Prompt, meanwhile: Callable[[], None]
    ) -> str | ReadAgain:
        with self._changed:
            self._answer, self._dropped = None, False
            self._prompt = prompt
            self._changed.notify_all()
        try:
            while True:
                with self._changed:
                    if self._changed.wait_for(self._is_answered, 0.1):
                        break
                if self.stop.is_set() or self.halt.is_set():
                    raise StoppedError
                self.beat()
                meanwhile()
        finally:
            with self._changed:
                self._prompt = None
        if self._dropped:
            raise DroppedError
        self.connected(prompt.subject, True)
        return self._taken()

    def _taken(self) -> str | ReadAgain:
        return self._answer or ""

    def _is_answered(self) -> bool:
        return self._answer is not None or self._dropped


def _named(ticket: Ticket) -> dict[str, str | None]:
    """Return what screens name an order by; the oldest open one is carried out."""
    serial = ticket.serial or ticket.order.serial
    return {"ticket": ticket.ticket, "work": ticket.order.work, "serial": serial}


def _in_the_way(order: Order, before: Sequence[Ticket]) -> bool:
    """Whether what was ordered before leaves something else on the bench, or may.

    Who orders a unit at an idle bench has connected it. Not so who orders again what
    failed before it was connected, or what failed before another unit came.

    Parameters
    ----------
    before
        Orders that need the bench, oldest first.
    """
    if not before:
        return False
    if not before[-1].ended:
        return not before[-1].leaves_connected(order)
    same = [
        one
        for one in before
        if order.serial is not None and order.serial in {one.serial, one.order.serial}
    ]
    if not same or same[-1].state != "failed":
        return False
    return same[-1].connect_first or same[-1] is not before[-1]
