"""How whoever stands at the bench is asked for the checks beside range errors."""

from collections.abc import Callable, Mapping, Sequence

from config import Beside
from daemon.judging import YES_OR_NO, AnswerError, answered, asked, question
from daemon.station.desk import Desk


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
