"""What the models allow at a path, in words, and models with holes.

All of it is read off the models' own annotations, so that a bound is written once.
"""

import types
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import Enum
from typing import Annotated, Any, Literal, Self, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen
from pydantic.fields import FieldInfo

from config.strict import KeyPath, Strict

__all__ = ["Shape", "plain"]

LONGEST_PLAIN = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """An annotation without its wrapping: the bare type, its arguments and bounds."""

    kind: Any
    args: tuple[Any, ...] = ()
    bounds: tuple[Any, ...] = ()

    @classmethod
    def of(cls, annotation: Any, bounds: Iterable[Any] = ()) -> Self:
        """Unwrap `Annotated` and `| None`."""
        origin, args = get_origin(annotation), get_args(annotation)
        if origin is Annotated:
            return cls.of(args[0], (*bounds, *_flat(args[1:])))
        if origin in {Union, types.UnionType}:
            (bare,) = (one for one in args if one is not type(None))
            return cls.of(bare, bounds)
        return cls(kind=origin or annotation, args=args, bounds=tuple(bounds))

    @property
    def fields(self) -> Mapping[str, FieldInfo]:
        """The keys of a settings table; empty for anything else."""
        if isinstance(self.kind, type) and issubclass(self.kind, Strict):
            return self.kind.model_fields
        return {}

    def child(self, key: str | int) -> "Shape | None":
        """Return what belongs at `key`; None where nothing does."""
        if isinstance(key, int):
            if self.kind is not tuple:
                return None
            return Shape.of(self.args[0 if self.repeats else key])
        if self.kind is dict:
            return Shape.of(self.args[1])
        if (field := self.fields.get(key)) is not None:
            return Shape.of(field.annotation, _flat(field.metadata))
        return None

    def at(self, path: KeyPath) -> "Shape | None":
        """Return what belongs at the end of a path; None where nothing does."""
        shape: Shape | None = self
        for key in path:
            if shape is None:
                return None
            shape = shape.child(key)
        return shape

    @property
    def repeats(self) -> bool:
        """Whether this is a list of any length."""
        return self.kind is tuple and self.args[-1] is Ellipsis

    @property
    def choices(self) -> tuple[str, ...]:
        """The few texts that are allowed; empty where there are no such few."""
        if self.kind is Literal:
            return self.args
        if isinstance(self.kind, type) and issubclass(self.kind, Enum):
            return tuple(one.value for one in self.kind)
        return ()

    @property
    def interval(self) -> str:
        """Both bounds of a number; empty where it has none."""
        signs = {Gt: ">", Ge: ">=", Lt: "<", Le: "<="}
        ends = [
            f"{sign} {plain(getattr(bound, kind.__name__.lower()))}"
            for kind, sign in signs.items()
            for bound in self.bounds
            if isinstance(bound, kind)
        ]
        return " and ".join(ends)

    @property
    def allowed(self) -> str:
        """What may be written here, in words."""
        if self.choices:
            return " or ".join(repr(one) for one in self.choices)
        if self.kind in {int, float}:
            noun = "a whole number" if self.kind is int else "a number"
            return f"{noun} {self.interval}".strip()
        if self.kind is str:
            return f"text {self.length}".strip()
        if self.kind is tuple and not self.repeats:
            return f"a list of {len(self.args)} numbers"
        words = {
            bool: "true or false",
            tuple: "a list",
            date: "a date, 2026-03-01, without quotes",
        }
        return words.get(self.kind, "a table")

    @property
    def length(self) -> str:
        """How long a text may be; empty where any length will do."""
        longest = [one.max_length for one in self.bounds if isinstance(one, MaxLen)]
        shortest = [one.min_length for one in self.bounds if isinstance(one, MinLen)]
        if not longest:
            return ""
        return f"of {max([*shortest, 0])} to {min(longest)} characters"

    @property
    def at_least(self) -> int:
        """How many a list or a table of names must hold."""
        if self.kind not in {tuple, dict}:
            return 0
        return max(
            (b.min_length for b in self.bounds if isinstance(b, MinLen)), default=0
        )

    def with_holes(
        self, raw: Any, faulty: Collection[KeyPath], path: KeyPath = ()
    ) -> Any:
        """Build what is whole of `raw`; a faulty key stays unset.

        A table that is faulty as a whole becomes one with nothing set, so that its
        name is still known to whoever refers to it.
        """
        if raw is None:
            return None
        if self.fields:
            return self._table_with_holes(raw, faulty, path)
        if self.kind is dict:
            return {key: self._below(key, raw, faulty, path) for key in raw}
        if self.kind is tuple:
            places = range(len(raw))
            return tuple(self._below(place, raw, faulty, path) for place in places)
        if isinstance(self.kind, type) and issubclass(self.kind, Enum):
            return self.kind(raw)
        return raw

    def _below(
        self, key: str | int, raw: Any, faulty: Collection[KeyPath], path: KeyPath
    ) -> Any:
        child = self.child(key)
        return child and child.with_holes(raw[key], faulty, (*path, key))

    def _table_with_holes(
        self, raw: Any, faulty: Collection[KeyPath], path: KeyPath
    ) -> Strict:
        whole = isinstance(raw, dict) and path not in faulty
        table = raw if whole else {}
        known = {key for key in table if key in self.fields}
        holes = {key for key in known if self._is_hole(key, faulty, path)}
        if not whole:
            holes = {*self.fields}
        made: Strict = self.kind.model_construct(
            **{key: self._below(key, table, faulty, path) for key in known - holes}
        )
        for key in holes:
            made.__dict__.pop(key, None)  # a default must not stand in for a fault
        return made

    def _is_hole(self, key: str, faulty: Collection[KeyPath], path: KeyPath) -> bool:
        child = self.child(key)
        if child is None or child.fields:
            return False
        here = (*path, key)
        if child.kind is tuple and not Shape.of(child.args[0]).fields:
            return any(one[: len(here)] == here for one in faulty)
        return here in faulty


def plain(number: float) -> str:
    """Return a bound as a person writes it.

    Examples
    --------
    >>> plain(500_000), plain(1e12), plain(0.5)
    ('500000', '1e+12', '0.5')
    """
    return f"{number:.10g}" if abs(number) < LONGEST_PLAIN else f"{number:g}"


def _flat(metadata: Iterable[Any]) -> list[Any]:
    """Return the bounds in an annotation's metadata, those inside a Field too."""
    bounds = []
    for one in metadata:
        bounds.extend(one.metadata if isinstance(one, FieldInfo) else [one])
    return bounds
