"""Arguments at the door."""

import pickle
from math import inf, nan

import numpy as np
import pytest
from hypothesis import given, strategies as st

from daemon.spc import errors
from daemon.spc.checks import (
    count,
    finite,
    finite_array,
    not_negative,
    positive,
    same_length,
    share,
)
from daemon.spc.errors import (
    NotFiniteError,
    OutOfRangeError,
    ShapeError,
    SpcError,
    TooFewError,
)

KINDS = [
    kind
    for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, SpcError)
]


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_names_argument_value_and_bound_also_after_pickling(
    kind: type[SpcError],
) -> None:
    error = kind(argument="sigma", value=-1.0, allowed="> 0")
    assert str(error) == "sigma = -1.0: must be > 0"
    again = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own bytes
    assert type(again) is kind
    assert (again.argument, again.value, again.allowed) == ("sigma", -1.0, "> 0")


@given(st.floats(-1e150, 1e150))
def test_finite_numbers_pass(value: float) -> None:
    assert finite("x", value) == value
    assert finite_array("x", [value, value]).tolist() == [value, value]


@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_what_is_not_finite_is_refused_with_its_place(value: float) -> None:
    for check in (finite, positive, not_negative, share):
        with pytest.raises(NotFiniteError, match=f"x = {value}: must be a finite"):
            check("x", value)
    with pytest.raises(NotFiniteError, match=rf"x\[1, 0\] = {value}"):
        finite_array("x", [[1.0, 2.0], [value, 1.0]], ndim=2)
    with pytest.raises(NotFiniteError):
        count("n", value, at_least=1)  # type: ignore[arg-type]


def test_numbers_whose_square_overflows_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match=r"x = 1e\+200: must be >= -1e\+150"):
        finite("x", 1e200)
    with pytest.raises(OutOfRangeError, match=r"x\[1\] = -1e\+308"):
        finite_array("x", [1.0, -1e308])
    # Each is small enough, though the sum of their squares is not finite.
    assert len(finite_array("x", np.full(10**6, 1e152 / 100))) == 10**6


@pytest.mark.parametrize("value", ["1", [[1.0], [1.0, 2.0]], {"a": 1}, None])
def test_what_is_no_row_of_numbers_is_refused(value: object) -> None:
    if value == "1":
        value = "one"
    with pytest.raises(ShapeError, match="x = "):
        finite_array("x", value)  # type: ignore[arg-type]


def test_sizes_are_compared() -> None:
    with pytest.raises(TooFewError, match=r"len\(x\) = 1: must be >= 2"):
        finite_array("x", [1.0], at_least=2)
    with pytest.raises(ShapeError, match=r"len\(a, b\) = \[1, 2\]: must be all equal"):
        same_length("a, b", np.zeros(1), np.zeros(2))


def test_bounds_are_strict_where_they_say_so() -> None:
    assert positive("x", 1e-300) == 1e-300
    assert not_negative("x", 0.0) == 0.0
    for bad in (0.0, -1.0):
        with pytest.raises(OutOfRangeError, match="must be > 0"):
            positive("x", bad)
    for bad in (0.0, 1.0, -0.5):
        with pytest.raises(OutOfRangeError, match="> 0 and < 1"):
            share("alpha", bad)
    assert count("n", 2, at_least=2) == 2
    for number in (1, 2.5):
        with pytest.raises(OutOfRangeError, match="a whole number >= 2"):
            count("n", number, at_least=2)  # type: ignore[arg-type]
