"""Units judged again by the good check that closes their runs.

Until then nobody knows what the bench has drifted since its session opened; from then
on it is known at both ends. The first judgement stays on record, this one counts.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import fmean
from typing import Any

from daemon.bench.readings import RangeReadings
from daemon.judge import Judge, KnownGood
from daemon.metrology.drift import CheckPoint, interpolated
from storage.records import Rejudgement

__all__ = ["OpenRun", "changed", "judged_again", "moment_s", "said"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenRun:
    """A run of a unit that no good check has closed yet."""

    run: str
    readings: tuple[RangeReadings, ...]


def moment_s(readings: RangeReadings) -> float:
    """Return the mean time of a range's readings, on the clock they were taken by."""
    return fmean(at_s for point in readings.points for at_s in point.at_s)


def judged_again(
    judge: Judge,
    runs: Iterable[OpenRun],
    *,
    points: Mapping[str, Sequence[CheckPoint]],
    opening: Mapping[str, KnownGood],
    check_run: str,
    at: datetime,
) -> list[Rejudgement]:
    """Return how each range of the runs is judged with the drift between checks.

    Parameters
    ----------
    points
        By range, the session's good checks, the one that closes the runs included.
    opening
        By range, what the check that opened the session showed.
    """
    found = []
    for run in runs:
        for readings in run.readings:
            key = readings.range
            drift = interpolated(points[key], moment_s(readings))
            known = replace(opening[key], drift=drift)
            row = judge.unit(run.run, readings, {key: known})
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
                )
            )
    return found


def changed(rows: Iterable[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    """Return by serial the results that count and have another verdict than at first.

    Parameters
    ----------
    rows
        Of the query `rejudgements`.
    """
    found: dict[str, list[Mapping[str, Any]]] = {}
    for one in rows:
        if one["latest"] and one["verdict"] != one["first_verdict"]:
            found.setdefault(str(one["serial"]), []).append(one)
    return found


def said(
    serial: str, rows: Sequence[Mapping[str, Any]], titles: Mapping[str, str]
) -> str:
    """Say in a sentence what a check changed of one unit.

    Examples
    --------
    >>> said("PA-0003", [{"range": "1uA", "first_verdict": "conforming",
    ...     "verdict": "nonconforming", "drift_ppm": -79.6, "check_number": 12}],
    ...     {"1uA": "1 uA"})
    'Unit PA-0003, judged again by the check in run 12: 1 uA was conforming and is nonconforming (the bench had drifted by -80 ppm).'
    """  # noqa: E501
    parts = [
        f"{titles.get(str(one['range']), one['range'])} was {one['first_verdict']} "
        f"and is {one['verdict']} (the bench had drifted by {one['drift_ppm']:+.0f} "
        "ppm)"
        for one in rows
    ]
    return (
        f"Unit {serial}, judged again by the check in run {rows[0]['check_number']}: "
        f"{'; '.join(parts)}."
    )
