"""Units that a person read: typed readings become runs, in a session of their own."""

from datetime import datetime

from config.model import Bench, Settings
from daemon.beside import asked
from daemon.clock import Clock
from daemon.control import Desk, Order, RefusedError
from daemon.cycle import Cycle, Recorded, RunHeader
from daemon.instruments import meet, remarks
from daemon.typed import readings_of
from storage.errors import NotFoundError
from storage.records import BenchInstrument, Session
from storage.store import Store


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

    def record(
        self,
        order: Order,
        build: str,
        serial: str,
        *,
        answers: dict[str, float],
        rerun_of: str | None,
    ) -> Recorded:
        """Judge and keep one unit's typed readings.

        Parameters
        ----------
        answers
            Checks that came with the order, by name.
        rerun_of
            The unit's run before, if it had one.

        Raises
        ------
        RefusedError
            No accuracy of the meters is known, or a check is not answered.
        NotFoundError
            A range that the product has not.
        daemon.typed.TypedError
            Readings that cannot be.
        """
        bench = self._settings.bench
        if bench is None:
            message = "bench.toml is missing: the meters' accuracy must be known"
            raise RefusedError(message)
        now = self._clock.utc()
        for one in order.typed:
            if one.range not in self._cycle.product.keys:
                raise NotFoundError(kind="range", key=one.range)
        readings = readings_of(
            order.typed, self._cycle.product, bench, at_s=self._clock.now_s()
        )
        needed = asked(
            self._settings.plan.checks,
            typed=True,
            ranges=[one.range for one in order.typed],
        )
        if missing := [name for name in needed if name not in answers]:
            message = f"answer the checks too: {', '.join(missing)}"
            raise RefusedError(message)
        return self._cycle.record(
            readings,
            RunHeader(
                serial=serial,
                build=build,
                session=self._session_of(bench, now),
                origin="typed",
                started_at=now,
                finished_at=now,
                configuration=self._configuration,
                rerun_of=rerun_of,
                note=order.note,
            ),
            {},
            answers,
        )

    def _session_of(self, bench: Bench, now: datetime) -> str:
        if self._session is None:
            session = f"typed-{now:%Y%m%dT%H%M%S}"
            self._store.open_session(
                Session(
                    session=session,
                    bench=bench.name,
                    opened_at=now,
                    configuration=self._configuration,
                )
            )
            self._met = meet(self._store, session, bench, {}, now)
            self._session = session
        self._desk.show(remarks=remarks(self._met, now.date()))
        return self._session
