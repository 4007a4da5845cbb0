"""A gauge study from plan to result: who reads what next, and what it says."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import isfinite, nan
from secrets import randbits
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from config import Bench, HoldpointError, Product, QuantityError, Unit, parse
from daemon.judging.bench_changes import bench_name
from daemon.spc import NoSpreadError, gauge as studies
from storage import (
    FEWEST_REFERENCES,
    FEWEST_TIMES,
    GaugeKind,
    GaugeReading,
    GaugeStudy,
)

if TYPE_CHECKING:
    Found: TypeAlias = (
        studies.CrossedStudy
        | studies.Type1Study
        | studies.BiasStudy
        | studies.LinearityStudy
        | studies.StabilityStudy
    )

SEED_BITS = 63
SECONDS_A_DAY = 86_400.0
TRIALS = {
    GaugeKind.CROSSED: 3,
    GaugeKind.TYPE_1: 25,
    GaugeKind.BIAS: 15,
    GaugeKind.LINEARITY: 10,
    GaugeKind.STABILITY: 3,
}
"""How often each part is read where nothing else is said, in a stability study at each
time (common practice, no source)."""
TIMES = 20
"""Of a stability study, where nothing else is said (common practice, no source)."""


class GaugeError(HoldpointError):
    """A study that cannot be planned, read or worked out so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What is read at one place: which part, by whom, the how manyth trial, from 1.

    In a stability study `time` counts the times from 1, and trials begin anew at each.
    """

    place: int
    part: str
    appraiser: str
    trial: int
    time: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """A study with what was read of it so far: values and moments by place."""

    study: GaugeStudy
    cells: tuple[Cell, ...]
    read: dict[int, float]
    read_at: dict[int, datetime]

    @classmethod
    def of(cls, study: GaugeStudy, readings: Sequence[GaugeReading]) -> "Gauge":
        """Put a study's rows together."""
        parts, appraisers = json.loads(study.parts), json.loads(study.appraisers)
        cells = tuple(
            Cell(
                place=place,
                part=parts[part],
                appraiser=appraisers[appraiser],
                trial=trial % study.trials + 1,
                time=trial // study.trials + 1,
            )
            for place, (part, appraiser, trial) in enumerate(json.loads(study.cells))
        )
        return cls(
            study=study,
            cells=cells,
            read={one.place: one.value for one in readings},
            read_at={one.place: one.read_at for one in readings},
        )

    @property
    def parts(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(json.loads(self.study.parts))

    @property
    def appraisers(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(json.loads(self.study.appraisers))

    @property
    def known(self) -> dict[str, float]:
        """What each part truly is, in the study's unit; empty in a crossed study."""
        if self.study.known_values is None:
            return {}
        return dict(zip(self.parts, json.loads(self.study.known_values), strict=True))

    @property
    def missing(self) -> tuple[Cell, ...]:
        """What was not read yet, in the order in which it is to be."""
        return tuple(one for one in self.cells if one.place not in self.read)

    @property
    def over_time(self) -> bool:
        """Whether it goes on from day to day, and says what it found so far."""
        return self.study.kind is GaugeKind.STABILITY

    @property
    def in_order(self) -> tuple[float, ...]:
        """What was read, in the order in which it was to be."""
        return tuple(
            self.read[one.place] for one in self.cells if one.place in self.read
        )

    def due(self, person: str | None = None) -> Cell | None:
        """Return what is read next, by anybody or by one appraiser."""
        return next(
            (one for one in self.missing if person in (None, one.appraiser)), None
        )

    def waits_since(self, cell: Cell, day: date) -> date | None:
        """Return the day after which a cell may be read, None where it may be now.

        Parameters
        ----------
        day
            On which it would be read, in local time.
        """
        before = [
            self.read_at[one.place].astimezone().date()
            for one in self.cells
            if one.place in self.read_at and one.time != cell.time
        ]
        # A time that was begun is read to its end.
        begun = any(
            one.time == cell.time and one.place in self.read for one in self.cells
        )
        last = max(before, default=None)
        return None if begun or last is None or day > last else last

    def require_day(self, cell: Cell, day: date) -> None:
        """Refuse a reading of the next time on a day that has one.

        Raises
        ------
        GaugeError
            Saying when it may be read.
        """
        if (last := self.waits_since(cell, day)) is not None:
            message = (
                f"{cell.part} was read on {last}; day {cell.time} of "
                f"{self.study.times} is a later one"
            )
            raise GaugeError(message)

    def left(self, without: Sequence[str]) -> list[str]:
        """Return the parts that are not left out.

        Raises
        ------
        GaugeError
            One of `without` is no part of the study, or too few stay.
        """
        for one in without:
            if one not in self.parts:
                message = f"{one!r} is no part of the study; there are "
                raise GaugeError(message + ", ".join(self.parts))
        left = [one for one in self.parts if one not in without]
        kind = self.study.kind
        if kind is GaugeKind.LINEARITY and len(left) < FEWEST_REFERENCES:
            message = (
                f"{len(left)} references are left; linearity needs "
                f"{FEWEST_REFERENCES} or more"
            )
            raise GaugeError(message)
        if without and kind not in {GaugeKind.CROSSED, GaugeKind.LINEARITY}:
            message = "this study has one reference; it cannot be left out"
            raise GaugeError(message)
        return left

    def values(self, *, without: Sequence[str] = ()) -> "np.ndarray":
        """Return what was read, (parts, appraisers, trials); NaN where nothing was.

        Parameters
        ----------
        without
            Parts that are left out.

        Raises
        ------
        GaugeError
            One of them is no part of the study.
        """
        kept = self.left(without)
        trials = self.study.trials
        shape = (len(kept), len(self.appraisers), trials * self.study.times)
        found = np.full(shape, np.nan)
        for cell in self.cells:
            if cell.part in kept and cell.place in self.read:
                found[
                    kept.index(cell.part),
                    self.appraisers.index(cell.appraiser),
                    (cell.time - 1) * trials + cell.trial - 1,
                ] = self.read[cell.place]
        return found

    def by_time(self) -> list[tuple[datetime, tuple[float, ...]]]:
        """Return the times that were read whole: when each began, what was read."""
        found = []
        for time in range(1, self.study.times + 1):
            places = [one.place for one in self.cells if one.time == time]
            if all(one in self.read for one in places):
                begun = min(self.read_at[one] for one in places)
                found.append((begun, tuple(self.read[one] for one in places)))
        return found

    def biases(self, *, without: Sequence[str] = ()) -> list[tuple[float, float]]:
        """Return what each reading is of and how far it lies from that."""
        left = self.left(without)
        return [
            (self.known[one.part], self.read[one.place] - self.known[one.part])
            for one in self.cells
            if one.part in left and one.place in self.read
        ]

    def result(self, *, without: Sequence[str] = ()) -> "Found":
        """Return what the study found, by its kind.

        Raises
        ------
        GaugeError
            Something was not read that the study cannot do without, or all readings
            are alike.
        daemon.spc.errors.SpcError
            Too little is left.
        """
        left = self.left(without)
        self._require_read(left)
        try:
            return self._worked_out(left)
        except NoSpreadError as exc:
            message = (
                "the readings do not differ, so that nothing is known of their "
                "scatter. Read them with more digits"
            )
            raise GaugeError(message) from exc

    def _require_read(self, left: Sequence[str]) -> None:
        if self.over_time:
            whole = len(self.by_time())
            if whole < FEWEST_TIMES:
                message = (
                    f"{whole} of {self.study.times} days are read; from "
                    f"{FEWEST_TIMES} on the study says what it found so far"
                )
                raise GaugeError(message)
            return
        holes = [one for one in self.missing if one.part in left]
        if not holes:
            return
        first, several = holes[0], len(self.parts) > 1
        size = len(left) * len(self.appraisers) * self.study.trials
        message = (
            f"{len(holes)} of {size} readings are missing, next "
            f"{first.part} by {first.appraiser}, trial {first.trial}. Read them"
        )
        if several:
            message += ", or leave their parts out with --without"
        raise GaugeError(message)

    def _worked_out(self, left: Sequence[str]) -> "Found":
        out = [one for one in self.parts if one not in left]
        if self.study.kind is GaugeKind.CROSSED:
            return studies.crossed_study(self.values(without=out))
        if self.study.kind is GaugeKind.LINEARITY:
            pairs = self.biases(without=out)
            return studies.linearity_study(
                [known for known, _ in pairs], [known + bias for known, bias in pairs]
            )
        (known,) = self.known.values()
        if self.study.kind is GaugeKind.BIAS:
            return studies.bias_study(self.in_order, reference=known)
        if self.study.tolerance is not None and self.study.kind is GaugeKind.TYPE_1:
            return studies.type1_study(
                self.in_order, reference=known, tolerance=self.study.tolerance
            )
        times = self.by_time()
        first = times[0][0]
        return studies.stability_study(
            [(at - first).total_seconds() / SECONDS_A_DAY for at, _ in times],
            [values for _, values in times],
        )


def number(text: str, unit: str) -> float:
    """Return a number that was typed, in a study's unit.

    Raises
    ------
    QuantityError
        It is none.
    """
    known = {one.value: one for one in Unit if one is not Unit.PPM}
    if unit in known:
        return parse(text, known[unit])
    try:
        value = float(text)
    except ValueError:
        value = nan
    if not isfinite(value):
        raise QuantityError(text=text, problem=f"must be a number, in {unit}")
    return value


def width_between(
    product: Product, said: float | None, *, kind: GaugeKind, range_: str | None
) -> float | None:
    """Return the width between the limits that a study is held against.

    Parameters
    ----------
    said
        By whoever plans it; left out, it is that of the range's own limit, ppm.
    """
    if kind not in {GaugeKind.CROSSED, GaugeKind.TYPE_1}:
        return None
    if said is not None or range_ is None:
        return said
    limit = product.ranges[range_].limit
    return sum(
        one.of_reading_ppm + one.of_full_scale_ppm
        for one in (limit, limit.below or limit)
    )


def planned(
    name: str,
    *,
    product: str,
    parts: Sequence[str],
    appraisers: Sequence[str],
    trials: int,
    unit: str,
    person: str,
    at: datetime,
    kind: GaugeKind = GaugeKind.CROSSED,
    known: Sequence[float] = (),
    known_uncertainty: float | None = None,
    times: int = 1,
    range_: str | None = None,
    tolerance: float | None = None,
    bench: Bench | None = None,
    seed: int | None = None,
) -> GaugeStudy:
    """Return a study whose order is drawn at random.

    Trial after trial: in each the appraisers in random order, and for each of them the
    parts in a random order of their own, so that nobody remembers what a part read. One
    reference by one person has but one order.

    Parameters
    ----------
    known
        What each part truly is, in `unit`; none of a crossed study.
    known_uncertainty
        Expanded (k = 2), of the known values, in `unit`.
    times
        On how many days a stability study reads its reference.
    seed
        Of the drawing; left out, another one each time.

    Raises
    ------
    GaugeError
        A name is there twice.
    """
    for what, names in (("part", parts), ("appraiser", appraisers)):
        twice = sorted({one for one in names if names.count(one) > 1})
        if twice:
            message = f"{what} {twice[0]!r} is named twice"
            raise GaugeError(message)
    drawing = np.random.default_rng(randbits(SEED_BITS) if seed is None else seed)
    cells = [
        (int(part), int(appraiser), trial)
        for trial in range(trials * times)
        for appraiser in drawing.permutation(len(appraisers))
        for part in drawing.permutation(len(parts))
    ]
    return GaugeStudy(
        gauge_study=name,
        product=product,
        range=range_,
        unit=unit,
        parts=json.dumps(list(parts)),
        appraisers=json.dumps(list(appraisers)),
        trials=trials,
        cells=json.dumps(cells),
        tolerance=tolerance,
        bench=bench_name(bench),
        person=person,
        planned_at=at,
        kind=kind,
        known_values=json.dumps(list(known)) if known else None,
        known_uncertainty=known_uncertainty,
        times=times,
    )


def again(
    name: str, study: GaugeStudy, *, person: str, at: datetime, bench: Bench | None
) -> GaugeStudy:
    """Return the same study under another name, for the bench as it is now.

    Its order is drawn anew.
    """
    return planned(
        name,
        product=study.product,
        parts=json.loads(study.parts),
        appraisers=json.loads(study.appraisers),
        trials=study.trials,
        unit=study.unit,
        person=person,
        at=at,
        kind=study.kind,
        known=() if study.known_values is None else json.loads(study.known_values),
        known_uncertainty=study.known_uncertainty,
        times=study.times,
        range_=study.range,
        tolerance=study.tolerance,
        bench=bench,
    )
