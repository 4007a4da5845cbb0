"""Frozen rows of gauge studies: what was planned, and what was read."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from math import isfinite

from storage.errors import RefusedValueError
from storage.kept import Kept, Record


class GaugeKind(StrEnum):
    """What a gauge study asks."""

    CROSSED = "crossed"
    """How far people agree: each reads each part several times."""
    TYPE_1 = "type-1"
    """Whether a gauge will do for a tolerance: one reference, one person."""
    BIAS = "bias"
    """How far the mean lies from one reference."""
    LINEARITY = "linearity"
    """Whether that changes over the range: several references."""
    STABILITY = "stability"
    """Whether it changes from day to day: one reference."""


FEWEST = 2
"""Parts, appraisers and trials of a crossed study; trials of linearity."""
FEWEST_IN_A_ROW = 10
"""Readings of one reference in a row (common practice, no source)."""
FEWEST_REFERENCES = 5
"""Of a linearity study (common practice, no source)."""
FEWEST_TIMES = 5
"""Of a stability study: fewer have no limits (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy(Record):
    """A gauge study as it was planned.

    `parts`, `appraisers` and `cells` are JSON lists; a cell is a part, an appraiser and
    a trial, each from 0, in the order in which they are read. `bench` names the bench
    as it was described then, `tolerance` the width between the limits, in `unit`.
    `known_values` is a JSON list of what each part truly is, `known_uncertainty` the
    expanded uncertainty (k = 2) of that, in `unit`. In a stability study trials go on
    through all `times`: `trials` readings at each.
    """

    kept = Kept(refers={"product": "product"}, order=("planned_at", "gauge_study"))

    gauge_study: str
    product: str
    range: str | None
    unit: str
    parts: str
    appraisers: str
    trials: int
    cells: str
    tolerance: float | None
    bench: str | None
    person: str
    planned_at: datetime
    kind: GaugeKind = GaugeKind.CROSSED
    known_values: str | None = None
    known_uncertainty: float | None = None
    times: int = 1

    def check(self) -> None:
        """Refuse what its kind does not allow, and cells that are not each there once.

        Raises
        ------
        RefusedValueError
            Saying what such a study needs.
        """
        parts, appraisers = json.loads(self.parts), json.loads(self.appraisers)
        for value, allowed in self._lacks(len(parts), len(appraisers)):
            raise RefusedValueError(
                what=f"{self.kind} study", value=value, allowed=allowed
            )
        every = {
            (part, appraiser, trial)
            for part in range(len(parts))
            for appraiser in range(len(appraisers))
            for trial in range(self.trials * self.times)
        }
        cells = [tuple(one) for one in json.loads(self.cells)]
        if len(cells) != len(every) or set(cells) != every:
            raise RefusedValueError(
                what="gauge_study.cells",
                value=f"{len(cells)} cells",
                allowed="must be each part, appraiser and trial once",
            )

    def _lacks(self, parts: int, appraisers: int) -> Iterator[tuple[str, str]]:
        """Say what is wrong with the plan, and what such a study needs."""
        kind, size = self.kind, f"{parts} x {appraisers} x {self.trials}"
        known = None if self.known_values is None else json.loads(self.known_values)
        if self.tolerance is not None and not self.tolerance > 0:
            yield f"a tolerance of {self.tolerance:g}", "needs one above 0"
        if kind is GaugeKind.TYPE_1 and self.tolerance is None:
            yield "no tolerance", "needs the width between the limits"
        if kind is GaugeKind.STABILITY:
            if self.times < FEWEST_TIMES:
                yield f"{self.times} days", f"needs {FEWEST_TIMES} or more"
        elif self.times != 1:
            yield f"{self.times} days", "is read on one day"
        if kind is GaugeKind.CROSSED:
            if min(parts, appraisers, self.trials) < FEWEST:
                yield size, "needs 2 parts, 2 appraisers and 2 trials at least"
            if known is not None:
                yield "known values", "needs none"
            return
        if appraisers != 1:
            yield f"{appraisers} appraisers", "needs one"
        yield from self._of_references(parts, known)

    def _of_references(
        self, parts: int, known: list[float] | None
    ) -> Iterator[tuple[str, str]]:
        if known is None or len(known) != parts or not all(map(isfinite, known)):
            yield (
                f"{len(known or ())} known values",
                f"needs what each of its {parts} parts truly is",
            )
        uncertain = self.known_uncertainty
        if uncertain is not None and not uncertain >= 0:
            yield f"an uncertainty of {uncertain:g}", "needs none below 0"
        if self.kind is GaugeKind.LINEARITY:
            if len(set(known or ())) < FEWEST_REFERENCES or self.trials < FEWEST:
                yield (
                    f"{parts} x {self.trials}",
                    f"needs {FEWEST_REFERENCES} references that differ, 2 trials each",
                )
            return
        if parts != 1:
            yield f"{parts} parts", "needs one reference"
        if self.kind is not GaugeKind.STABILITY and self.trials < FEWEST_IN_A_ROW:
            yield f"{self.trials} readings", f"needs {FEWEST_IN_A_ROW} or more"


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeReading(Record):
    """What was read at one place of a study, from 0, in the study's unit."""

    kept = Kept(
        key=("gauge_study", "place"),
        refers={"gauge_study": "gauge_study"},
        order=("gauge_study", "place"),
    )

    gauge_study: str
    place: int
    value: float
    run: str | None
    person: str
    read_at: datetime
