"""A store that does not ask again what nothing has changed since.

A study owns its file alone and asks the same few short questions at every unit; most of
its time would go into planning them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from storage.local import LocalStore
from storage.records import (
    CheckResult,
    Decision,
    Fitting,
    RangeResult,
    Rejudgement,
    Run,
    Unit,
)
from storage.records_shipping import Rework
from storage.store import Parameter

if TYPE_CHECKING:
    import pandas as pd  # slow to load

__all__ = ["RememberingStore"]

FITTINGS, REWORKS, REJUDGEMENTS = "fittings", "reworks", "rejudgements"
KEPT = {FITTINGS, REWORKS, REJUDGEMENTS}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    parameters: Mapping[str, Parameter]
    frame: "pd.DataFrame"

    def answers(self, parameters: Mapping[str, Parameter]) -> bool:
        """Whether it is the answer to this question too.

        Where there is no row after a run, there is none after a later one.
        """
        if parameters == self.parameters:
            return True
        later, earlier = parameters.get("after"), self.parameters.get("after")
        return (
            self.frame.empty
            and isinstance(later, int)
            and isinstance(earlier, int)
            and later >= earlier
            and {**parameters, "after": earlier} == self.parameters
        )


class RememberingStore(LocalStore):
    """Rows in a file that nobody else writes; see `storage.local.LocalStore`."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._kept: dict[str, _Answer] = {}

    def fit_reel(self, fitting: Fitting) -> None:
        """Keep which reel feeds a part from a unit on."""
        self._kept.pop(FITTINGS, None)
        super().fit_reel(fitting)

    def record_rework(self, rework: Rework, decision: Decision) -> None:
        """Keep what was done to a unit."""
        self._kept.pop(REWORKS, None)
        super().record_rework(rework, decision)

    def record_run(
        self,
        run: Run,
        results: Sequence[RangeResult],
        unit: Unit | None = None,
        checks: Sequence[CheckResult] = (),
        closes: Sequence[Rejudgement] = (),
    ) -> int:
        """Keep a run with all that belongs to it; return its run number.

        A later run of a unit changes what was judged again of it, too.
        """
        kept = self._kept.get(REJUDGEMENTS)
        if closes or (kept is not None and not kept.frame.empty):
            self._kept.pop(REJUDGEMENTS, None)
        return super().record_run(run, results, unit, checks, closes)

    def frame(self, query: str, **parameters: Parameter) -> "pd.DataFrame":
        """Answer a named query as a frame for people."""
        if query not in KEPT:
            return super().frame(query, **parameters)
        kept = self._kept.get(query)
        if kept is None or not kept.answers(parameters):
            found = super().frame(query, **parameters)
            kept = _Answer(parameters=parameters, frame=found)
            self._kept[query] = kept
        return kept.frame.copy()
