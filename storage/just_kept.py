"""What a store that alone writes its file still knows of the runs it kept last.

What runs name (product, session, settings, build) is the same from unit to unit, and a
run that was just kept needs not be read back. It holds while nothing but runs, and what
was found in them, was kept since; see `Store.kept_beside_runs`.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Self

from storage.door import Cell

Fact = Mapping[str, object]
NAMED = ("product", "session", "configuration", "build")
"""Kinds of what runs name that a run cannot change, and of which there are few."""
MOST_NAMED = 100
MOST_RUNS = 100
_OF_RUN = ("origin", "rerun_of", "ambient_c", "configuration")
_OF_RANGE = (
    "range",
    "reference",
    "indicated",
    "error_ppm",
    "offset_ppm",
    "uncertainty_ppm",
    "limit_ppm",
    "verdict",
    "conformance_probability",
    "own_uncertainty_ppm",
)


@dataclass(slots=True, kw_only=True)
class JustKept:
    """What is known without asking; a value of its own for each transaction."""

    beside_runs: int = -1
    """How many transactions had kept more than runs by then."""
    facts: dict[str, dict[str, Fact]] = field(default_factory=dict)
    """By kind and name, what a run must agree with."""
    last: int | None = None
    """The highest run number; None where it is to be asked."""
    runs: dict[int, tuple[str, tuple[Mapping[str, Any], ...]]] = field(
        default_factory=dict
    )
    """By number, the product of a run and its rows of `watched_rows`."""
    marks: dict[str, int] = field(default_factory=dict)
    """By product, up to which run it was watched."""

    def copy(self) -> Self:
        """Return what a transaction may add to, and which is dropped if it fails."""
        return type(self)(
            beside_runs=self.beside_runs,
            facts={kind: dict(known) for kind, known in self.facts.items()},
            last=self.last,
            runs=dict(self.runs),
            marks=dict(self.marks),
        )

    def named(self) -> dict[str, dict[str, Fact]]:
        """Return what is known of what runs name, to be added to."""
        return defaultdict(dict, {kind: dict(one) for kind, one in self.facts.items()})

    def add(
        self,
        number: int,
        run: Mapping[str, Cell],
        ranges: Sequence[Mapping[str, Cell]],
        session: Fact,
    ) -> None:
        """Take up a run as its rows were kept."""
        rows = tuple(_watched_row(number, run, one, session) for one in ranges)
        self.runs[number] = str(run["product"]), rows
        if len(self.runs) > MOST_RUNS:
            del self.runs[min(self.runs)]

    def took(self, facts: Mapping[str, Mapping[str, Fact]], last: int) -> None:
        """Note what was found of what runs name, and the highest number."""
        self.facts = {
            kind: dict(facts[kind])
            for kind in NAMED
            if kind in facts and len(facts[kind]) <= MOST_NAMED
        }
        self.last = last

    def has(self, product: str, number: int) -> bool:
        """Whether this product and this run, the last one, are known to be kept."""
        return number == self.last and product in self.facts.get("product", {})

    def watched_after(self, product: str, number: int) -> list[dict[str, Any]] | None:
        """Return the rows of `watched_rows` above a number; None if not all are known.

        They are what the query gives, value by value.
        """
        if self.last is None or self.last - number > len(self.runs):
            return None
        later = range(number + 1, self.last + 1)
        if any(one not in self.runs for one in later):
            return None
        found = [self.runs[one] for one in later]
        return [dict(row) for of, rows in found if of == product for row in rows]


def _watched_row(
    number: int, run: Mapping[str, Cell], one: Mapping[str, Cell], session: Fact
) -> dict[str, Any]:
    """Return a range's row as `watched_rows` has it, in the order of its columns."""
    return {
        "number": number,
        **{name: run[name] for name in ("run", "kind", "serial", "build", "session")},
        "started_at": run["started_at"],
        **{name: _as_kept(run[name]) for name in _OF_RUN},
        **{name: _as_kept(one[name]) for name in _OF_RANGE},
        "repeat": one["repeat"],
        "set_up": session["said"] == "true",
    }


def _as_kept(value: Cell) -> Cell:
    """Return a value as a column gives it back: its numbers are no integers."""
    return float(value) if isinstance(value, int) else value
