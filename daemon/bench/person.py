"""Whoever stands at the bench, as the hands ask them."""

from collections.abc import Callable
from typing import Protocol

__all__ = ["ANSWER_S", "SECONDS_A_MINUTE", "Ask"]

SECONDS_A_MINUTE = 60.0
ANSWER_S = 10 * SECONDS_A_MINUTE
"""A source that the bench drives stays on so long for a person who does not answer
(common practice, no source)."""


class Ask(Protocol):
    """Asks whoever stands at the bench; what is called meanwhile may end it."""

    def __call__(
        self,
        text: str,
        *,
        subject: str,
        wants: str | None = None,
        meanwhile: Callable[[], None] = ...,
    ) -> str:
        """Return the answer.

        Parameters
        ----------
        text
            What to do or to read.
        subject
            Whom or what is waited for, for screens.
        wants
            Unit of the value that is to be typed; a confirmation is enough without.
        meanwhile
            Called again and again until there is an answer: keeps a source on.

        Raises
        ------
        StoppedError
            Nobody will answer.
        """
        ...
