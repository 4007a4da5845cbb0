"""The bench as the daemon uses it: sessions checked by the standard, then units.

A unit is judged only by a bench that is warm, in a room it is specified for, and in
a session whose last check of every range was in control and is not overdue.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

from config import model
from daemon.bench import (
    Bench,
    Clock,
    HandTold,
    HandTurned,
    Meter,
    Progress,
    RangeReadings,
    StoppedError,
    identify,
    measure,
)
from daemon.judging import remarks, standards_past_due, too_poor_for
from daemon.presentation import sentences, standards
from daemon.station.asking import Asking
from daemon.station.bench_book import (
    BenchBook,
    MovedAlikeError,
    NoStandardError,
    NotJudgedError,
    OutOfControlError,
)
from daemon.station.check_standard import Due
from daemon.station.cycle import Cycle, Recorded
from daemon.station.desk import Desk
from daemon.station.orders import RefusedError, SecondMeter
from daemon.station.second_meter import Comparison, compare, cross_check

__all__ = [
    "AmbientError",
    "MovedAlikeError",
    "NoStandardError",
    "NotJudgedError",
    "OutOfControlError",
    "Station",
]

LOOK_S = 1.0
SECONDS_A_MINUTE = 60.0


SHOWN_READINGS = 200
"""Of the point that was read last, for screens."""


class AmbientError(NotJudgedError):
    """The room is too cold or too warm for the bench."""

    def __init__(self, *, ambient_c: float, lowest_c: float, highest_c: float) -> None:
        self.ambient_c = ambient_c
        self.lowest_c = lowest_c
        self.highest_c = highest_c
        super().__init__(
            f"the room is at {ambient_c:.1f} C, outside {lowest_c:g} to "
            f"{highest_c:g} C (ambient_c in bench.toml): no unit is judged until it "
            "is back"
        )


class Station:
    """One bench, one person, one unit after another.

    Parameters
    ----------
    cycle
        Takes the readings further.
    bench
        Open, its source off.
    desk
        Where the person is asked to connect this or that.
    clock
        For settling; rows carry its UTC.
    configuration
        Hash of the settings that everything here is judged by.
    otherwise
        Sentences about standards of which the bench file says other values.
    """

    def __init__(
        self,
        cycle: Cycle,
        bench: Bench,
        *,
        desk: Desk,
        clock: Clock,
        configuration: str,
        otherwise: tuple[str, ...] = (),
    ) -> None:
        self._cycle = cycle
        self._bench = bench
        self._desk = desk
        self._clock = clock
        self._book = BenchBook(
            cycle, self._settings, clock=clock, configuration=configuration
        )
        self._hand = self._turned_by_hand()
        self._opened_s = clock.now_s()
        self._too_poor = too_poor_for(cycle.settings)
        self._otherwise = otherwise
        self._told: tuple[str, ...] = ()
        self._said: tuple[str, ...] = ()
        self._show_standing()

    def take_standards(self, configuration: str, otherwise: tuple[str, ...]) -> None:
        """Go on with the values of check standards that are in force from now on.

        A session has one value of each standard: the next unit waits for a new one.
        """
        self._book = BenchBook(
            self._cycle,
            self._settings,
            clock=self._clock,
            configuration=configuration,
        )
        self._otherwise, self._told = otherwise, ()
        self._desk.show(checked=None)
        self._show_remarks()
        self._show_standing()

    def _turned_by_hand(self) -> HandTold | HandTurned | None:
        """Return who helps a person to turn the switch; None with a selector."""
        product = self._cycle.product
        if self._bench.selector is not None or len(product.ranges) == 1:
            return None
        if self._bench.source_by_hand or self._bench.read_by_hand:
            return HandTold(
                self._bench,
                clock=self._clock,
                stop=self._desk.halt,
                ask=self._desk.ask,
            )
        return HandTurned(
            self._bench,
            output_ranges=self._settings.output.ranges,
            transfers={one.key: one.nominal_transfer for one in product.ranges},
            titles={one.key: one.title for one in product.ranges},
            clock=self._clock,
            stop=self._desk.halt,
            ask=self._desk.ask,
        )

    def end_session(self) -> None:
        """Leads or nulls were changed: the next unit waits for a new check."""
        self._book.end_session()
        self._desk.show(checked=None)
        self._show_standing()

    def unit(
        self,
        *,
        serial: str,
        build: str,
        ranges: Sequence[str],
        rerun_of: str | None = None,
        note: str | None = None,
        answers: Mapping[str, float] | None = None,
        connect: bool = False,
    ) -> Recorded:
        """Measure the unit that is connected; check the bench first when it is due.

        Parameters
        ----------
        connect
            Whether the unit is yet to be connected.

        Raises
        ------
        NotJudgedError
            The check standard reads wrong, or the room is not as it should be;
            nothing was judged.
        daemon.bench.errors.BenchError
            The unit could not be measured, or the source was ordered off; nothing
            was kept.
        """
        session = self._checked_session(serial, connect=connect)
        self._require_ambient()
        started_at = self._clock.utc()
        self._show_remarks()
        self._desk.turn_to("measuring", serial=serial, build=build)
        asking = Asking(
            self._cycle.settings.plan.checks,
            self._cycle.product.titles,
            self._desk,
            serial,
            answers or {},
        )
        readings = self._measure(serial, ranges, self._asking_at_level(asking))
        if moved := self._to_read_again(readings):
            self._desk.show(phase="reading again")
            again = {one.range: one for one in self._measure(serial, tuple(moved))}
            readings = [again.get(one.range, one) for one in readings]
            said = f"{self._book.disagreement(moved)} It was read again there."
            note = f"{note} {said}" if note else said
        asking.rest(ranges)
        if self._hand is not None and self._hand.note is not None:
            note = f"{note} {self._hand.note}" if note else self._hand.note
        recorded = self._book.unit(
            readings,
            session=session,
            serial=serial,
            build=build,
            started_at=started_at,
            rerun_of=rerun_of,
            note=note,
            answers=asking.answers,
        )
        self._show_standing()
        return recorded

    def _to_read_again(self, readings: Sequence[RangeReadings]) -> dict[str, float]:
        """Return where something came and may be gone, ppm; no person turns a switch.

        What stays so puts the run in doubt.
        """
        return {} if self._hand is not None else self._book.disagreements(readings)

    def check(self) -> None:
        """Run the check standards now, whether a check is due or not.

        Raises
        ------
        NotJudgedError
            It reads wrong, or there is none.
        """
        if self._settings.check_standard is None:
            raise NoStandardError
        self._check(self._open_session(), beside=True)

    def finish(self) -> None:
        """End the session with a check that closes what it measured.

        Raises
        ------
        NotJudgedError
            The check standard reads wrong: the runs since its last good check are
            in doubt.
        """
        book = self._book
        if book.session is not None and book.standing is not None:
            self._check(book.session, beside=True)
        self.end_session()

    def notice_overdue(self) -> Due | None:
        """Say so once a check, or a calibration, is overdue; from any thread."""
        if self._book.session is None:
            return None
        self._show_remarks()
        if self._book.standing is None:
            return None
        due = self._book.standing.notice_overdue()
        self._show_standing()
        return due

    def compare(
        self, serial: str, second: SecondMeter, *, connect: bool = False
    ) -> Comparison:
        """Read one range of the mounted unit with a second meter beside the bench's.

        Parameters
        ----------
        connect
            Whether the unit and the meter are yet to be connected.

        Raises
        ------
        RefusedError
            A person reads the bench's meter.
        daemon.bench.errors.BenchError
            The range could not be measured.
        """
        meter = self._bench.drivers[second.role]
        if isinstance(meter, Meter) and meter.by_hand:
            message = (
                f"a person reads the bench's {second.role} meter: read both meters, "
                "and compare them by hand"
            )
            raise RefusedError(message)
        session = self._open_session()
        if connect:
            self._connect(
                f"unit {serial}, and {second.meter} beside the bench's {second.role} "
                "meter: volts in parallel, current in series",
                serial,
            )
        self._desk.turn_to("comparing meters", serial=serial)
        beside = compare(
            self._bench,
            second,
            self._clock,
            settings=self._settings,
            product=self._cycle.settings.product,
            desk=self._desk,
            progress=self._show_progress,
        )
        done = cross_check(
            beside,
            second,
            bench=self._settings,
            product=self._cycle.settings.product,
            serial=serial,
            session=session,
            at=self._clock.utc(),
        )
        self._cycle.store.keep(done.row)
        return done

    @property
    def _settings(self) -> model.Bench:
        bench = self._cycle.settings.bench
        if bench is None:
            message = "a station needs a bench"
            raise ValueError(message)
        return bench

    def _checked_session(self, serial: str, *, connect: bool) -> str:
        self._warm_up()
        session = self._open_session()
        if self._book.check_is_due():
            self._check(session)
            connect = True
        if connect:
            self._connect(f"unit {serial}", serial)
        return session

    def _warm_up(self) -> None:
        """Wait until the instruments have been on for long enough, the source off.

        Raises
        ------
        StoppedError
            A person or the daemon asked to stop.
        """
        until_s = self._opened_s + self._settings.warm_up_minutes * SECONDS_A_MINUTE
        while (left_s := until_s - self._clock.now_s()) > 0:
            minutes = left_s / SECONDS_A_MINUTE
            self._desk.show(phase=f"warming up, {minutes:.0f} min left")
            self._desk.beat()
            if self._desk.halt.is_set() or self._desk.stop.is_set():
                raise StoppedError
            self._clock.wait_s(min(left_s, LOOK_S), unless=self._desk.halt)

    def _require_ambient(self) -> None:
        if self._bench.ambient is None:
            return
        ambient_c = self._bench.ambient.read()
        lowest_c, highest_c = self._settings.ambient_c
        if not lowest_c <= ambient_c <= highest_c:
            raise AmbientError(
                ambient_c=ambient_c, lowest_c=lowest_c, highest_c=highest_c
            )

    def _open_session(self) -> str:
        """Return the session that is open, a new one where none is."""
        if self._book.session is not None:
            return self._book.session
        session = self._book.open_session(identify(self._bench))
        self._desk.show(session=session)
        self._show_remarks()
        return session

    def _check(self, session: str, *, beside: bool = False) -> None:
        """Run the check standard; there is one.

        Others are run beside it where a session opens and ends, when `beside` says so,
        and where it reads wrong: they tell whether the bench has moved, or it.
        """
        standard = self._settings.check_standard
        if standard is None:
            raise NoStandardError
        keys = self._cycle.product.keys
        self._desk.show(checked=None)
        readings, started_at = self._run_standard(standard, keys)
        try:
            self._book.check(readings, session=session, started_at=started_at)
            self._desk.show(checked=sentences.reads_right(standard.serial))
        except MovedAlikeError:
            raise
        except OutOfControlError as exc:
            said = self._beside(session)
            raise OutOfControlError(
                serial=exc.serial, ranges=exc.ranges, beside=said
            ) from None
        finally:
            self._show_standing()
        if beside or not self._book.compared:
            self._beside(session)

    def _run_standard(
        self, standard: model.KnownStandard, ranges: Sequence[str]
    ) -> tuple[list[RangeReadings], datetime]:
        """Have a standard connected and measure it; return when that began, too."""
        serial = standard.serial
        self._warm_up()
        self._connect(f"check standard {serial}", serial)
        self._require_ambient()
        started_at = self._clock.utc()
        self._desk.turn_to("checking", serial=serial)
        return self._measure(serial, ranges), started_at

    def _beside(self, session: str) -> tuple[str, ...]:
        """Run the other standards beside the one just read; return what they tell."""
        others = []
        for one in self._book.further_standards():
            known = [key for key in self._cycle.product.keys if key in one.error_ppm]
            others.append((one, self._run_standard(one, known)[0]))
        if not others:
            return ()
        rows = self._book.compare(others, session=session)
        titles = self._cycle.product.titles
        said = standards.standards_said(rows, titles)
        self._told = standards.standards_said(rows, titles, right=False)
        self._show_remarks()
        self._said = said
        return said

    def take_said(self) -> tuple[str, ...]:
        """Return once what the last check changed, and what several standards told."""
        said, self._said = self._said, ()
        return (*self._book.take_said(), *said)

    def _show_remarks(self) -> None:
        """Say what to know of the bench: a calibration may end any day."""
        today = self._clock.utc().date()
        self._desk.show(
            remarks=(
                *remarks(self._book.instruments, today),
                *standards_past_due(self._settings, today),
                *self._otherwise,
                *self._told,
                *self._too_poor,
            )
        )

    def _show_standing(self) -> None:
        standing = self._book.standing
        due = None if standing is None else standing.due()
        self._desk.show(
            session=self._book.session,
            check_due=None if due is None else due.reason,
            check_overdue=due is not None and due.overdue,
            check_after_units=None if standing is None else standing.units_left,
        )

    def _connect(self, what: str, serial: str) -> None:
        """Have a person connect something; at the word of who did, it is another."""
        # What was read so far is of what is taken off now.
        self._desk.turn_to("connecting", serial=serial)
        self._desk.ask(f"Connect {what}, then confirm.", subject=serial, by_scan=True)
        if self._hand is not None:
            self._hand.swapped()

    def _measure(
        self,
        serial: str,
        ranges: Sequence[str],
        progress: Callable[[Progress], None] | None = None,
    ) -> list[RangeReadings]:
        """Measure what is connected, its switch turned by the bench or by a person."""
        if self._hand is not None:
            return self._hand.unit(serial, ranges, progress or self._show_progress)
        self._desk.show(source_on=True)
        readings = measure(
            self._bench,
            ranges,
            self._clock,
            stop=self._desk.halt,
            progress=progress or self._show_progress,
        )
        # After a fault the worker says how the source stands.
        self._desk.show(source_on=False)
        return readings

    def _asking_at_level(self, asking: Asking) -> Callable[[Progress], None]:
        """Return who shows each point, and asks for the input's drop at the level."""

        def at(progress: Progress) -> None:
            self._show_progress(progress)
            setup = self._bench.setups[progress.range]
            if progress.point.level == setup.level:
                asking.at_level(
                    progress.range,
                    share=setup.level / setup.full_scale,
                    keep_on=self._bench.patience.meanwhile(),
                )

        return at

    def _show_progress(self, progress: Progress) -> None:
        self._desk.show(
            range=progress.range,
            done=progress.done,
            points=progress.points,
            level=progress.level,
            levels=progress.levels,
            # Without a person it is off only once it was seen to be.
            source_on=self._hand is None or progress.done < progress.points,
            live={
                "level": progress.point.level,
                "reference": progress.point.reference[-1],
                "output": progress.point.output[-1],
            },
            record={
                "at_s": list(progress.point.at_s[-SHOWN_READINGS:]),
                "output": list(progress.point.output[-SHOWN_READINGS:]),
            },
        )
