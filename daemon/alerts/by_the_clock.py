"""What is told by the clock and not by a run: reminders, digests, alarms, silence."""

from collections.abc import Callable, Iterable, Iterator, Set
from dataclasses import replace
from datetime import datetime

from config import Alerts
from daemon.alerts.errors import UndeliveredError
from daemon.alerts.hidden_addresses import hidden
from daemon.alerts.who_hears import (
    HOLDS,
    BuildDigest,
    Message,
    addressed,
    digest_of,
    doubts,
    of_alarm,
    of_build,
    of_doubt,
    of_hold,
    of_stall,
    reminder,
)
from daemon.presentation import sentences
from daemon.watch import PLACED_BY
from storage import (
    Alert,
    AlertState,
    BuildState,
    DoubtState,
    HoldState,
    Severity,
    Signal,
    Store,
)

EVERY_S = 30.0
ANSWER_S = 10.0


class _Urgent:
    """Something that is told each time that it begins or becomes another."""

    def __init__(
        self,
        stands: Callable[[], str | None],
        message: Callable[[str, datetime], Message],
    ) -> None:
        self._stands = stands
        self._message = message
        self._told: str | None = None

    def news(self, at: datetime) -> Message | None:
        reason, before = self._stands(), self._told
        self._told = reason
        if reason is None or reason == before:
            return None
        return self._message(reason, at)


class Upkeep:
    """Looks now and then whether somebody must be reminded or told.

    Parameters
    ----------
    store
        Where the outbox is.
    product, settings
        Of what, and to whom.
    utc
        What time it is.
    alarm
        What stands at the bench, None for nothing.
    stalled
        What does not go on in the daemon, None for nothing.
    """

    def __init__(
        self,
        store: Store,
        *,
        product: str,
        settings: Alerts,
        utc: Callable[[], datetime],
        alarm: Callable[[], str | None],
        stalled: Callable[[], str | None] = lambda: None,
    ) -> None:
        self._store = store
        self._product = product
        self._settings = settings
        self._utc = utc
        self._urgent = (_Urgent(alarm, of_alarm), _Urgent(stalled, of_stall))
        self._followed: int | None = None
        """The number of the Store's changes whose rows were looked at."""

    def look(self) -> None:
        """Queue what is to be told now.

        Raises
        ------
        storage.errors.StorageError
            Rows cannot be read or written.
        """
        if not self._settings.channels:
            return
        # Read before the rows: what is kept meanwhile is looked at the next time.
        changes = self._store.changes()
        messages = [
            *(one.news(self._utc()) for one in self._urgent),
            *(() if changes == self._followed else self._of_rows()),
            *self._reminds(),
        ]
        alerts = [
            alert
            for message in messages
            if message is not None
            for alert in addressed(
                message, product=self._product, settings=self._settings
            )
        ]
        if alerts:
            self._store.keep(*alerts)
        self._followed = changes

    def _of_rows(self) -> Iterator[Message]:
        """Return what is to be told of rows alone: nothing new without a new row."""
        known = self._told()
        yield from self._placed_by_people(known)
        yield from self._doubts(known)
        yield from self._digests(known)

    def _told(self) -> set[str]:
        """Return the messages that there are."""
        return {one.alert for one in self._store.rows(Alert, product=self._product)}

    def _placed_by_people(self, known: Set[str]) -> list[Message]:
        """Return what is to be told of holds by hand: no run was recorded with them."""
        said = []
        for row in self._store.rows(HoldState, product=self._product):
            if row.placed_by == PLACED_BY or row.disposal is not None:
                continue
            message = of_hold(row)
            if message.alert not in known:
                said.append(message)
        return said

    def _doubts(self, known: Set[str]) -> list[Message]:
        messages = [
            of_doubt(
                row.doubt,
                session=row.session,
                reason=row.reason,
                severity=Severity(self._settings.doubt_severity),
                at=row.raised_at,
            )
            for row in self._store.rows(DoubtState, product=self._product)
            if row.ended_at is None
        ]
        return [one for one in messages if one.alert not in known]

    def _reminds(self) -> Iterator[Message]:
        """Return the reminders of holds and of doubts, each by itself."""
        rows = self._store.rows(AlertState, product=self._product)
        told = {one.alert for one in rows}
        unnoted = [
            one for one in rows if one.follows is None and one.acknowledged_at is None
        ]
        gone = {
            one.signal: sentences.withdrawn(one)
            for one in self._store.rows(Signal, "signals", product=self._product)
            if not one.standing
        }
        for of, standing in (
            (HOLDS, self._standing_holds()),
            (doubts(self._settings), self._standing_doubts()),
        ):
            message = reminder(
                (
                    replace(one, title=gone.get(one.subject, one.title))
                    for one in unnoted
                    if one.subject in standing
                ),
                of=of,
                settings=self._settings,
                at=self._utc(),
            )
            if message is not None and message.alert not in told:
                yield message

    def _standing_holds(self) -> set[str]:
        return standing_subjects(self._store.rows(HoldState, product=self._product))

    def _standing_doubts(self) -> set[str]:
        rows = self._store.rows(DoubtState, product=self._product)
        return {one.doubt for one in rows if one.ended_at is None}

    def _digests(self, known: Set[str]) -> list[Message]:
        builds = self._store.rows(BuildState, product=self._product)
        findings = self._store.rows(Signal, "signals", product=self._product)
        said = []
        for row in builds:
            planned, name = row.planned_units, row.build
            if planned is None or row.units < planned or digest_of(name) in known:
                continue
            message = of_build(
                BuildDigest(
                    build=name,
                    units=row.units,
                    first_pass_yield=row.first_pass_yield,
                    open_holds=row.open_holds,
                    findings=tuple(
                        sentences.finding(one).headline
                        for one in findings
                        if one.build == name
                    ),
                    at=self._utc(),
                )
            )
            said.append(message)
        return said


def standing_subjects(holds: Iterable[HoldState]) -> set[str]:
    """Return what messages on holds that stand are about: findings and holds."""
    standing = [one for one in holds if one.disposal is None]
    return {
        subject
        for one in standing
        for subject in (one.hold, one.signal)
        if subject is not None
    }


def show_alive(url: str) -> None:
    """Ask for the address that another machine watches.

    Raises
    ------
    UndeliveredError
        It was not reached, or refused; the address's secrets are not told.
    """
    if not url.startswith(("http://", "https://")):
        raise UndeliveredError(
            channel="alive_url", reason="it must begin with http:// or https://"
        )
    import httpx  # noqa: PLC0415 -- few have such an address, and it takes long to load

    try:
        httpx.get(url, timeout=ANSWER_S, follow_redirects=True).raise_for_status()
    except (httpx.HTTPError, httpx.InvalidURL) as exc:
        raise UndeliveredError(
            channel="alive_url", reason=hidden(str(exc), url)
        ) from None
