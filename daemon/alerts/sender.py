"""Sends what is in the outbox: each channel on a thread of its own.

A message is sent first and noted after. Whoever is killed in between sends it again
under the same id: at least once, never not at all.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from logging import getLogger
from threading import Event, Thread

from config import Alerts, Channel
from daemon.alerts.channels import AppriseChannel, Opener, Sending
from daemon.alerts.errors import AlertError, UnknownTargetError
from daemon.alerts.who_hears import addressed, is_dead_letter, of_dead_letter
from storage import Alert, AlertDue, Delivery, StorageError, Store

log = getLogger(__name__)

FIRST_PAUSE_S = 5.0
LONGEST_PAUSE_S = 3600.0
LOOK_S = 1.0


def pause_s(tries: int) -> float:
    """Return how long to wait after so many failed tries: twice as long each time.

    >>> [pause_s(n) for n in (1, 2, 3, 60)]
    [5.0, 10.0, 20.0, 3600.0]
    """
    return float(min(FIRST_PAUSE_S * 2.0 ** min(tries - 1, 30), LONGEST_PAUSE_S))


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What one look at the outbox came to."""

    delivered: int = 0
    failed: int = 0
    dead: int = 0


class Sender:
    """Carries messages to the channels of alerts.toml.

    Parameters
    ----------
    store
        Where the outbox is.
    settings
        Channels, and when to give up.
    utc
        What time it is.
    open_channel
        Makes a channel of its settings.
    beat
        Told the name of a channel each time that its thread got through a look at the
        outbox, or through one message.
    """

    def __init__(
        self,
        store: Store,
        settings: Alerts,
        *,
        utc: Callable[[], datetime],
        open_channel: Opener = AppriseChannel,
        beat: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._store = store
        self._settings = settings
        self._utc = utc
        self._open = open_channel
        self._beat = beat
        self._channels: dict[str, Sending] = {}
        self._stop = Event()
        self._threads: list[Thread] = []

    def start(self) -> None:
        """Begin to send, each channel on its own: a slow one holds up no other."""
        for one in self._settings.channels:
            self._beat(one.name)
        self._threads = [
            Thread(
                target=self._run, args=(one.name,), name=f"to {one.name}", daemon=True
            )
            for one in self._settings.channels
        ]
        for thread in self._threads:
            thread.start()

    def stop(self, *, wait_s: float = 2.0) -> None:
        """Send no more; what is under way is sent again by the next daemon."""
        self._stop.set()
        for thread in self._threads:
            thread.join(timeout=wait_s)

    def send_due(self, target: str) -> Tally:
        """Try once what one channel is due; note what became of each.

        Raises
        ------
        storage.errors.StorageError
            The outbox cannot be read or written.
        UnknownTargetError
            There is no such channel.
        """
        channel = self._named(target)
        due = self._store.rows(AlertDue, target=target, at=self._utc())
        delivered = failed = dead = 0
        for alert in due:
            if self._stop.is_set():
                break
            delivery, follow = self._try(channel, alert)
            self._store.note_delivery(delivery, follow)
            self._beat(target)
            delivered += delivery.delivered_at is not None
            failed += delivery.next_at is not None
            dead += delivery.dead_at is not None
        return Tally(delivered=delivered, failed=failed, dead=dead)

    def _try(
        self, channel: Channel, alert: AlertDue
    ) -> tuple[Delivery, tuple[Alert, ...]]:
        tries = alert.tries + 1
        reason = None
        try:
            if channel.name not in self._channels:
                self._channels[channel.name] = self._open(channel)
            self._channels[channel.name].send(
                title=alert.title, body=f"{alert.body}\n\n{alert.alert}".strip()
            )
        except AlertError as exc:
            reason = str(exc)
            # The next try opens it anew.
            self._channels.pop(channel.name, None)
        now = self._utc()
        gives_up = reason is not None and tries >= self._settings.give_up_after_tries
        again = now + timedelta(seconds=pause_s(tries))
        delivery = Delivery(
            alert=alert.alert,
            target=alert.target,
            tries=tries,
            tried_at=now,
            next_at=None if reason is None or gives_up else again,
            last_error=reason,
            delivered_at=now if reason is None else None,
            dead_at=now if gives_up else None,
        )
        if not gives_up:
            return delivery, ()
        log.error(
            "A message to %s could not be sent and is given up: see the page Messages.",
            alert.target,
        )
        if is_dead_letter(alert):
            return delivery, ()
        message = of_dead_letter(alert, reason=reason or "", tries=tries, at=now)
        return delivery, addressed(
            message, product=alert.product, settings=self._settings, but=alert.target
        )

    def _run(self, target: str) -> None:
        while not self._stop.wait(LOOK_S):
            try:
                self.send_due(target)
                self._beat(target)
            except StorageError as exc:
                said = str(exc).rstrip(".")
                log.error("No message can be sent now: %s.", said)  # noqa: TRY400
            except Exception:
                # A fault of a channel must not end its thread in silence.
                log.exception(
                    "The program made a mistake while it sent a message to %s. It is "
                    "tried again; please report it with what stands in the log.",
                    target,
                )

    def _named(self, target: str) -> Channel:
        for one in self._settings.channels:
            if one.name == target:
                return one
        known = tuple(one.name for one in self._settings.channels)
        raise UnknownTargetError(channel=target, known=known)
