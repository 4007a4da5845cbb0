"""Questions in plain words: asked again until the answer can be used.

The terminal is passed in: `ask` shows a question and returns what is typed, `say`
shows a line. Whatever `ask` raises, such as at the end of input, ends the dialogue.

What is asked follows from the answers before it. So a dialogue goes on from answers
that were given before: after "back", after a break, and when it is gone through again.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from config.near import near
from config.quantity import Unit, parse, pointed
from config.shape import Shape

__all__ = [
    "Ask",
    "Back",
    "Dialogue",
    "Read",
    "Say",
    "by_blank",
    "integer",
    "number",
    "one_for_each",
    "quantity",
    "text",
]

T = TypeVar("T")
Ask = Callable[[str], str]
Say = Callable[[str], None]
Read = Callable[[str], T]
"""Turns an answer into what it means, or raises a ValueError that says why not."""

HELP = "?"
BACK = "back"
NOTHING = "-"
"""Typed where Enter would keep an answer, and there is to be none."""
_ENTER_MEANS = re.compile(r"\(Enter: ([^()]+)\)")
MOST_DIGITS = 12
_DECIMAL_COMMA = re.compile(r"\d,\d")
_ONE_OF_BLANKS = re.compile(r"[+-]?[0-9.]\S*(?:\s+[^\W\d]+|\s+%)?")
_BLANKS = re.compile(rf"\s*(?:{_ONE_OF_BLANKS.pattern}\s*)+")


class Back(Exception):  # noqa: N818 -- no fault: a question is asked again
    """The person wants to answer a question again: the one before where none is named.

    Attributes
    ----------
    question
        The whole question.
    """

    def __init__(self, question: str | None = None) -> None:
        self.question = question
        super().__init__(question)


class Dialogue:
    """Asks until an answer can be used.

    Parameters
    ----------
    given
        Questions and their answers that are not asked again.
    before
        Answers of another time by question: each is what Enter means.
    again
        Question that is asked again though it is among those that are given.
    note
        Told all questions and answers, after each.
    """

    def __init__(
        self,
        ask: Ask,
        say: Say,
        *,
        given: Sequence[tuple[str, str]] = (),
        before: Mapping[str, str] | None = None,
        again: str | None = None,
        note: Callable[[Sequence[tuple[str, str]]], None] = lambda _: None,
    ) -> None:
        self._ask = ask
        self._say = say
        self._given = list(given)
        self._before = before or {}
        self._again = again
        self._note = note
        self.answers: list[tuple[str, str]] = []

    @property
    def goes_on(self) -> bool:
        """Whether it is still among answers that were given before."""
        return bool(self._given)

    def say(self, text: str, *, again: bool = False) -> None:
        """Show a text, unless it was shown before; `again` shows it even then."""
        if again or not self.goes_on:
            self._say(text)

    def put(
        self, question: str, read: Read[T], *, why: str, default: str | None = None
    ) -> T:
        """Return what the answer means.

        Parameters
        ----------
        why
            Shown when `?` is typed, and after an answer that cannot be used.
        default
            Meant by an empty answer; shown in brackets unless it is empty itself.

        Raises
        ------
        Back
            The question before is to be asked again.
        """
        if self._given:
            known, answer = self._given.pop(0)
            if known == question != self._again:
                with suppress(ValueError):
                    return self._taken(question, answer, read(answer))
            if known != question:
                self._given.clear()  # another answer before it: go on from here
        may_be_left_out = default == ""
        default = self._before.get(question, default)
        prompt = f"{question} [{default}]" if default else question
        if may_be_left_out and default:
            prompt = _ENTER_MEANS.sub(rf"({NOTHING} means: \1)", prompt)
        while True:
            answer = self._ask(prompt).strip()
            if answer == HELP:
                self._say(f"  {why}")
                continue
            if answer.casefold() == BACK:
                if self.answers:
                    raise Back
                self._say("  This is the first question.")
                continue
            if not answer and default is None:
                self._say(f"  An answer is needed. {why}")
                continue
            answer = answer or default or ""
            if may_be_left_out and answer == NOTHING:
                answer = ""
            try:
                return self._taken(question, answer, read(answer))
            except ValueError as exc:
                self._say(f"  {exc}")

    def _taken(self, question: str, answer: str, meant: T) -> T:
        self.answers.append((question, answer))
        self._note(self.answers)
        return meant

    def choose(
        self, question: str, choices: Mapping[str, T], *, why: str, default: str
    ) -> T:
        """Return what one of a few words means; its first letters are enough."""

        def read(answer: str) -> T:
            small = answer.casefold()
            meant = [key for key in choices if key.casefold().startswith(small)]
            if len(meant) > 1:
                message = f"{answer!r} may be {' or '.join(meant)}: type more of it"
                raise ValueError(message)
            if not meant:
                guess = near(answer, choices)
                hint = f"; did you mean {guess!r}?" if guess else ""
                message = f"{answer!r}: must be {' or '.join(choices)}{hint}"
                raise ValueError(message)
            return choices[meant[0]]

        return self.put(question, read, why=why, default=default)

    def agree(self, question: str, *, why: str, default: bool) -> bool:
        """Return whether the answer is yes."""
        word = "yes" if default else "no"
        return self.choose(question, {"yes": True, "no": False}, why=why, default=word)

    def confirm(self, question: str, parts: Mapping[str, str], *, why: str) -> None:
        """Ask whether all is right; where not, which answer is wrong.

        Parameters
        ----------
        parts
            Questions that may be answered again, each by a word for it.

        Raises
        ------
        Back
            The question of the answer that is wrong is to be asked again.
        """
        if self.agree(question, why=why, default=True):
            return
        wrong = self.choose(
            f"What is wrong: {', '.join(parts)}?",
            parts,
            why="That question is asked again. Your other answers are kept.",
            default=next(iter(parts)),
        )
        del self.answers[-2:]  # said once, and not what is remembered
        raise Back(wrong)


def one_for_each(
    read: Read[T], count: int, *, all_alike: bool = False
) -> Read[tuple[T, ...]]:
    """Return a reader of `count` answers with commas or blanks between them.

    Parameters
    ----------
    all_alike
        Whether one answer may stand for all.
    """

    def split(answer: str) -> tuple[T, ...]:
        pieces = [one.strip() for one in answer.split(",")]
        if all_alike and len(pieces) == 1:
            pieces *= count
        if len(pieces) != count:
            one = "one for all, or " if all_alike else ""
            message = (
                f"{answer!r}: must be {one}{count} answers with commas between "
                f"them, not {len(pieces)}"
            )
            if _DECIMAL_COMMA.search(answer):
                message += "; write the decimal sign as a point"
            raise ValueError(message)
        return tuple(read(one) for one in pieces)

    def either(answer: str) -> tuple[T, ...]:
        if len(pieces := by_blank(answer)) == count > 1:
            return tuple(read(one) for one in pieces)
        try:
            return split(answer)
        except ValueError:
            pieces = apart_by_blank(answer)
            if all_alike and len(pieces) == 1:
                pieces *= count
            if not _DECIMAL_COMMA.search(answer) or len(pieces) != count:
                raise
            return tuple(read(one) for one in pieces)

    return either


def apart_by_blank(answer: str) -> list[str]:
    """Return pieces that have a comma and a blank between them, or a semicolon.

    So a comma inside a piece may be a decimal sign.

    >>> apart_by_blank("4,99k, 10k"), apart_by_blank("0,1 %")
    (['4,99k', '10k'], ['0,1 %'])
    """
    return [one.strip() for one in re.split(r",\s+|;", answer)]


def by_blank(answer: str) -> list[str]:
    """Return quantities with blanks alone between them; none where it is otherwise.

    A blank may also stand before a unit. Where there is a comma it may be a decimal
    sign, and nobody knows what else is meant.

    >>> by_blank("1mA 10mA"), by_blank("1 mA 10 mA"), by_blank("100m 1 10")
    (['1mA', '10mA'], ['1 mA', '10 mA'], ['100m', '1', '10'])
    >>> by_blank("2.5 mA"), by_blank("2,5 mA 10 mA"), by_blank("ten mA")
    ([], [], [])
    """
    whole = "," not in answer and ";" not in answer and _BLANKS.fullmatch(answer)
    found = _ONE_OF_BLANKS.findall(answer) if whole else []
    return found if len(found) > 1 else []


def text(annotation: Any) -> Read[str]:
    """Return a reader of text that the models accept as `annotation`."""
    return lambda answer: str(_accepted(answer, annotation, answer, ""))


def quantity(unit: Unit, annotation: Any) -> Read[float]:
    """Return a reader of quantities within the bounds of `annotation`."""
    return lambda answer: float(
        _accepted(parse(answer, unit), annotation, answer, unit.value)
    )


def integer(annotation: Any) -> Read[int]:
    """Return a reader of whole numbers within the bounds of `annotation`."""

    def read(answer: str) -> int:
        digits = answer.isascii() and answer.isdigit() and len(answer) < MOST_DIGITS
        value = int(answer) if digits else answer
        return int(_accepted(value, annotation, answer, ""))

    return read


def number(annotation: Any) -> Read[float]:
    """Return a reader of numbers without a unit within the bounds of `annotation`."""

    def read(answer: str) -> float:
        value: object = answer
        with suppress(ValueError):
            value = float(pointed(answer.strip()))
        return float(_accepted(value, annotation, answer, ""))

    return read


def _accepted(value: object, annotation: Any, answer: str, unit: str) -> Any:
    try:
        return TypeAdapter(annotation).validate_python(value, strict=True)
    except ValidationError as exc:
        reason = exc.errors()[0].get("ctx", {}).get("error")
        allowed = reason or f"must be {Shape.of(annotation).allowed} {unit}".strip()
        message = f"{answer!r}: {allowed}"
        raise ValueError(message) from exc
