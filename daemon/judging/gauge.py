"""A crossed gauge study from plan to result: who reads what next, and what it says."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from secrets import randbits

import numpy as np

from config import Bench, HoldpointError
from daemon.judging.bench_changes import bench_name
from daemon.spc.gauge import CrossedStudy, crossed_study
from storage import GaugeReading, GaugeStudy

SEED_BITS = 63


class GaugeError(HoldpointError):
    """A study that cannot be planned, read or worked out so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What is read at one place: which part, by whom, the how manyth time, from 1."""

    place: int
    part: str
    appraiser: str
    trial: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """A study with what was read of it so far."""

    study: GaugeStudy
    cells: tuple[Cell, ...]
    read: dict[int, float]

    @classmethod
    def of(cls, study: GaugeStudy, readings: Sequence[GaugeReading]) -> "Gauge":
        """Put a study's rows together."""
        parts, appraisers = json.loads(study.parts), json.loads(study.appraisers)
        cells = tuple(
            Cell(
                place=place,
                part=parts[part],
                appraiser=appraisers[appraiser],
                trial=trial + 1,
            )
            for place, (part, appraiser, trial) in enumerate(json.loads(study.cells))
        )
        return cls(
            study=study,
            cells=cells,
            read={one.place: one.value for one in readings},
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
    def missing(self) -> tuple[Cell, ...]:
        """What was not read yet, in the order in which it is to be."""
        return tuple(one for one in self.cells if one.place not in self.read)

    def due(self, person: str | None = None) -> Cell | None:
        """Return what is read next, by anybody or by one appraiser."""
        return next(
            (one for one in self.missing if person in (None, one.appraiser)), None
        )

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
        for one in without:
            if one not in self.parts:
                message = f"{one!r} is no part of the study; there are "
                raise GaugeError(message + ", ".join(self.parts))
        kept = [one for one in self.parts if one not in without]
        shape = (len(kept), len(self.appraisers), self.study.trials)
        found = np.full(shape, np.nan)
        for cell in self.cells:
            if cell.part in kept and cell.place in self.read:
                found[
                    kept.index(cell.part),
                    self.appraisers.index(cell.appraiser),
                    cell.trial - 1,
                ] = self.read[cell.place]
        return found

    def result(self, *, without: Sequence[str] = ()) -> CrossedStudy:
        """Return the analysis of variance.

        Raises
        ------
        GaugeError
            Something was not read: a study with holes is no crossed study.
        daemon.spc.errors.SpcError
            Too little is left, or trials never differ.
        """
        values = self.values(without=without)
        holes = [one for one in self.missing if one.part not in without]
        if holes:
            first = holes[0]
            message = (
                f"{len(holes)} of {values.size} readings are missing, next "
                f"{first.part} by {first.appraiser}, trial {first.trial}. Read them, "
                "or leave their parts out with --without"
            )
            raise GaugeError(message)
        return crossed_study(values)


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
    range_: str | None = None,
    tolerance: float | None = None,
    bench: Bench | None = None,
    seed: int | None = None,
) -> GaugeStudy:
    """Return a study whose order is drawn at random.

    Trial after trial: in each the appraisers in random order, and for each of them the
    parts in a random order of their own, so that nobody remembers what a part read.

    Parameters
    ----------
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
        for trial in range(trials)
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
    )
