"""What a bench drifts by between two looks at its check standard, by what it did."""

from datetime import datetime
from itertools import groupby
from operator import itemgetter
from typing import Any

from config import KnownStandard, Settings
from daemon.judging.standards import StandardsThen
from daemon.metrology import CheckPoint, Drift, between_checks_ppm
from storage import Mark, Store, Verdict, plain_rows

RUNS = 2000
"""Of the newest runs the checks are looked at."""
SESSIONS = 20
"""At most so many sessions: older ones are other times."""


def drifts_of(settings: Settings, store: Store) -> dict[str, Drift]:
    """Return by range what is to be expected until the next check is due.

    Nothing of a range whose check standard was not found good twice in one session.

    Parameters
    ----------
    settings, store
        With a bench and its check standard; without, nothing is known.
    """
    bench = settings.bench
    if bench is None or bench.check_standard is None:
        return {}
    name = settings.product.name
    (mark,) = store.rows(Mark, product=name)
    standard, then = bench.check_standard, StandardsThen(store)
    table = store.table(
        "range_rows", product=name, after=max(mark.number - RUNS, 0), kind="check"
    )
    rows = [
        one
        for one in plain_rows(table)
        if one["serial"] == standard.serial
        and one["verdict"] == Verdict.CONFORMING
        and one["own_uncertainty_ppm"] is not None
        and one["range"] in _known(one, then, standard).error_ppm
    ]
    rows.sort(key=itemgetter("range", "number"))
    found = {}
    for key, mine in groupby(rows, key=itemgetter("range")):
        sessions = [
            list(checks) for _, checks in groupby(mine, key=itemgetter("session"))
        ]
        points = [_points(checks, then, standard) for checks in sessions[-SESSIONS:]]
        if (drift_ppm := between_checks_ppm(points)) is not None:
            found[str(key)] = Drift(difference_ppm=0.0, uncertainty_ppm=drift_ppm)
    return found


def _known(
    check: dict[str, Any], then: StandardsThen, standard: KnownStandard
) -> KnownStandard:
    """Return what was known of the standard when a check was made."""
    return then.of(check["configuration"], standard.serial) or standard


def _points(
    checks: list[dict[str, Any]], then: StandardsThen, standard: KnownStandard
) -> list[CheckPoint]:
    """Return a session's checks; of two at one moment the later one."""
    by_time: dict[datetime, CheckPoint] = {
        one["started_at"]: CheckPoint(
            at_s=one["started_at"].timestamp(),
            difference_ppm=one["error_ppm"]
            - _known(one, then, standard).error_ppm[one["range"]],
            uncertainty_ppm=one["own_uncertainty_ppm"],
        )
        for one in checks
    }
    return sorted(by_time.values(), key=lambda one: one.at_s)
