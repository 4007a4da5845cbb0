"""Rows of the Store as events of the watch."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from operator import itemgetter
from typing import Any

import numpy as np

from config import Bench
from daemon.judging import ProductModel, StandardsThen, resolution_ppm2
from daemon.presentation import sentences
from daemon.watch.events import CheckErrors, Errors, UnitErrors
from storage import LATEST, RunKind, Store, Verdict, plain_rows

Row = Mapping[str, Any]

LEAST_CHECK_NOISE = 0.01
"""Standard deviation of a check standard's run beside resolution, in tolerances."""
SEATABLE = {"bench", "typed"}
"""Where somebody stands who can seat a unit again."""
PAIR = 2
NAN = float("nan")


@dataclass(frozen=True, slots=True)
class RunRows:
    """One run as the query `watched_rows` has it: a row a range."""

    rows: tuple[Row, ...]

    @property
    def head(self) -> Row:
        """What all its rows have in common."""
        return self.rows[0]

    @property
    def number(self) -> int:
        """Its number."""
        return int(self.head["number"])

    @property
    def is_unit(self) -> bool:
        """Whether it is of a unit, not of the check standard."""
        return bool(self.head["kind"] == RunKind.UNIT)

    @property
    def serial(self) -> str:
        """Of the unit or the check standard."""
        return str(self.head["serial"])

    @property
    def started_at(self) -> datetime:
        """When it was begun, UTC."""
        at: datetime = self.head["started_at"]
        return at

    def by_range(self) -> dict[str, Row]:
        """Return its rows by range."""
        return {str(one["range"]): one for one in self.rows}


def runs_after(
    store: Store,
    product: str,
    number: int,
    until: int = LATEST,
    *,
    serial: str | None = None,
) -> list[RunRows]:
    """Return runs of a product above a number, up to another, in their order.

    Parameters
    ----------
    serial
        Of one unit or check standard; left out, of all.
    """
    if until == LATEST and serial is None:
        found = store.watched_after(product, number)
    else:
        found = plain_rows(
            store.table(
                "watched_rows",
                product=product,
                after=number,
                until=until,
                serial=serial,
            )
        )
    return [
        RunRows(tuple(rows)) for _, rows in groupby(found, key=itemgetter("number"))
    ]


def measured_again(runs: Sequence[RunRows]) -> set[int]:
    """Return the runs of which all ranges were measured again in a later one here.

    A unit that was seated again before anything was watched is watched as it was read
    the second time alone: a poor contact raises nothing.
    """
    over: set[int] = set()
    later: dict[str, set[str]] = {}
    for run in reversed(runs):
        if not run.is_unit:
            continue
        ranges = set(run.by_range())
        if ranges <= later.get(run.serial, set()):
            over.add(run.number)
        later.setdefault(run.serial, set()).update(ranges)
    return over


def seated_again(runs: Sequence[RunRows]) -> set[int]:
    """Return the first runs of units that were seated and measured once more.

    The second run took all its ranges again, on the bench or typed, before anything was
    watched. Whoever measures a third time, or by another way, tests until it passes.
    """
    mine: dict[str, list[RunRows]] = {}
    for run in runs:
        if run.is_unit and str(run.head["origin"]) in SEATABLE:
            mine.setdefault(run.serial, []).append(run)
    return {
        first.number
        for first, second in (pair for pair in mine.values() if len(pair) == PAIR)
        if first.head["rerun_of"] is None
        and second.head["rerun_of"] == first.head["run"]
        and set(first.by_range()) <= set(second.by_range())
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class FromRows:
    """Makes events of the rows of one product.

    Parameters
    ----------
    product
        Whose.
    bench
        For resolution, and for the check standard's known errors where the settings of
        a run do not tell them; None without a bench.
    then
        The check standard's known errors of the time of a run.
    """

    product: ProductModel
    bench: Bench | None
    then: StandardsThen

    def unit(self, run: RunRows) -> UnitErrors:
        """Return a unit's run as it is watched."""
        head = run.head
        errors, variance = self._measured(run)
        ambient_c = head["ambient_c"]
        return UnitErrors(
            number=run.number,
            run=str(head["run"]),
            serial=run.serial,
            build=str(head["build"]),
            errors_ppm=errors,
            at=run.started_at,
            session=str(head["session"]),
            set_up=bool(head["set_up"]),
            seatable=str(head["origin"]) in SEATABLE,
            variance_ppm2=variance,
            ambient_c=None if ambient_c is None else float(ambient_c),
            again=any(one["repeat"] > 0 for one in run.rows),
        )

    def check(self, run: RunRows) -> CheckErrors:
        """Return a run of the check standard as it is watched."""
        errors, variance = self._measured(run)
        known = np.zeros(len(errors))
        written = None if self.bench is None else self.bench.check_standard
        standard = self.then.of(str(run.head["configuration"]), run.serial) or written
        if standard is not None:
            known = np.array(
                [standard.error_ppm.get(key, NAN) for key in self.product.keys]
            )
        noise = LEAST_CHECK_NOISE * self.product.tolerance_ppm
        by_range = run.by_range()
        allowed = [
            float(by_range[key]["uncertainty_ppm"]) if key in by_range else 0.0
            for key in self.product.keys
        ]
        return CheckErrors(
            number=run.number,
            session=str(run.head["session"]),
            errors_minus_known_ppm=errors - known,
            variance_ppm2=variance + noise**2,
            allowed_ppm2=np.array(allowed) ** 2,
            at=run.started_at,
            standard=f"{run.serial} {known.tolist()}",
        )

    def said_of_check(self, run: RunRows) -> str:
        """Say in a sentence what a run of the check standard showed."""
        return sentences.check_standard(
            serial=run.serial,
            outside=[
                self.product.range(str(one["range"])).title
                for one in run.rows
                if one["verdict"] == Verdict.NONCONFORMING
            ],
        )

    def _measured(self, run: RunRows) -> tuple[Errors, Errors]:
        """Return a run's errors, ppm, and the variance that is the run's own, ppm2."""
        by_range = run.by_range()
        errors = np.full(len(self.product.keys), np.nan)
        variance = np.zeros(len(errors))
        for place, model in enumerate(self.product.ranges):
            if (one := by_range.get(model.key)) is None:
                continue
            errors[place] = one["error_ppm"]
            own = one["own_uncertainty_ppm"]
            variance[place] = 0.0 if own is None else float(own) ** 2
            if self.bench is None:
                continue
            by_resolution = resolution_ppm2(
                self.bench,
                reference=float(one["reference"]),
                output=float(one["indicated"]) * model.nominal_transfer,
            )
            # Rows of before the own uncertainty was kept have this alone.
            variance[place] = max(variance[place], by_resolution)
        return errors, np.where(np.isnan(errors), 0.0, variance)
