"""Questions in plain words: asked again until the answer can be used.

The terminal is passed in: `ask` shows a question and returns what is typed, `say`
shows a line. Whatever `ask` raises, such as at the end of input, ends the dialogue.
"""

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from config.near import near
from config.quantity import Unit, parse
from config.shape import Shape

__all__ = ["Ask", "Dialogue", "Read", "Say", "integer", "quantity", "text"]

T = TypeVar("T")
Ask = Callable[[str], str]
Say = Callable[[str], None]
Read = Callable[[str], T]
"""Turns an answer into what it means, or raises a ValueError that says why not."""

HELP = "?"
MOST_DIGITS = 12


class Dialogue:
    """Asks until an answer can be used."""

    def __init__(self, ask: Ask, say: Say) -> None:
        self._ask = ask
        self.say = say

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
        """
        prompt = f"{question} [{default}]" if default else question
        while True:
            answer = self._ask(prompt).strip()
            if answer == HELP:
                self.say(f"  {why}")
                continue
            if not answer and default is None:
                self.say(f"  An answer is needed. {why}")
                continue
            try:
                return read(answer or default or "")
            except ValueError as exc:
                self.say(f"  {exc}")

    def choose(
        self, question: str, choices: Mapping[str, T], *, why: str, default: str
    ) -> T:
        """Return what one of a few words means; its first letters are enough."""

        def read(answer: str) -> T:
            small = answer.casefold()
            meant = [key for key in choices if key.casefold().startswith(small)]
            if len(meant) != 1:
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


def _accepted(value: object, annotation: Any, answer: str, unit: str) -> Any:
    try:
        return TypeAdapter(annotation).validate_python(value, strict=True)
    except ValidationError as exc:
        reason = exc.errors()[0].get("ctx", {}).get("error")
        allowed = reason or f"must be {Shape.of(annotation).allowed} {unit}".strip()
        message = f"{answer!r}: {allowed}"
        raise ValueError(message) from exc
