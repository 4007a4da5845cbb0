"""Published check values: read, compared, and listed for a report.

Each file in `tests/reference/` holds entries with inputs, expected values, a
tolerance for each, the source, and a provenance mark: "seen" (read in a copy
of the source), "computed" (reproduced independently) or "memory" (recalled
only).
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

FOLDER = Path(__file__).parent / "reference"


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One published value beside ours, as a row of the report's table."""

    entry: str
    name: str
    published: Any
    ours: Any
    difference: float
    provenance: str


COMPARISONS: list[Comparison] = []


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One published example."""

    id: str
    description: str
    source: str
    provenance: str
    inputs: Mapping[str, Any]
    expected: Mapping[str, Any]

    def published(self, name: str) -> Any:
        """Return the expected value at a dotted path, without its tolerance."""
        node = self._node(name)
        return node["value"] if isinstance(node, dict) and "value" in node else node

    def check(self, name: str, ours: Any) -> None:
        """Compare with the value at a dotted path, at its stated tolerance.

        A value that carries no tolerance (a list of point numbers, letters, a
        boolean) must be equal.
        """
        node = self._node(name)
        if not (isinstance(node, dict) and "value" in node):
            self._record(name, node, ours, 0.0 if node == ours else np.inf)
            assert ours == node, f"{self.id}, {name}: {ours!r}, published {node!r}"
            return
        published = np.asarray(node["value"], dtype=float)
        tolerance = np.asarray(node["tol"], dtype=float)
        if node.get("tol_kind") == "rel":
            tolerance = tolerance * np.abs(published)
        difference = np.abs(np.asarray(ours, dtype=float) - published)
        self._record(name, node["value"], ours, float(np.max(difference)))
        # The slack is for the binary rounding of a decimal tolerance.
        assert np.all(difference <= tolerance * (1 + 1e-9)), (
            f"{self.id}, {name}: {ours!r}, published {node['value']!r} "
            f"+- {node['tol']!r} ({self.source})"
        )

    def _node(self, name: str) -> Any:
        node: Any = self.expected
        if name in node:
            return node[name]
        for step in name.split("."):
            node = node[int(step)] if isinstance(node, list) else node[step]
        return node

    def _record(self, name: str, published: Any, ours: Any, difference: float) -> None:
        COMPARISONS.append(
            Comparison(
                entry=self.id,
                name=name,
                published=published,
                ours=ours,
                difference=difference,
                provenance=self.provenance,
            )
        )


@cache
def entries(file: str) -> Mapping[str, Entry]:
    """Return the entries of one file (without its suffix) by their id."""
    text = (FOLDER / f"{file}.json").read_text(encoding="utf-8")
    return {
        raw["id"]: Entry(
            id=raw["id"],
            description=raw["description"],
            source=raw["source"],
            provenance=raw["provenance"],
            inputs=raw.get("inputs", {}),
            expected=raw["expected"],
        )
        for raw in json.loads(text)["entries"]
    }


def entry(file: str, key: str) -> Entry:
    """Return one entry."""
    return entries(file)[key]


HEADING = (
    "| entry | value | published | ours | difference | provenance |",
    "|---|---|---|---|---|---|",
)


def line(row: Comparison) -> str:
    """Return one line of the table: entry, published, ours, difference."""
    return (
        f"| {row.entry} | {row.name} | {_short(row.published)} "
        f"| {_short(row.ours)} | {row.difference:.2g} | {row.provenance} |"
    )


def _short(value: Any) -> str:
    if isinstance(value, str | bool | int):
        return str(value)
    flat = np.asarray(value).ravel()
    if flat.dtype.kind not in "fiu":
        return f"{len(flat)} items"
    shown = ", ".join(f"{float(x):.9g}" for x in flat[:3])
    return shown if flat.size <= 3 else f"{shown}, ... ({flat.size})"
