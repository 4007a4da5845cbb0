"""Frozen rows of gauge studies: what was planned, and what was read."""

import json
from dataclasses import dataclass
from datetime import datetime

from storage.errors import RefusedValueError
from storage.kept import Kept, Record

FEWEST = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy(Record):
    """A crossed gauge study as it was planned.

    `parts`, `appraisers` and `cells` are JSON lists; a cell is a part, an appraiser and
    a trial, each from 0, in the order in which they are read. `bench` names the bench
    as it was described then, `tolerance` the width between the limits, in `unit`.
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

    def check(self) -> None:
        """Refuse one whose cells are not each of part, appraiser and trial once."""
        parts, appraisers = json.loads(self.parts), json.loads(self.appraisers)
        if min(len(parts), len(appraisers), self.trials) < FEWEST:
            raise RefusedValueError(
                what="gauge study",
                value=f"{len(parts)} x {len(appraisers)} x {self.trials}",
                allowed="needs 2 parts, 2 appraisers and 2 trials at least",
            )
        every = {
            (part, appraiser, trial)
            for part in range(len(parts))
            for appraiser in range(len(appraisers))
            for trial in range(self.trials)
        }
        cells = [tuple(one) for one in json.loads(self.cells)]
        if len(cells) != len(every) or set(cells) != every:
            raise RefusedValueError(
                what="gauge_study.cells",
                value=f"{len(cells)} cells",
                allowed="must be each part, appraiser and trial once",
            )


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
