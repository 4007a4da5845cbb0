"""A source that a person sets: its line leads to somebody who is asked.

The driver of a source is used as it is; what it would send is said in words. The
reference meter tells what truly went in, so a level need not be hit exactly.
"""

from config import BY_HAND, Kind, Profile, Unit, spell
from daemon.bench.errors import NoAnswerError, StoppedError
from daemon.bench.person import Ask

__all__ = ["PersonLine", "set_by_hand"]

SUBJECT = "the source"
LEVEL, COMPLIANCE, ON, OFF = "level", "compliance", "on", "off"


def set_by_hand(kind: Kind) -> Profile:
    """Return how a person is told; no question has an answer but a confirmation."""
    return Profile(
        title=f"{kind.value} set by hand",
        kind=kind,
        set_level=f"{LEVEL} {{level}}",
        set_compliance=f"{COMPLIANCE} {{compliance}}",
        output_on=ON,
        output_off=OFF,
    )


class PersonLine:
    """The line to whoever sets the source.

    Parameters
    ----------
    ask : Ask
        Puts each request.
    unit, compliance_unit : Unit
        Of the level, and of the compliance.
    """

    def __init__(self, ask: Ask, unit: Unit, compliance_unit: Unit) -> None:
        self._ask = ask
        self._unit = unit
        self._compliance_unit = compliance_unit
        self._level = 0.0
        self._compliance = 0.0
        self._on = False

    def write(self, text: str) -> None:
        """Have a command carried out by a person.

        Raises
        ------
        NoAnswerError
            The output is to go off and nobody says that it is.
        StoppedError
            Nobody will answer, so nothing goes on.
        """
        command, _, value = text.partition(" ")
        match command:
            case "level":
                level = float(value)
                if self._on and level != self._level:
                    self._ask(
                        f"Set the source to {self._spelled(level)}, then confirm.",
                        subject=SUBJECT,
                    )
                self._level = level
            case "compliance":
                self._compliance = float(value)
            case "on":
                # From here on it may be on, whatever is answered.
                self._on = True
                level_words = self._spelled(self._level)
                limit = spell(self._compliance, self._compliance_unit)
                self._ask(
                    f"Set the source to {level_words} and its compliance to {limit}, "
                    "turn its output on, then confirm.",
                    subject=SUBJECT,
                )
            case _:
                self._turn_off()

    def query(self, text: str, lines: int = 1) -> str:
        """Refuse: a person is asked for nothing but a confirmation."""
        del text, lines
        reason = "a source set by hand answers no question"
        raise self._nobody(reason)

    def listen(self) -> str:
        """Refuse, as `query` does."""
        reason = "a source set by hand says nothing by itself"
        raise self._nobody(reason)

    def close(self) -> None:
        """Do nothing: a person stays."""

    def descriptor(self) -> None:
        """Return nothing: no other process speaks to a person."""

    def _turn_off(self) -> None:
        if not self._on:
            return
        try:
            self._ask("Turn the source's output off, then confirm.", subject=SUBJECT)
        except StoppedError as exc:
            reason = "nobody has said that it is off"
            raise self._nobody(reason) from exc
        self._on = False

    def _spelled(self, level: float) -> str:
        return "zero" if level == 0 else spell(level, self._unit)

    def _nobody(self, reason: str) -> NoAnswerError:
        return NoAnswerError(role="source", address=BY_HAND, command="", reason=reason)
