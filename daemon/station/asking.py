"""How whoever stands at the bench is asked for the checks beside range errors."""

from collections.abc import Callable, Mapping, Sequence

from config import Beside, QuantityError, Unit, parse
from daemon.judging import (
    ANSWERS,
    YES_OR_NO,
    AnswerError,
    answered,
    asked,
    question,
)
from daemon.station.desk import Desk

CONFIRMED = "done"
"""What is answered where a question only wants to be confirmed."""


def not_allowed(wants: str | None, value: str) -> str | None:
    """Say what a question allows where an answer is not that; None where it is.

    Parameters
    ----------
    wants
        Of the prompt.

    >>> not_allowed(None, "done"), not_allowed("V", "900.2m")
    (None, None)
    >>> not_allowed(None, "PA-7")
    "it takes no value, and 'PA-7' is one: leave it out once it is done"
    >>> not_allowed("yes/no", "perhaps")
    "it is answered yes or no, not 'perhaps'"
    """
    said = value.strip()
    if wants is None:
        if said in {"", CONFIRMED}:
            return None
        return f"it takes no value, and {said!r} is one: leave it out once it is done"
    if wants == YES_OR_NO:
        if said.lower() in ANSWERS:
            return None
        return f"it is answered yes or no, not {said!r}"
    try:
        parse(said, Unit(wants))
    except QuantityError as exc:
        return f"it wants a value in {wants}: {exc}"
    return None


class Asking:
    """Asks whoever stands at the bench for the checks of one unit.

    Parameters
    ----------
    plan
        Checks by name.
    titles
        What people call the ranges, by key.
    desk
        Where the person is asked.
    serial
        The unit that is connected.
    given
        Answers that came with the order; those are not asked for.
    """

    def __init__(
        self,
        plan: Mapping[str, Beside],
        titles: Mapping[str, str],
        desk: Desk,
        serial: str,
        given: Mapping[str, float],
    ) -> None:
        self.answers = dict(given)
        self._plan = plan
        self._titles = titles
        self._desk = desk
        self._serial = serial

    def at_level(
        self, range_: str, *, share: float, keep_on: Callable[[], None]
    ) -> None:
        """Ask for what the input takes, the source held at a share of full scale.

        The drop is taken as proportional to the level.
        """
        for name, check in self._plan.items():
            drop = check.kind == "input drop" and check.range == range_
            if drop and name not in self.answers:
                self.answers[name] = self._ask(name, check, keep_on) / share

    def rest(self, ranges: Sequence[str]) -> None:
        """Ask for what is still unanswered."""
        for name, check in asked(self._plan, typed=False, ranges=ranges).items():
            if name not in self.answers:
                self.answers[name] = self._ask(name, check, lambda: None)

    def _ask(self, name: str, check: Beside, meanwhile: Callable[[], None]) -> float:
        title = check.range and self._titles.get(check.range)
        text = f"Unit {self._serial}: {question(name, check, title)}"
        said = ""
        while True:
            answer = self._desk.ask(
                f"{said}{text}",
                subject=self._serial,
                wants=check.unit or YES_OR_NO,
                meanwhile=meanwhile,
            )
            try:
                return answered(name, check, answer)
            except AnswerError as exc:
                said = f"{exc}. "
