"""What tests of charts share: the points of a whole history, and what is refused."""

import pickle
from collections.abc import Iterable, Sequence
from dataclasses import fields, is_dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from daemon.spc.rules import Rule, RunRules


class Columns(SimpleNamespace):
    """Fields of points as arrays; of no points every field is empty."""

    def __getattr__(self, name: str) -> NDArray[np.float64]:
        if name.startswith("_") or vars(self):
            raise AttributeError(name)
        return np.zeros(0)


def history(chart: Any, *columns: Any) -> Any:
    """Feed a chart, a row of the columns at a time; return each field as an array.

    None, "not enough yet", is NaN in an array. Half way the chart is saved and
    restored: what follows is not to notice.
    """
    rows = list(zip(*columns, strict=True))
    half = len(rows) // 2
    points = [chart.update(*row) for row in rows[:half]]
    again = pickle.loads(pickle.dumps(chart))  # noqa: S301 - our own bytes
    points += [chart.update(*row) for row in rows[half:]]
    restored = [again.update(*row) for row in rows[half:]]
    assert repr(restored[-1:]) == repr(points[-1:])
    return columns_of(points)


def columns_of(points: Sequence[Any]) -> Any:
    """Return each field of points as an array, of fields that are points too."""
    found: dict[str, Any] = {}
    for field in fields(points[0]) if points else ():
        column = [getattr(point, field.name) for point in points]
        if is_dataclass(column[0]):
            found[field.name] = columns_of(column)
        else:
            missing = any(one is None for one in column)
            found[field.name] = np.array(column, dtype=float if missing else None)
    return Columns(**found)


class Watched:
    """What a set of run rules says of values, position by position from 0."""

    def __init__(self, rules: Iterable[Rule], z: ArrayLike) -> None:
        watch = RunRules(rules=tuple(rules))
        self.points = [watch.update(float(one)) for one in np.asarray(z)]

    @property
    def signal(self) -> NDArray[np.bool_]:
        """Whether any rule fired at each unit."""
        return np.array([point.signal for point in self.points], dtype=np.bool_)

    def at(self, rule: Rule, *, side: int | None = None) -> list[int]:
        """Return where a rule fired, on one side where that is asked."""
        return [
            firing.n - 1
            for point in self.points
            for firing in point.firings
            if firing.rule == rule and side in (None, firing.side)
        ]


def refuses(chart: Any, error: type[Exception], match: str, *bad: Any) -> None:
    """Check that `update` refuses a value and leaves the chart as it was."""
    before = pickle.dumps(chart)
    with pytest.raises(error) as caught:
        chart.update(*bad)
    assert match in str(caught.value)
    assert pickle.dumps(chart) == before
