"""Days of a bench lived in process: no threads, no sockets, time that is passed in.

What the daemon does to a unit, a check, a slip, a session, a build, a reel and a file,
in the same order and by the same functions; only the hands differ. The readings come
from whoever lives the days: a study's truth, a test's list, a simulated circuit.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from config import Bench, Settings, fingerprint
from daemon.bench import RangeReadings, VirtualClock
from daemon.holds import policy
from daemon.station import import_sheet, reseating, which_unit
from daemon.station.bench_book import BenchBook, NoStandardError
from daemon.station.cycle import Cycle, Recorded
from daemon.traceability import kitting
from daemon.watch import FindLimit
from storage import Configuration, Disposal, Signal, Store

__all__ = ["BenchDays", "Done", "Reads"]

UNIT_S = 300.0
"""What a unit, or the check standard, takes on the bench."""


class Reads(Protocol):
    """Whoever reads what is on the bench."""

    def unit(self, serial: str, *, at_s: float) -> Sequence[RangeReadings]:
        """Read a unit as it is seated now; a range left out was not measured."""
        ...

    def standard(self, *, at_s: float) -> Sequence[RangeReadings]:
        """Read the check standard on every range."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A unit on the bench: its run that counts, and what was found.

    `before` is the run before it was seated again, None where that was not asked for.
    """

    recorded: Recorded
    before: Recorded | None
    remarks: tuple[str, ...]
    found: tuple[Signal, ...]


class BenchDays:
    """Lives the days of one bench.

    Parameters
    ----------
    settings
        With a bench.
    store
        Where rows go.
    reads
        Gives the readings.
    clock
        Passes only when somebody waits; left out, it begins on a Monday.
    own_limit
        See `daemon.station.cycle.Cycle`.
    answers
        Whether somebody is at the bench who seats a unit again when asked.

    Raises
    ------
    ValueError
        The settings have no bench.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        reads: Reads,
        *,
        clock: VirtualClock | None = None,
        own_limit: FindLimit | None = None,
        answers: bool = True,
    ) -> None:
        if settings.bench is None:
            message = "a bench lives no days without bench.toml"
            raise ValueError(message)
        self.settings = settings
        self.store = store
        self.clock = clock or VirtualClock()
        self.asked: list[str] = []
        """Every question that was asked, in order."""
        self._bench: Bench = settings.bench
        self._reads = reads
        self._own_limit = own_limit
        self._answers = answers
        self._configuration = kitting.keep_settings(
            store, settings, at=self.clock.utc()
        )
        self.cycle, self.book = self._started()

    def restart(self) -> None:
        """End the program and start it again: all that it knows is in the rows.

        The bench's session ends with it.
        """
        self.cycle, self.book = self._started()

    def _started(self) -> tuple[Cycle, BenchBook]:
        cycle = Cycle(self.settings, self.store, own_limit=self._own_limit)
        cycle.resume()
        book = BenchBook(
            cycle, self._bench, clock=self.clock, configuration=self._configuration
        )
        return cycle, book

    # what a person writes down

    def open_build(
        self,
        build: str,
        *,
        planned_units: int | None = None,
        at: datetime | None = None,
    ) -> None:
        """Open a build, now or at another time."""
        kitting.open_build(
            self.store,
            self.settings.product.name,
            build,
            planned_units=planned_units,
            at=at or self.clock.utc(),
        )

    def receive_reel(self, reel: str, part: str, *, at: datetime | None = None) -> None:
        """Receive a reel for a part, labelled as planned."""
        planned = self.settings.product.parts[part]
        kitting.receive_reel(
            self.store,
            reel,
            nominal_ohm=planned.nominal_ohm,
            tolerance_ppm=planned.tolerance_ppm,
            at=at or self.clock.utc(),
        )

    def fit_reel(
        self,
        build: str,
        part: str,
        reel: str,
        *,
        from_serial: str | None = None,
        at: datetime | None = None,
        checked: bool = True,
    ) -> kitting.Fitted:
        """Record which reel feeds a part from a unit on, now or late.

        The watch hears of it with its next look: at the next unit, or by `watch`.

        Parameters
        ----------
        checked
            Whether it is held against the other records, as a command does.

        Raises
        ------
        storage.errors.StorageError, daemon.traceability.tracing.ContradictionError
            As `daemon.traceability.kitting.fit_reel`.
        """
        fitting = kitting.fitting_of(
            self.settings.product.name,
            build,
            part,
            reel,
            from_serial=from_serial,
            at=at or self.clock.utc(),
        )
        if checked:
            return kitting.fit_reel(self.store, self.settings.product, fitting)
        self.store.keep(fitting)
        return kitting.Fitted(fitting=fitting)

    def end_hold(
        self,
        hold: str,
        *,
        disposal: Disposal,
        person: str,
        reason: str,
    ) -> None:
        """End a hold: a named person takes the decision.

        Raises
        ------
        daemon.holds.policy.NotAllowedError
            The person is not listed, or gives no reason.
        """
        end, decision = policy.ending(
            hold,
            disposal=disposal,
            person=person,
            reason=reason,
            people=self.settings.plan.people,
            at=self.clock.utc(),
        )
        self.store.keep(end, decision=decision)

    # what happens on the bench

    def new_session(self) -> None:
        """Set leads, meter ranges or nulls up anew: the next unit waits for a check."""
        self.book.end_session()

    def unit(
        self,
        serial: str,
        build: str,
        *,
        again: bool = False,
        note: str | None = None,
    ) -> Done:
        """Measure a unit, checked, seated again where it reads odd; then watch it.

        Parameters
        ----------
        again
            It was measured before, and is measured again.
        note
            Kept with its run.

        Raises
        ------
        daemon.station.orders.RefusedError
            It was measured before, and not again.
        daemon.station.bench_book.OutOfControlError
            The check standard reads wrong: nothing was judged.
        """
        first = which_unit.first_run(self.store, serial, again=again)
        session = self._session()
        if self.book.check_is_due():
            self._check(session)

        ordered = note

        def measure(*, rerun_of: str | None, note: str | None) -> Recorded:
            started_at, readings = self._read(
                lambda at_s: self._reads.unit(serial, at_s=at_s)
            )
            return self.book.unit(
                readings,
                session=self._session(),
                serial=serial,
                build=build,
                started_at=started_at,
                rerun_of=rerun_of,
                note="; ".join(one for one in (ordered, note) if one) or None,
            )

        seated = reseating.measured(
            serial,
            measure,
            self.cycle,
            rerun_of=first,
            ask=self.asked.append if self._answers else None,
        )
        return Done(
            recorded=seated.recorded,
            before=seated.before,
            remarks=(*seated.recorded.remarks, *seated.remarks, *self.book.take_said()),
            found=tuple(self.cycle.watch()),
        )

    def rerun(self, serial: str, build: str, *, note: str | None = None) -> Done:
        """Measure a unit again that was measured before."""
        return self.unit(serial, build, again=True, note=note)

    def check(self) -> tuple[Signal, ...]:
        """Run the check standard now; return what was found.

        Raises
        ------
        daemon.station.bench_book.OutOfControlError
            It reads wrong; the rows are watched all the same with the next look.
        NoStandardError
            There is none.
        """
        if self.book.standing is None:
            raise NoStandardError
        self._check(self._session())
        return self.watch()

    def finish(self) -> tuple[Signal, ...]:
        """End the session with a check that closes what it measured.

        Raises
        ------
        daemon.station.bench_book.OutOfControlError
            It reads wrong: the runs since its last good check are in doubt.
        """
        if self.book.session is not None and self.book.standing is not None:
            self._check(self.book.session)
        self.book.end_session()
        return self.watch()

    def watch(self) -> tuple[Signal, ...]:
        """Look for rows not watched yet, as the daemon does between orders."""
        return tuple(self.cycle.watch())

    def import_rows(
        self, rows: Sequence[import_sheet.Row], *, session: str, new_setup: bool = False
    ) -> tuple[import_sheet.Imported, tuple[Signal, ...]]:
        """Import rows of a file, as it names them; return what became of it.

        Parameters
        ----------
        rows
            A row a unit.
        session
            Of the file.
        new_setup
            Whether the bench was set up anew before these units were measured.
        """
        name, body = fingerprint(self.settings)
        now = self.clock.utc()
        done = import_sheet.take(
            rows,
            self.cycle,
            session=session,
            configuration=Configuration(configuration=name, body=body, stored_at=now),
            at=now,
            new_setup=new_setup,
        )
        return done, self.watch()

    def _session(self) -> str:
        """Return the session that is open, a new one where none is."""
        return self.book.session or self.book.open_session({})

    def _check(self, session: str) -> None:
        started_at, readings = self._read(lambda at_s: self._reads.standard(at_s=at_s))
        self.book.check(readings, session=session, started_at=started_at)

    def _read(
        self, read: Callable[[float], Sequence[RangeReadings]]
    ) -> tuple[datetime, Sequence[RangeReadings]]:
        """Return when something was read, and what; it takes its time."""
        started_at, at_s = self.clock.utc(), self.clock.now_s()
        readings = read(at_s)
        self.clock.wait_s(UNIT_S)
        return started_at, readings
