"""Channels that messages leave by: mail, chat, push, webhook, all through one library.

An address often holds a password. It goes to the library and nowhere else: not into
rows, logs, errors or screens.
"""

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Protocol

from config import Channel
from daemon.alerts.errors import ChannelError, UndeliveredError
from daemon.alerts.hidden_addresses import hidden

LIBRARY = "apprise"
NO_WORD = "it gave no reason"


class Sending(Protocol):
    """What a message is sent by."""

    def send(self, *, title: str, body: str) -> None:
        """Send, or raise `UndeliveredError`."""
        ...


Opener = Callable[[Channel], Sending]


class AppriseChannel:
    """One address of alerts.toml.

    Raises
    ------
    ChannelError
        No channel can be made of the address.
    """

    def __init__(self, channel: Channel) -> None:
        self.name = channel.name
        self._url = channel.url
        import apprise  # noqa: PLC0415 -- takes seconds, and most makers use few

        self._text = apprise.NotifyFormat.TEXT
        with _words():
            self._sender: Any = apprise.Apprise.instantiate(channel.url)
        if self._sender is None:
            raise ChannelError(channel=channel.name)

    def send(self, *, title: str, body: str) -> None:
        """Send one message.

        Raises
        ------
        UndeliveredError
            The channel did not take it; says why, without the address's secrets.
        """
        with _words() as said:
            try:
                # Text: what people wrote must not become markup on the way.
                taken = bool(
                    self._sender.notify(title=title, body=body, body_format=self._text)
                )
            except Exception as exc:  # noqa: BLE001 -- of any of a hundred services
                raise UndeliveredError(
                    channel=self.name,
                    reason=hidden(type(exc).__name__, self._url),
                ) from None
        if not taken:
            reason = "; ".join(dict.fromkeys(said)) or NO_WORD
            raise UndeliveredError(channel=self.name, reason=hidden(reason, self._url))


class _Listener(logging.Handler):
    """Hears what the library says on this thread."""

    def __init__(self, said: list[str]) -> None:
        super().__init__(level=logging.WARNING)
        self._said = said
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread:
            self._said.append(record.getMessage().strip().rstrip("."))


@contextmanager
def _words() -> Iterator[list[str]]:
    said: list[str] = []
    listener = _Listener(said)
    log = logging.getLogger(LIBRARY)
    # Its warnings may tell addresses: they are heard here and go no further.
    log.propagate = False
    log.addHandler(listener)
    try:
        yield said
    finally:
        log.removeHandler(listener)
