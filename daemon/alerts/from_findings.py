"""What an evaluation of the rows gives people to hear; committed together with it."""

from collections.abc import Mapping, Sequence

from config import Alerts
from daemon.alerts.who_hears import (
    Message,
    Told,
    addressed,
    louder,
    of_finding,
    of_hold,
)
from daemon.presentation import sentences
from storage import Alert, AlertState, Hold, Severity, Signal


class Teller:
    """Remembers what was told, so that a finding is told once and an update as such.

    Parameters
    ----------
    product, settings
        Of what, and to whom.
    """

    def __init__(self, product: str, settings: Alerts) -> None:
        self._product = product
        self._settings = settings
        self._told: dict[str, Told] = {}

    def remember(self, alerts: Sequence[AlertState]) -> None:
        """Go on from what the Store has."""
        for one in alerts:
            self._note(one.subject, one.alert, one.said, one.severity)

    def tell(
        self,
        signals: Sequence[Signal],
        placed: Sequence[Hold],
        further: Sequence[Message] = (),
    ) -> tuple[Alert, ...]:
        """Return the messages on findings and new holds, one a channel.

        A hold is told by itself unless its finding is told with it. `further` is
        told as it is.
        """
        if not self._settings.channels:
            return ()
        messages = list(further)
        for signal in signals:
            saying = sentences.finding(signal)
            message = of_finding(
                signal,
                headline=saying.headline,
                lines=saying.lines,
                told=self._told.get(signal.signal),
            )
            if message is not None:
                messages.append(message)
        about = {one.subject for one in messages}
        for hold in placed:
            subject = hold.signal or hold.hold
            if subject not in about:
                about.add(subject)
                messages.append(of_hold(hold))
        for message in messages:
            self._note(message.subject, message.alert, message.said, message.severity)
        return tuple(
            alert
            for message in messages
            for alert in addressed(
                message, product=self._product, settings=self._settings
            )
        )

    def known(self) -> dict[str, Told]:
        """Return what was told of each subject, to go back to."""
        return dict(self._told)

    def go_back(self, known: Mapping[str, Told]) -> None:
        """Take back what was told since, because it could not be kept."""
        self._told = dict(known)

    def _note(self, subject: str, alert: str, said: str, severity: Severity) -> None:
        if not said:
            return
        before = self._told.get(subject)
        self._told[subject] = Told(
            first=alert if before is None else before.first,
            said=said,
            severity=severity if before is None else louder(before.severity, severity),
        )
