"""Checks that every chart passes: points one by one are those of the whole."""

import pickle
from collections.abc import Iterable, Sequence
from copy import deepcopy
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal


def same_points(points: Sequence[Any], history: Any, *, atol: float) -> None:
    """Compare each field of the points with the array of the same name."""
    for field in fields(history):
        name = field.name
        whole = getattr(history, name)
        parts = [getattr(point, name) for point in points]
        if is_dataclass(whole):
            same_points(parts, whole, atol=atol)
            continue
        if isinstance(whole, tuple):
            assert parts == list(whole), name
            continue
        assert len(whole) == len(parts), name
        if not parts:
            continue
        if whole.dtype.kind in "fc":
            # None, "not enough yet", is NaN in an array.
            ours = np.array(parts, dtype=float)
            assert_allclose(ours, whole, rtol=1e-9, atol=atol, err_msg=name)
        else:
            assert_array_equal(np.array(parts), whole, err_msg=name)


def one_by_one_equals_whole(
    chart: Any, first: Any, second: Any, *, atol: float = 1e-9
) -> None:
    """Feed a chart and its copies in three ways, with a save in between.

    `first` and `second` are the arguments of `extend`: one array of values, or a
    tuple of arrays that are given to `update` element by element together.
    """
    one, whole = deepcopy(chart), deepcopy(chart)
    for values in rows(first):
        one.update(*values)
    whole.extend(*arguments(first))
    one, whole = pickle.loads(pickle.dumps((one, whole)))  # noqa: S301 - our bytes
    points = [one.update(*values) for values in rows(second)]
    same_points(points, whole.extend(*arguments(second)), atol=atol)
    # The states are the same too: what follows is the same again.
    after = [one.update(*values) for values in rows(second)]
    same_points(after, whole.extend(*arguments(second)), atol=atol)


def arguments(data: Any) -> tuple[Any, ...]:
    """Return the arguments of `extend`."""
    return data if isinstance(data, tuple) else (data,)


def rows(data: Any) -> Iterable[tuple[Any, ...]]:
    """Return the arguments of each `update`."""
    return zip(*arguments(data), strict=True)


def refuses(chart: Any, error: type[Exception], match: str, *bad: Any) -> None:
    """Check that `update` refuses a value and leaves the chart as it was."""
    before = pickle.dumps(chart)
    with pytest.raises(error) as caught:
        chart.update(*bad)
    assert match in str(caught.value)
    assert pickle.dumps(chart) == before
