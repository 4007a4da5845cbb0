"""The bench while the daemon has it: opened, lost, opened anew, its source off."""

from collections.abc import Callable
from logging import getLogger

from config import Instrument
from daemon.bench import (
    AbsentError,
    Bench,
    BenchError,
    Clock,
    GuardLostError,
    Orders,
    OutputLostError,
    OutputNotOffError,
    WrongIdentityError,
    cautions,
    connect,
    turn_off,
)
from daemon.judging import InForce
from daemon.presentation import standards
from daemon.service.home import Home
from daemon.service.safe_off import orders_of, reach_for_source
from daemon.station import Cycle, Desk, Recorded, RefusedError, Station

log = getLogger(__name__)

LOST = (
    AbsentError,
    GuardLostError,
    OutputLostError,
    OutputNotOffError,
    WrongIdentityError,
)
"""Faults after which instruments may have forgotten what they were told."""


class LostTwiceError(BenchError):
    """The bench was lost, opened anew, and lost again with the same unit."""

    def __init__(self, *, first: str, second: str) -> None:
        self.first = first
        self.second = second
        super().__init__(
            f"the bench was lost twice in a row, first: {first}; then: {second}; see "
            "to it and order the unit again: the daemon asks before it opens the bench"
        )


class BenchAtWork:
    """One bench, opened before its station is used and anew after it was lost.

    Parameters
    ----------
    now
        Settings in force, with the bench where there is one.
    home
        Where it is written how the source is turned off without the daemon.
    cycle
        What records the runs.
    desk
        Where its state is shown and people are asked.
    clock
        Of the bench.
    configuration
        Under which its runs are kept.
    """

    def __init__(
        self,
        now: InForce,
        home: Home,
        cycle: Cycle,
        desk: Desk,
        clock: Clock,
        *,
        configuration: str,
    ) -> None:
        self.alarmed = False
        """Whether the source may be on and out of reach."""
        self._settings = now.settings
        self._home = home
        self._cycle = cycle
        self._desk = desk
        self._clock = clock
        self._configuration = configuration
        self._otherwise = self._say_otherwise(now)
        self._bench: Bench | None = None
        self._station: Station | None = None
        self._lost = False
        self._lost_twice: LostTwiceError | None = None

    def open(self) -> None:
        """Open the instruments, the source off before all else.

        A bench that a person sets and reads is not opened: its readings are typed.
        Where a person sets or reads a part of it, each step is asked for.
        """
        settings = self._settings
        self._desk.show(instruments=settings.bench is not None)
        if settings.bench is None or settings.bench.all_typed:
            return
        self._desk.show(cautions=cautions(settings.bench, settings.profiles))
        source = settings.bench.source
        if (profile := settings.profiles.get(source.profile)) is not None:
            # Whoever must turn the source off without us finds here how.
            Orders.of(source, profile).save(self._home.orders)
        self._bench = Bench(
            settings.bench,
            settings.product,
            settings.plan.reading,
            profiles=settings.profiles,
            nominal_transfer={
                one.key: one.nominal_transfer for one in self._cycle.product.ranges
            },
            connect=connect,
            clock=self._clock,
            lost=self._guard_lost,
            ask=self._desk.ask,
            goes_on=self._desk.beat,
        )
        self.alarmed = False
        self._station = Station(
            self._cycle,
            self._bench,
            desk=self._desk,
            clock=self._clock,
            configuration=self._configuration,
            otherwise=self._otherwise,
        )
        self._desk.show(bench=settings.bench.name, alarm=None)

    def take_standards(self, now: InForce, configuration: str) -> None:
        """Go on with the values of check standards that are in force from now on.

        An open session is ended: a new check is made with these values.
        """
        self._settings, self._otherwise = now.settings, self._say_otherwise(now)
        self._configuration = configuration
        if self._station is not None:
            self._station.take_standards(configuration, self._otherwise)

    def _say_otherwise(self, now: InForce) -> tuple[str, ...]:
        """Say, and return, of which standards somebody has changed the bench file."""
        titles = self._cycle.product.titles
        said = tuple(
            standards.written_otherwise(one.written, one.in_force, titles)
            for one in now.otherwise
        )
        self._desk.show(standards_otherwise=said)
        return said

    def close(self) -> None:
        """Turn the source off and let go of the instruments."""
        bench, self._bench, self._station = self._bench, None, None
        if bench is not None:
            bench.close()
            self._home.orders.unlink(missing_ok=True)

    def station(self) -> Station:
        """Return the station, its bench opened anew where it was lost.

        After a second loss in a row a person looks at it first.

        Raises
        ------
        RefusedError
            There is no bench.
        """
        if self._lost_twice is not None:
            self._desk.ask(
                f"The bench was lost twice in a row ({self._lost_twice.second}). See "
                "to it, then confirm: it is opened anew.",
                subject="the bench",
            )
            self._lost_twice = None
        if self._lost:
            self.open()
            self._lost = False
        if self._station is None:
            message = self._why_none()
            raise RefusedError(message)
        return self._station

    def _why_none(self) -> str:
        """Say why this daemon measures nothing by itself."""
        if self._settings.bench is None:
            return "there is no bench.toml, so nothing is connected: type the readings"
        if not self._desk.snapshot()["instruments"]:
            return "this daemon was started without its bench: type the readings"
        return "a person sets and reads all of bench.toml: type the readings"

    def measured(
        self,
        measure: Callable[[str | None], Recorded],
        say: Callable[[str], None],
    ) -> Recorded:
        """Measure a unit; where the bench is lost, open it anew and measure once more.

        Parameters
        ----------
        measure
            Given what is to be noted with the run, where there is something.
        say
            Told what became of the bench.

        Raises
        ------
        LostTwiceError
            The bench was lost again, or cannot be opened.
        OutputNotOffError
            The source could not be shown to be off; nothing was opened.
        """
        try:
            return measure(None)
        except OutputNotOffError:
            raise  # first of all the source must go off
        except LOST as exc:
            lost = exc
        said = str(lost).rstrip(".")
        log.warning("The bench was lost, and is opened anew: %s.", said)
        self.close()
        self._lost = True
        say(
            f"The bench was lost ({lost}); it was opened anew and the unit measured "
            "again."
        )
        self._desk.show(
            phase="opening the bench anew",
            source_on=False,
            reopened=self._desk.snapshot()["reopened"] + 1,
            lost=str(lost),
        )
        try:
            return measure(f"measured again after the bench was lost: {lost}")
        except OutputNotOffError:
            raise
        except LOST as exc:
            self._lost_twice = LostTwiceError(first=str(lost), second=str(exc))
            raise self._lost_twice from exc

    def take(self, fault: BenchError) -> None:
        """Take what a fault says of the bench: an alarm, or that it is lost."""
        if isinstance(fault, OutputNotOffError):
            self._alarm(str(fault))
        if isinstance(fault, (*LOST, LostTwiceError)):
            self.lose()

    def lose(self) -> None:
        """Let go of a bench that may have lost its settings; an order opens it anew."""
        self._lost = True
        try:
            self.close()
        except BenchError as exc:
            said = str(exc).rstrip(".")
            log.error("The bench could not be let go of: %s.", said)  # noqa: TRY400
            self._desk.show(phase="trouble", trouble=str(exc), source_on=False)

    def source_off(self) -> None:
        """Turn the source off now and keep it off; from any thread.

        A bench that was lost and let go of may have a source that is on.

        Raises
        ------
        OutputNotOffError
            It could not be shown to be off: an alarm stands until it could.
        NoSourceError
            There is no source that can be told.
        """
        bench = self._bench  # another thread may let go of it
        try:
            if bench is not None:
                bench.halt()
            else:
                orders = orders_of(self._home, self._settings)
                # Left where it can be tried again until it was seen off. Words that
                # stood there may be of a bench that is just being opened.
                stood = self._home.orders.exists() and not self.alarmed
                orders.save(self._home.orders)
                reach_for_source(orders)
                if not stood:
                    self._home.orders.unlink(missing_ok=True)
        except OutputNotOffError as exc:
            self._alarm(str(exc))
            raise
        self.alarmed = False
        self._desk.show(phase="source off", source_on=False, alarm=None)

    def resume(self) -> None:
        """Allow measuring again; leads may have been touched, so check anew."""
        if self._bench is not None:
            self._bench.resume()
        if self._station is not None:
            self._station.end_session()
        self._desk.show(phase="waiting")

    def make_way(self, ohmmeter: Instrument) -> None:
        """Turn the source off for a person who moves leads.

        A meter that reads the unit too is let go of: it is set up anew for the next
        order, with a new check.
        """
        if self._bench is None:
            return
        self._bench.source_off()
        others = self._bench.drivers.values()
        if ohmmeter.address in {one.address for one in others}:
            self.lose()

    def try_off(self) -> None:
        """Reach for a source that could not be shown to be off."""
        if not self._home.orders.exists():
            return
        if turn_off(Orders.load(self._home.orders), 0.0) is None:
            self.alarmed = False
            if self._bench is None:
                self._home.orders.unlink()
            self._desk.show(
                alarm=None,
                source_on=False,
                trouble="The source was out of reach and may have been on; it can be "
                "reached again and is off.",
            )

    def notice_overdue(self) -> None:
        """Say so once the check standard is overdue; from the scheduler's thread."""
        station = self._station
        if station is not None:
            station.notice_overdue()

    def take_said(self) -> tuple[str, ...]:
        """Return what the station said of runs judged again, once."""
        return () if self._station is None else self._station.take_said()

    def _guard_lost(self, reason: str) -> None:
        """Take the guard's word, on a thread of the guard's own."""
        said = reason.rstrip(".")
        log.critical("Alarm: what turns the source off in an emergency says: %s.", said)
        self._desk.show(alarm=reason)

    def _alarm(self, reason: str) -> None:
        """Say that the source may be on, until it was seen off."""
        said = reason.rstrip(".")
        log.critical("Alarm: the source may still be on: %s.", said)
        self.alarmed = True
        self._desk.show(alarm=reason, source_on=True)
