"""Versions of the settings: what differs between two, key by key as in the files."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

NOTHING = "left out"
LONGEST = 80
"""Characters of a value; the file has the rest."""


def differences(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Return what differs, a line a key.

    Parameters
    ----------
    before, after
        Settings as they are kept: tables within tables.

    Examples
    --------
    >>> differences({"plan": {"people": ["Ada"]}}, {"plan": {"people": ["Ada", "Jon"]}})
    ['plan.people was Ada, is Ada, Jon.']
    >>> differences({"product": {"title": "A"}}, {"product": {"title": "A"}})
    []
    """
    old, new = dict(_flat(before)), dict(_flat(after))
    return [
        f"{key} was {_said(old.get(key))}, is {_said(new.get(key))}."
        for key in [*old, *(one for one in new if one not in old)]
        if old.get(key) != new.get(key)
    ]


def _flat(table: Mapping[str, Any], path: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        name = f"{path}.{key}" if path else key
        if isinstance(value, Mapping):
            yield from _flat(value, name)
        elif _is_tables(value):
            for place, one in enumerate(value, 1):
                yield from _flat(one, f"{name}[{place}]")
        elif value is not None:
            yield name, value


def _is_tables(value: object) -> bool:
    return (
        isinstance(value, Sequence)
        and not isinstance(value, str)
        and bool(value)
        and all(isinstance(one, Mapping) for one in value)
    )


def _said(value: object) -> str:
    if value is None:
        return NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return ", ".join(_said(one) for one in value) or NOTHING
    text = str(value)
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}..."
