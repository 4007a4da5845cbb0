"""The questions of `holdpoint init` as a form: the same list, answered in any order.

The questions that follow depend on the answers before them. So the dialogue is gone
through again with each answer, up to the first question that has none yet.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from config.dialogue import Dialogue, Read

__all__ = ["Field", "Form", "Unanswered"]

T = TypeVar("T")


class Unanswered(Exception):  # noqa: N818 -- no fault: somebody is still to answer
    """The form is complete up to here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One question of a form.

    Attributes
    ----------
    question, why
        As `holdpoint init` asks and explains it.
    answer
        What stands there: what was answered, else what Enter would mean.
    choices
        The answers that there are; none where any text may be one.
    problem
        Why the answer cannot be used, None where it can.
    needed
        Whether it is still to be answered.
    """

    question: str
    why: str
    answer: str
    choices: tuple[str, ...] = ()
    problem: str | None = None
    needed: bool = False


class Form(Dialogue):
    """A dialogue whose answers are there already, or not.

    Parameters
    ----------
    answers
        By question; what is left out is answered by what Enter would mean.

    Attributes
    ----------
    fields
        The questions that were reached, in their order.
    said
        What was said on the way.
    """

    def __init__(self, answers: Mapping[str, str]) -> None:
        self.fields: list[Field] = []
        self.said: list[str] = []
        self._known = dict(answers)
        self._choices: tuple[str, ...] = ()
        super().__init__(lambda _: "", self.said.append)

    def put(
        self, question: str, read: Read[T], *, why: str, default: str | None = None
    ) -> T:
        """Return what the answer means.

        Raises
        ------
        Unanswered
            There is none, or it cannot be used; the field says so.
        """
        choices, self._choices = self._choices, ()
        known = self._known.get(question)
        answer = (known if known is not None else default or "").strip()
        problem, needed = None, not answer and default is None
        meant: list[T] = []
        if not needed:
            try:
                meant.append(read(answer or default or ""))
            except ValueError as exc:
                problem = str(exc)
        self.fields.append(
            Field(
                question=question,
                why=why,
                answer=answer,
                choices=choices,
                problem=problem,
                needed=needed,
            )
        )
        if not meant:
            raise Unanswered
        self.answers.append((question, answer))
        return meant[0]

    def choose(
        self, question: str, choices: Mapping[str, T], *, why: str, default: str
    ) -> T:
        """Return what one of a few words means."""
        self._choices = tuple(choices)
        return super().choose(question, choices, why=why, default=default)

    def confirm(self, question: str, parts: Mapping[str, str], *, why: str) -> None:
        """Ask nothing: on a form every answer stands there to be changed."""
