"""Units judged again by the good check that closes their runs.

Until then nobody knows what the bench has drifted since its session opened; from then
on it is known at both ends. The first judgement stays on record, this one counts.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import fmean
from typing import TYPE_CHECKING

from daemon.alerts import Message, of_rejudged
from daemon.metrology import held_between
from daemon.station.held_already import JUDGED_AGAIN, held_for
from daemon.watch import PLACED_BY
from storage import Hold, Rejudged, Rejudgement, Scope, Store, Verdict

if TYPE_CHECKING:  # whoever only asks what was judged again judges nothing
    from daemon.bench import RangeReadings
    from daemon.judging import Judge, KnownGood
    from daemon.metrology import CheckPoint

__all__ = ["OpenRun", "asked_for", "judged_again", "moment_s", "sentences"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenRun:
    """A run of a unit that no good check has closed yet."""

    run: str
    readings: "tuple[RangeReadings, ...]"


def moment_s(readings: "RangeReadings") -> float:
    """Return the mean time of a range's readings, on the clock they were taken by."""
    return fmean(at_s for point in readings.points for at_s in point.at_s)


def judged_again(
    judge: "Judge",
    runs: Iterable[OpenRun],
    *,
    points: "Mapping[str, Sequence[CheckPoint]]",
    opening: "Mapping[str, KnownGood]",
    check_run: str,
    at: datetime,
) -> list[Rejudgement]:
    """Return how each range of the runs is judged with the drift between checks.

    Parameters
    ----------
    points
        By range, the session's good checks, the one that closes the runs included.
    opening
        By range, what the check that opened the session showed; what both meters read
        `against` the source there includes the check that closes the runs.
    """
    found = []
    for run in runs:
        learned = judge.learned(run.readings)
        for readings in run.readings:
            key = readings.range
            drift = held_between(points[key], moment_s(readings))
            known = opening[key].closed(drift)
            row = learned.unit(run.run, readings, {key: known})
            found.append(
                Rejudgement(
                    run=run.run,
                    range=key,
                    check_run=check_run,
                    drift_ppm=drift.difference_ppm,
                    error_ppm=row.error_ppm,
                    uncertainty_ppm=row.uncertainty_ppm,
                    verdict=row.verdict,
                    conformance_probability=row.conformance_probability,
                    made_at=at,
                    points=row.points,
                )
            )
    return found


def changed(rows: Iterable[Rejudged]) -> dict[str, list[Rejudged]]:
    """Return by serial the results that count and have another verdict than at first.

    Parameters
    ----------
    rows
        Of any units.
    """
    found: dict[str, list[Rejudged]] = {}
    for one in rows:
        if one.latest and one.verdict != one.first_verdict:
            found.setdefault(one.serial, []).append(one)
    return found


def said(
    serial: str, rows: Sequence[Rejudged], titles: Mapping[str, str], *, left: bool
) -> str:
    """Say in a sentence what a check changed of one unit.

    Parameters
    ----------
    rows
        This unit's.
    titles
        By range.
    left
        Whether the unit has left the house.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> row = Rejudged(
    ...     number=3, run="r3", serial="PA-0003", build="B-1", range="1uA",
    ...     check_run="r12", check_number=12, drift_ppm=-79.6,
    ...     first_error_ppm=4900.0, first_uncertainty_ppm=80.0,
    ...     first_verdict=Verdict.UNDECIDED, error_ppm=5200.0, uncertainty_ppm=80.0,
    ...     verdict=Verdict.NONCONFORMING, conformance_probability=0.01,
    ...     limit_ppm=5000.0, made_at=datetime(2026, 1, 5, tzinfo=UTC), latest=True,
    ... )
    >>> said("PA-0003", [row], {"1uA": "1 µA"}, left=True)
    'Unit PA-0003 is judged again: 1 µA nonconforming, before undecided, since the \
bench had drifted by -80 ppm (check in run 12); the unit has left already'
    """
    parts = [
        f"{titles.get(one.range, one.range)} {one.verdict}, before "
        f"{one.first_verdict}, since the bench had drifted by "
        f"{one.drift_ppm:+.0f} ppm (check in run {one.check_number})"
        for one in rows
    ]
    gone = "; the unit has left already" if left else ""
    return f"Unit {serial} is judged again: {'; '.join(parts)}{gone}"


def asked_for(
    rows: Sequence[Rejudged],
    *,
    store: Store,
    product: str,
    titles: Mapping[str, str],
    waiting: Sequence[Hold] = (),
) -> tuple[tuple[Hold, ...], list[Message]]:
    """Return the holds that a check's judging again asks for, and what to tell.

    A hold is told as holds are. Ids follow from the rows: asked twice, the same. A unit
    that is held for all of it already is told of.

    Parameters
    ----------
    waiting
        Holds that are to be placed and are not kept yet.
    """
    held: list[Hold] = []
    told: list[Message] = []
    found = changed(rows)
    away = _away(store, product) if found else set()
    for serial, mine in found.items():
        left, last = serial in away, mine[-1]
        sentence = said(serial, mine, titles, left=left)
        outside = [one for one in mine if one.verdict == Verdict.NONCONFORMING]
        hold = f"{(outside or mine)[0].run}:{serial}:{JUDGED_AGAIN}"
        if outside:
            known = held_for(store, product, serial, waiting=waiting, but=hold)
            outside = [one for one in outside if one.range not in known.ranges]
        if outside:
            held.append(
                Hold(
                    hold=hold,
                    scope=Scope.UNIT,
                    subject=serial,
                    product=product,
                    signal=None,
                    reason=sentence,
                    placed_by=PLACED_BY,
                    placed_at=last.made_at,
                )
            )
        else:
            told.append(
                of_rejudged(
                    serial,
                    check=last.check_number,
                    said=sentence,
                    left=left,
                    at=last.made_at,
                )
            )
    return tuple(held), told


def sentences(
    store: Store, product: str, titles: Mapping[str, str], *, after: int = 0
) -> tuple[str, ...]:
    """Return a sentence for each unit whose verdict a check changed and that counts.

    Parameters
    ----------
    after
        Of the checks with run numbers above this.
    """
    rows = store.rows(Rejudged, product=product, after=after, changed=True)
    found = changed(rows)
    away = _away(store, product) if found else set()
    return tuple(
        f"{said(serial, mine, titles, left=serial in away)}."
        for serial, mine in found.items()
    )


def _away(store: Store, product: str) -> set[str]:
    return set(store.table("away", product=product).column("serial").to_pylist())
