"""Units that a person read: typed readings become runs, in a session of their own."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from uuid import uuid4

from config import Bench, QuantityError, Settings, Unit, parse, spell
from daemon.bench import Clock
from daemon.judging import ProductModel, asked, meet, remarks
from daemon.station.cycle import Cycle, Recorded, RunHeader
from daemon.station.desk import Desk
from daemon.station.orders import Order, ReadAgain, RefusedError, TypedReading
from daemon.station.typed_readings import (
    TypedError,
    readings_of,
    require_on_range,
)
from storage import BenchInstrument, NotFoundError, Session, Store

QUESTIONS = {
    "reference_zero": ("zero", "reference"),
    "output_zero": ("zero", "output"),
    "reference": ("level", "reference"),
    "output": ("level", "output"),
}
"""What is read of a range in the order it is asked for: at what, and which meter."""


def asked_of(settings: Settings, key: str, name: str) -> str:
    """Return what is asked of one reading, with the level that is to be set.

    Parameters
    ----------
    key
        Of the range.
    name
        Of the reading, in `QUESTIONS`.
    """
    one = settings.product.ranges[key]
    at, meter = QUESTIONS[name]
    unit = Unit(settings.product.input_unit)
    level = settings.plan.reading.of(key).level_of_full_scale * one.full_scale
    where = "zero" if at == "zero" else f"about {spell(float(f'{level:.6g}'), unit)}"
    reads = _unit_of(settings, name)
    what = "The reference" if meter == "reference" else "The output"
    return f"{one.title}, source at {where}. {what} reads ({reads})"


def typed_value(
    settings: Settings, product: ProductModel, key: str, name: str, text: str
) -> float:
    """Return what one typed reading means, in the product's unit.

    Parameters
    ----------
    key
        Of the range.
    name
        Of the reading, in `QUESTIONS`.

    Raises
    ------
    config.quantity.QuantityError
        It is no quantity.
    daemon.station.typed_readings.OffRangeError
        It is too large for anything on its range.
    """
    value = parse(text, _unit_of(settings, name))
    require_on_range(name, value, product, key)
    return value


def _unit_of(settings: Settings, name: str) -> Unit:
    meter = QUESTIONS[name][1]
    one = settings.product
    return Unit(one.input_unit if meter == "reference" else one.output_unit)


class ByHand:
    """Records what a person typed at the bench or beside it.

    Parameters
    ----------
    configuration
        The settings in force, by their hash.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        cycle: Cycle,
        desk: Desk,
        clock: Clock,
        *,
        configuration: str,
    ) -> None:
        self._settings = settings
        self._store = store
        self._cycle = cycle
        self._desk = desk
        self._clock = clock
        self._configuration = configuration
        self._session: str | None = None
        self._met: list[BenchInstrument] = []

    def take_settings(self, settings: Settings, configuration: str) -> None:
        """Go on with other settings in force."""
        self._settings, self._configuration = settings, configuration

    def record(
        self,
        order: Order,
        build: str,
        serial: str,
        *,
        answers: dict[str, float],
        rerun_of: str | None,
        note: str | None = None,
        typed: Sequence[TypedReading] | None = None,
    ) -> Recorded:
        """Judge and keep one unit's typed readings.

        Parameters
        ----------
        answers
            Checks that came with the order, by name.
        rerun_of
            The unit's run before, if it had one.
        note
            Kept with the run, beside the order's own.
        typed
            Readings in place of the order's: of a unit that was seated again.

        Raises
        ------
        RefusedError
            A check is not answered.
        NotFoundError
            A range that the product has not.
        daemon.station.typed_readings.TypedError
            Readings that cannot be.
        """
        bench = self._settings.meters
        now = self._clock.utc()
        taken = order.typed if typed is None else typed
        for one in taken:
            if one.range not in self._cycle.product.keys:
                raise NotFoundError(kind="range", key=one.range)
        readings = readings_of(
            taken, self._cycle.product, bench, at_s=self._clock.now_s()
        )
        needed = asked(
            self._settings.plan.checks,
            typed=True,
            ranges=[one.range for one in taken],
        )
        if missing := [name for name in needed if name not in answers]:
            message = f"answer the checks too: {', '.join(missing)}"
            raise RefusedError(message)
        return self._cycle.record(
            readings,
            RunHeader(
                serial=serial,
                build=build,
                session=self._session_of(
                    bench, now, new_setup=order.new_setup and typed is None
                ),
                origin="typed",
                started_at=now,
                finished_at=now,
                configuration=self._configuration,
                rerun_of=rerun_of,
                note="; ".join(one for one in (order.note, note) if one) or None,
            ),
            {},
            answers,
        )

    def read_again(self, order: Order, serial: str, text: str) -> ReadAgain:
        """Have a unit seated again and its ranges read once more; return the readings.

        Whoever follows the order in a terminal types them as the first time and hands
        them over at once. Where it is only confirmed, as on a page, each value is asked
        for by a question of its own, and a zero that was not read the first time is
        not; the checks beside the ranges stand then.

        Parameters
        ----------
        text
            Says why, and what to do.

        Raises
        ------
        daemon.bench.errors.StoppedError
            The daemon is going down, or the source was ordered off.
        """
        ranges = [one.range for one in order.typed]
        if again := self._desk.ask_to_read_again(text, subject=serial, ranges=ranges):
            if {one.range for one in again.typed} != set(ranges):
                message = f"read all of these ranges once more: {', '.join(ranges)}"
                raise RefusedError(message)
            return again
        return ReadAgain(
            typed=tuple(self._values_of(order, serial)), checks=order.checks
        )

    def _values_of(self, order: Order, serial: str) -> Iterator[TypedReading]:
        """Ask for each range value by value."""
        bench, product = self._settings.meters, self._cycle.product
        for first in order.typed:
            refused = ""
            left_out = set()
            if not first.reference_zero:
                left_out.add("reference_zero")
            if first.output_zero is None:
                left_out.add("output_zero")
            while True:
                values = {}
                for name in QUESTIONS:
                    if name not in left_out:
                        values[name] = self._asked(serial, first.range, name, refused)
                        refused = ""  # said once
                again = TypedReading(range=first.range, **values)
                try:
                    readings_of([again], product, bench, at_s=self._clock.now_s())
                except TypedError as exc:
                    refused = f"{exc}. "
                else:
                    yield again
                    break

    def _asked(self, serial: str, key: str, name: str, refused: str) -> float:
        """Return one value, asked for until it is a quantity."""
        settings, product = self._settings, self._cycle.product
        unit = _unit_of(settings, name)
        asked_for = f"Unit {serial}, {asked_of(settings, key, name)}"
        while True:
            said = self._desk.ask(f"{refused}{asked_for}", subject=serial, wants=unit)
            try:
                return typed_value(settings, product, key, name, said)
            except (QuantityError, TypedError) as exc:
                refused = f"{exc}. "

    def _session_of(self, bench: Bench, now: datetime, *, new_setup: bool) -> str:
        if self._session is None or new_setup:
            session = f"typed-{now:%Y%m%dT%H%M%S}-{uuid4().hex[:8]}"
            self._store.keep(
                Session(
                    session=session,
                    bench=bench.name,
                    opened_at=now,
                    configuration=self._configuration,
                    set_up=new_setup,
                )
            )
            self._met = meet(self._store, session, bench, {}, now)
            self._session = session
        self._desk.show(remarks=remarks(self._met, now.date()))
        return self._session
