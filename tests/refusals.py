"""Bad arguments: which one a refusal must name."""

from collections.abc import Callable
from typing import Any, NamedTuple

import pytest

from daemon.spc.errors import SpcError


class Refusal(NamedTuple):
    """A call that must be refused, and the argument that the error names."""

    argument: str
    call: Callable[[], object]


def refusals(*calls: Refusal) -> list[Any]:
    """Return a parameter for each call, the named argument in its id."""
    return [
        pytest.param(refusal, id=f"{number}-{refusal.argument}")
        for number, refusal in enumerate(calls, start=1)
    ]


def assert_refused(refusal: Refusal) -> None:
    """Require an error that names the argument, its value and what is allowed."""
    with pytest.raises(SpcError, match="must be") as caught:
        refusal.call()
    assert caught.value.argument == refusal.argument
    assert caught.value.allowed
