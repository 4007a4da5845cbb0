"""One order after another: the only one that measures and that waits for people."""

import time
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial
from logging import getLogger

from config import HoldpointError, Settings
from daemon.bench import BenchError, Clock, StoppedError, connect
from daemon.judging import failing, in_force
from daemon.metrology import MetrologyError
from daemon.presentation import before_it_leaves, left_to_measure, sentences
from daemon.service.bench_at_work import BenchAtWork
from daemon.service.home import Home
from daemon.spc import SpcError
from daemon.station import (
    CATCHING_UP,
    NOTHING_READ,
    ByHand,
    Cycle,
    Desk,
    DroppedError,
    Inbox,
    Order,
    Prober,
    ReadAgain,
    Recorded,
    RefusedError,
    Ticket,
    TypedCheck,
    reseating,
    which_unit,
)
from daemon.traceability import kitting
from daemon.watch import in_words, limits_of
from storage import LatestRun, NotFoundError, StandardValue, Store

log = getLogger(__name__)

FAULTS = (HoldpointError, MetrologyError, SpcError)
"""All of ours: none ends the worker, each is said."""

IDLE_S = 0.2
LOOK_S = 1.0
"""How often an idle daemon looks for dropped serials and for rows of others."""


class Worker:
    """Takes one order after another; the only one who measures."""

    def __init__(
        self,
        settings: Settings,
        home: Home,
        store: Store,
        desk: Desk,
        clock: Clock,
    ) -> None:
        self.desk = desk
        self._written = settings
        """As the files say; check standards may have been assigned other values."""
        self._assigned = store.rows(StandardValue, product=settings.product.name)
        now = in_force(settings, store)
        settings = now.settings
        self._settings = settings
        self._store = store
        self._clock = clock
        self._configuration = kitting.keep_settings(store, settings, at=clock.utc())
        desk.show(configuration=self._configuration)
        self._cycle = Cycle(
            settings,
            store,
            own_limit=limits_of(home.data, settings).serving,
            utc=clock.utc,
        )
        self._home = home
        self._caught_up = False
        self.bench = BenchAtWork(
            now,
            home,
            self._cycle,
            desk,
            clock,
            configuration=self._configuration,
        )
        self._remarks: tuple[str, ...] = ()
        self._looked_s = 0.0
        self._seen: int | None = None
        """The number of changes of the store that was watched last while idle."""
        self._inbox = Inbox(home.inbox, desk)
        self._by_hand = ByHand(
            settings, store, self._cycle, desk, clock, configuration=self._configuration
        )

    def utc(self) -> datetime:
        """Return what time rows carry."""
        return self._clock.utc()

    def show_watching(self) -> None:
        """Say which limit serves and what builds are held against."""
        self.desk.show(
            limit=in_words(self._home.data, self._settings),
            history=self._cycle.known.history() if self._caught_up else None,
        )

    def _take_standards(self) -> None:
        """Go on with the values of check standards that are in force now.

        Somebody may have assigned others since, here or at another bench.
        """
        assigned = self._store.rows(StandardValue, product=self._settings.product.name)
        if assigned == self._assigned:
            return
        now = in_force(self._written, self._store)
        self._assigned, self._settings = assigned, now.settings
        self._configuration = kitting.keep_settings(
            self._store, now.settings, at=self._clock.utc()
        )
        self._cycle.settings = now.settings
        self.bench.take_standards(now, self._configuration)
        self._by_hand.take_settings(now.settings, self._configuration)
        self.desk.show(configuration=self._configuration)

    def warm_up(self) -> None:
        """Load what all threads must wait for, before a bench is open."""
        self._cycle.warm_up()

    def catch_up(self) -> None:
        """Look through the runs of before; say how far that is.

        Raises
        ------
        daemon.bench.StoppedError
            The daemon is going down; the next start goes on from here.
        """
        (last,) = self._store.rows(LatestRun, product=self._settings.product.name)
        self.desk.show(phase=CATCHING_UP)

        def step(number: int) -> None:
            self.desk.beat()
            self.desk.show(catching_up=sentences.catching_up(number, last.number))
            if self.desk.stop.is_set():
                raise StoppedError

        self._cycle.resume(step)
        self._caught_up = True
        self.desk.show(catching_up=None, refolded=self._cycle.known.refolded)
        self.show_watching()

    def work(self) -> None:
        """Catch up, then carry out orders until told to stop."""
        try:
            self.catch_up()
        except StoppedError:
            return
        if not self.desk.halt.is_set():
            self.desk.show(phase="waiting")
        while not self.desk.stop.is_set():
            ticket = self.desk.next_order(wait_s=IDLE_S)
            if ticket is None:
                self._idle()
            else:
                self._carry_out(ticket)

    def _idle(self) -> None:
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOK_S:
            return
        self._looked_s = now_s
        if self.desk.end_unused():
            return
        if self.bench.alarmed:
            self.bench.try_off()
        try:
            self._inbox.look()
            changes = self._store.changes()
            if changes == self._seen:
                return
            self._take_standards()
            self._cycle.watch(step=self.desk.beat)
            # Not before: what could not be watched is tried again.
            self._seen = changes
            # A file may have been imported: what builds are held against is another.
            if (history := self._cycle.known.history()) != self.desk.snapshot()[
                "history"
            ]:
                self.desk.show(history=history)
        except (*FAULTS, OSError) as exc:
            self._trouble(exc)

    def _carry_out(self, ticket: Ticket) -> None:
        name = ticket.ticket
        self._remarks = ()
        try:
            self._take_standards()
            if ticket.order.work == "unit":
                recorded = self._measure(ticket)
                self.desk.update(
                    name,
                    run=recorded.run,
                    number=recorded.number,
                    verdict=recorded.verdict.value,
                    message=failing(recorded.checks),
                    remarks=(
                        *self.desk.snapshot()["remarks"],
                        *recorded.remarks,
                        *self._remarks,
                        *self.bench.take_said(),
                    ),
                )
            else:
                self.desk.update(name, message=self._work_on_bench(ticket))
            self._cycle.take_said()  # before this order
            self._cycle.watch(step=self.desk.beat)
            self._say_held(name, self._cycle.take_said())
            self._say_left_to_measure(name)
            self._ask_for_check(name, ticket.order)
            self.show_watching()
        except DroppedError as exc:
            self.desk.update(name, state="failed", message=str(exc))
            self.desk.turn_to("waiting")
        except StoppedError as exc:
            self.desk.update(name, state="failed", message=str(exc))
            self.desk.show(**NOTHING_READ)
            if not self.bench.alarmed:
                self.desk.show(phase="source off", source_on=False)
        except FAULTS as exc:
            self.desk.update(name, state="failed", message=str(exc))
            self._trouble(exc)
            if isinstance(exc, BenchError):
                self.bench.take(exc)
        else:
            # Nothing of it is shown any more once its end is told.
            self.desk.show(trouble=None, source_on=False)
            self.desk.turn_to("waiting")
            self.desk.update(name, state="done")

    def _say_held(self, name: str, told: Sequence[str]) -> None:
        """Tell whoever follows an order what is held from now on, or stays so."""
        ticket = self.desk.ticket(name)
        if ticket is not None and told:
            self.desk.update(name, remarks=(*ticket.remarks, *told))

    def _say_left_to_measure(self, name: str) -> None:
        """Say which ranges of a reworked unit were not measured again yet."""
        ticket = self.desk.ticket(name)
        if ticket is None or not (ticket.order.rerun or ticket.order.ranges):
            return  # who measures a unit for the first time has not reworked it
        rows = self._store.table(
            "to_measure_again",
            product=self._settings.product.name,
            serial=ticket.serial,
        )
        left = left_to_measure(rows.to_pylist(), self._cycle.product.titles)
        said = (before_it_leaves(one, [*which.values()]) for one, which in left.items())
        self.desk.update(name, remarks=(*ticket.remarks, *said))

    def _ask_for_check(self, name: str, order: Order) -> None:
        """Say after a check that another one is worth while, where it is."""
        if order.work != "check" or (said := self._cycle.bench_in_question()) is None:
            return
        ticket = self.desk.ticket(name)
        if ticket is not None:
            self.desk.update(name, message=f"{ticket.message or ''} {said}".strip())

    def _trouble(self, fault: Exception) -> None:
        log.error("Not done: %s.", str(fault).rstrip("."))
        self.desk.show(
            phase="trouble", trouble=str(fault), source_on=False, **NOTHING_READ
        )

    def _measure(self, ticket: Ticket) -> Recorded:
        order = ticket.order
        build, serial = self._which(order)
        first = which_unit.first_run(
            self._store, serial, again=order.rerun or bool(order.ranges)
        )
        self.desk.update(ticket.ticket, state="measuring", serial=serial)
        answers = self._answers(order.checks)
        read_again: list[ReadAgain] = []

        def first_taken(recorded: Recorded) -> None:
            self.desk.update(
                ticket.ticket,
                run=recorded.run,
                number=recorded.number,
                verdict=recorded.verdict.value,
            )

        seated = reseating.measured(
            serial,
            self._by_person(order, build, serial, answers, read_again)
            if order.typed
            else self._by_bench(ticket, build, serial, answers),
            self._cycle,
            rerun_of=first,
            ask=self._seat_again(order, serial, read_again),
            first_taken=first_taken,
            typed=bool(order.typed),
        )
        self._remarks = (*self._remarks, *seated.remarks)
        return seated.recorded

    def _seat_again(
        self, order: Order, serial: str, read_again: list[ReadAgain]
    ) -> Callable[[str], object] | None:
        """Return who has a unit seated again, and typed readings taken once more."""
        if not order.typed:
            return partial(self.desk.ask, subject=serial)
        if not order.attended:
            return None
        return lambda text: read_again.append(
            self._by_hand.read_again(order, serial, text)
        )

    def _by_person(
        self,
        order: Order,
        build: str,
        serial: str,
        answers: dict[str, float],
        read_again: Sequence[ReadAgain],
    ) -> reseating.Measure:
        """Return how a person measures: as ordered, then as it was read again."""

        def measure(*, rerun_of: str | None, note: str | None) -> Recorded:
            again = read_again[-1] if read_again else None
            return self._by_hand.record(
                order,
                build,
                serial,
                answers=answers if again is None else self._answers(again.checks),
                rerun_of=rerun_of,
                note=note,
                typed=None if again is None else again.typed,
            )

        return measure

    def _by_bench(
        self,
        ticket: Ticket,
        build: str,
        serial: str,
        answers: dict[str, float],
    ) -> reseating.Measure:
        """Return how the bench measures, opened anew where it was lost meanwhile."""
        order = ticket.order
        ranges = self._ranges(order)

        def lost_and_opened(said: str) -> None:
            self._remarks = (said,)
            self.desk.update(ticket.ticket, remarks=self._remarks)

        def measure(*, rerun_of: str | None, note: str | None) -> Recorded:
            seated_again = note is not None
            connect = ticket.connect_first and not seated_again

            def take(lost: str | None) -> Recorded:
                if not connect:
                    self.desk.connected(serial, False)
                notes = [one for one in (order.note, note, lost) if one]
                return self.bench.station().unit(
                    serial=serial,
                    build=build,
                    ranges=ranges,
                    rerun_of=rerun_of,
                    note="; ".join(notes) or None,
                    answers=answers,
                    connect=connect,
                )

            return self.bench.measured(take, lost_and_opened)

        return measure

    def _answers(self, checks: Sequence[TypedCheck]) -> dict[str, float]:
        """Return checks that were typed, by name."""
        known = self._settings.plan.checks
        for one in checks:
            if one.name not in known:
                raise NotFoundError(kind="check", key=one.name)
        return {one.name: one.value for one in checks}

    def _work_on_bench(self, ticket: Ticket) -> str:
        """Carry out what is of the bench, not of a unit; return what came of it."""
        name, order = ticket.ticket, ticket.order
        if order.work in {"prove", "check reel"}:
            self.desk.update(name, state="measuring")
            return self._probe(order)
        station = self.bench.station()
        self.desk.update(name, state="measuring", serial=order.serial)
        if order.work == "check":
            station.check()
            said = "The check standard reads right on every range."
            return " ".join((said, *station.take_said()))
        if order.work == "end session":
            station.finish()
            said = "The session is ended; the next unit waits for a new check."
            return " ".join((said, *station.take_said()))
        if order.second is None or order.serial is None:
            message = "say which unit is connected, and which meter is beside the bench"
            raise RefusedError(message)
        if order.second.range not in self._cycle.product.keys:
            raise NotFoundError(kind="range", key=order.second.range)
        return station.compare(
            order.serial, order.second, connect=ticket.connect_first
        ).words

    def _probe(self, order: Order) -> str:
        """Measure what settles a finding, or loose parts of a reel."""
        if not self.desk.snapshot()["instruments"]:
            message = "this daemon was started without a bench; type what was read"
            raise RefusedError(message)
        prober = Prober(
            settings=self._settings,
            product=self._cycle.product,
            store=self._store,
            desk=self.desk,
            clock=self._clock,
            connect=connect,
            station=self.bench.station,
            make_way=self.bench.make_way,
        )
        if order.proof is not None:
            return prober.prove(order.proof)
        if order.loose is None:
            message = "say what to measure"
            raise RefusedError(message)
        return prober.check_reel(order.loose)

    def _ranges(self, order: Order) -> tuple[str, ...]:
        known = self._cycle.product.keys
        for key in order.ranges:
            if key not in known:
                raise NotFoundError(kind="range", key=key)
        return order.ranges or known

    def _which(self, order: Order) -> tuple[str, str]:
        """Return the build and the serial that an order means."""
        product = self._settings.product.name
        build = which_unit.build_of(
            self._store, product, build=order.build, serial=order.serial
        )
        if order.serial is not None:
            return build, order.serial
        (last,) = self._store.table("last_serial", build=build).to_pylist() or [None]
        return build, which_unit.next_serial(
            build, None if last is None else str(last["serial"])
        )
