"""What can go wrong with a message.

AlertError
    ChannelError        an address that no channel can be made of
    UndeliveredError    a channel did not take a message; it is tried again
    UnknownTargetError  a channel that alerts.toml does not name
    UnknownMessageError a message that was never told
"""

from config import HoldpointError


class AlertError(HoldpointError):
    """A message cannot be sent."""


class ChannelError(AlertError):
    """An address that no channel can be made of; the address itself is not told."""

    def __init__(self, *, channel: str) -> None:
        super().__init__(
            f"channel {channel!r}: its url in alerts.toml is of no known kind, or "
            "something is missing from it"
        )
        self.channel = channel


class UndeliveredError(AlertError):
    """A channel did not take a message."""

    def __init__(self, *, channel: str, reason: str) -> None:
        super().__init__(f"channel {channel!r} did not take it: {reason}")
        self.channel = channel
        self.reason = reason


class UnknownTargetError(AlertError):
    """A channel that is not in alerts.toml."""

    def __init__(self, *, channel: str, known: tuple[str, ...]) -> None:
        super().__init__(
            f"no channel {channel!r} in alerts.toml; it names "
            f"{', '.join(known) or 'none'}"
        )
        self.channel = channel
        self.known = known


class UnknownMessageError(AlertError):
    """A message that was never told."""

    def __init__(self, *, message: str) -> None:
        super().__init__(
            f"no message {message!r}; `holdpoint alerts list --all` names every one"
        )
        self.message = message
