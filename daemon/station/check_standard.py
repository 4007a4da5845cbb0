"""What the check standard says of the bench: may it judge, and which runs it may not.

A run is trusted because a good check came before it and the next check was good
too. A check out of control, or one that is overdue, puts every run of the bench
since the last good check in doubt: a row each session, never a change of a run. A
good check ends a doubt that only time had raised. A doubt raised by a bad check it
ends in the same session alone: in another, leads and nulls may have been touched,
and the good check says nothing of how they were; then a person decides.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from threading import RLock
from typing import Any

from config import CheckStandard
from daemon.bench import (
    AgainstSource,
    Clock,
    check_range,
    moved_alike_ppm,
    reference_moved_ppm,
)
from daemon.holds import END_DOUBT
from daemon.judging import Judge, KnownGood, Measured, StandardsThen, values_of
from daemon.metrology import CheckPoint, Drift, carried_ppm
from daemon.presentation.figures import counted, moment
from daemon.spc import own_limits
from daemon.station.rejudging import OpenRun, judged_again, moment_s
from daemon.watch import PLACED_BY
from storage import (
    Decision,
    Doubt,
    DoubtCause,
    DoubtEnd,
    RangeResult,
    Rejudgement,
    RunKind,
    StandardValue,
    Store,
    Verdict,
)

SECONDS_AN_HOUR = 3600.0
CHARTED = 60
"""Earlier checks that a range's own chart looks back on."""


BY_A_PERSON = (DoubtCause.DISAGREED, DoubtCause.INSTRUMENT)
"""Causes that no check ends: it does not see them, or not in its own range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Why a check is due; `overdue` when time, not the count of units, made it so."""

    reason: str
    overdue: bool


def check_point(measured: Measured, *, known_ppm: float) -> CheckPoint:
    """Return one range of a check as a look at what the bench has drifted.

    Parameters
    ----------
    known_ppm
        Error of the check standard there.
    """
    error = measured.error
    return CheckPoint(
        at_s=moment_s(measured.readings),
        difference_ppm=error.error_ppm - known_ppm,
        # What differs from check to check: a room that is not read is no scatter.
        uncertainty_ppm=error.own_uncertainty_ppm,
    )


def disagreed(
    product: str, *, session: str, number: int, reason: str, at: datetime
) -> Doubt:
    """Return the doubt on one run; no check ends that, since it came and went."""
    return Doubt(
        doubt=f"{session}:{number}-{number}:{DoubtCause.DISAGREED.value}",
        product=product,
        session=session,
        from_number=number,
        to_number=number,
        cause=DoubtCause.DISAGREED,
        reason=reason,
        raised_at=at,
    )


class Standing:
    """Keeps count of checks, and of the runs that stand on them.

    Any thread may call.

    Parameters
    ----------
    store
        Where runs, doubts and decisions are.
    product : str
        Its name.
    standard
        The check standard's settings.
    clock
        Monotonic, for how long ago the last check was; rows carry its UTC.
    configuration
        Only checks judged by the same settings are charted together.
    source_stability_ppm
        How far the source may move at one setting in a session; None where that is
        not known, and two meters that move alike cannot be told.
    """

    def __init__(
        self,
        store: Store,
        product: str,
        standard: CheckStandard,
        *,
        clock: Clock,
        configuration: str,
        source_stability_ppm: float | None = None,
    ) -> None:
        self._store = store
        self._product = product
        self._standard = standard
        self._clock = clock
        self._configuration = configuration
        self._lock = RLock()
        self._points: dict[str, list[CheckPoint]] = {}
        self._opening: dict[str, KnownGood] = {}
        self._known_good: dict[str, KnownGood] = {}
        self._open: list[OpenRun] = []
        self._good_at_s: float | None = None
        self._units = 0
        self._bad: tuple[str, ...] | None = None
        self._source_stability_ppm = source_stability_ppm
        self._against: dict[str, list[AgainstSource]] = {}
        self._moved: dict[str, float] = {}

    @property
    def serial(self) -> str:
        """The check standard's."""
        return self._standard.serial

    def new_session(self) -> None:
        """Leads or nulls were changed: what was known of the bench is void."""
        with self._lock:
            self._points.clear()
            self._opening.clear()
            self._known_good.clear()
            self._open.clear()
            self._against.clear()
            self._good_at_s = None
            self._units = 0

    @property
    def units_left(self) -> int | None:
        """How many more units may be judged before the next check; None: any number."""
        with self._lock:
            most = self._standard.every_units
            return None if most is None else max(0, most - self._units)

    def due(self) -> Due | None:
        """Return why no unit may be judged before the next check, or None."""
        with self._lock:
            standard = self._standard
            if self._bad is not None:
                return Due(
                    reason=f"check standard {standard.serial} was outside its limits "
                    f"on {', '.join(self._bad)}",
                    overdue=False,
                )
            if self._good_at_s is None:
                return Due(reason="the session is not checked yet", overdue=False)
            if standard.every_units is not None and self._units >= standard.every_units:
                since = f"{counted(self._units, 'unit')} since the last"
                return Due(reason=since, overdue=False)
            if standard.every_hours is not None:
                hours = (self._clock.now_s() - self._good_at_s) / SECONDS_AN_HOUR
                if hours >= standard.every_hours:
                    return Due(reason=f"{hours:.1f} h since the last", overdue=True)
        return None

    def count(self, run: OpenRun) -> None:
        """Note that a unit was judged: the next good check closes its run."""
        with self._lock:
            self._units += 1
            if self._points:
                self._open.append(run)

    def disagreements(self, measured: Mapping[str, Measured]) -> dict[str, float]:
        """Return by how much the reference reads otherwise than at the first check.

        For one setting of the source, ppm by range; only where that is more than the
        source may do by itself. A meter that errs for one unit alone is seen by this,
        and by no check.
        """
        if self._source_stability_ppm is None:
            return {}
        with self._lock:
            found = {
                key: reference_moved_ppm(
                    self._against[key][0],
                    one.against_source,
                    source_stability_ppm=self._source_stability_ppm,
                )
                for key, one in measured.items()
                if key in self._against
            }
        return {key: moved for key, moved in found.items() if moved is not None}

    def known_good(self) -> dict[str, KnownGood]:
        """Return what the check standard showed, and what may have drifted since."""
        with self._lock:
            now_s = self._clock.now_s()
            return {
                key: replace(
                    one,
                    drift=Drift(
                        difference_ppm=0.0,
                        uncertainty_ppm=carried_ppm(self._points[key], now_s),
                    ),
                    against=self._seen(key),
                    source_stability_ppm=self._source_stability_ppm or 0.0,
                )
                for key, one in self._known_good.items()
            }

    def judge(self, measured: Mapping[str, Measured]) -> dict[str, Verdict]:
        """Return how each range of the check standard reads.

        Conforming within the expanded uncertainty of its known error and within the
        range's own limits from earlier good checks, else nonconforming. So is a range
        on which both meters have moved alike since the session's first check: that
        leaves its error as it was, and what stood between nobody knows.
        """
        earlier = self._earlier_ppm()
        bad = {
            key
            for key, one in measured.items()
            if not self._in_control(key, one, earlier.get(key, ()))
        }
        with self._lock:
            self._moved = {} if bad else self._moved_alike(measured)
            bad |= self._moved.keys()
        return {
            key: Verdict.NONCONFORMING if key in bad else Verdict.CONFORMING
            for key in measured
        }

    @property
    def moved_ppm(self) -> float | None:
        """By how much both meters moved alike, where the last check showed that."""
        with self._lock:
            return max(self._moved.values(), key=abs, default=None)

    def closes(
        self, run: str, measured: Mapping[str, Measured], judge: Judge
    ) -> list[Rejudgement]:
        """Return how a good check, about to be recorded, judges the open runs again."""
        with self._lock:
            return judged_again(
                judge,
                self._open,
                points={
                    key: [*self._points.get(key, ()), self._point(key, one)]
                    for key, one in measured.items()
                },
                opening={
                    key: replace(
                        one,
                        against=self._seen(key, measured.get(key)),
                        source_stability_ppm=self._source_stability_ppm or 0.0,
                    )
                    for key, one in self._opening.items()
                },
                check_run=run,
                at=self._clock.utc(),
            )

    def checked(
        self,
        *,
        run: str,
        number: int,
        session: str,
        results: Sequence[RangeResult],
        measured: Mapping[str, Measured],
        titles: Mapping[str, str],
    ) -> tuple[str, ...]:
        """Take a recorded check: raise or end doubts; return titles out of control."""
        outside = tuple(
            titles[one.range] for one in results if one.verdict is Verdict.NONCONFORMING
        )
        with self._lock:
            # Meters that moved alike are believed again in a session of their own.
            self._bad = None if self._moved else outside or None
            if outside:
                moved_ppm = self.moved_ppm
                what = (
                    f"check standard {self._standard.serial} was outside its limits"
                    if moved_ppm is None
                    else "both meters moved together against the source, "
                    f"{moved_ppm:+.0f} ppm since the session began,"
                )
                self._raise(
                    DoubtCause.OUT_OF_CONTROL,
                    f"{what} on {', '.join(outside)} (run {number})"
                    f"{self._assigned_since_good(number)}",
                    before=number,
                )
                return outside
            self._good_at_s = self._clock.now_s()
            self._units = 0
            self._open.clear()
            for key, one in measured.items():
                self._points.setdefault(key, []).append(self._point(key, one))
                known = one.known_good
                self._known_good[key] = known
                self._opening.setdefault(key, known)
                self._against.setdefault(key, []).append(one.against_source)
            self._clear(run, number, session)
        return ()

    def notice_overdue(self) -> Due | None:
        """Put the runs since the last good check in doubt once it is overdue."""
        with self._lock:
            due = self.due()
            if due is not None and due.overdue:
                self._raise(
                    DoubtCause.OVERDUE,
                    f"check standard {self._standard.serial} is overdue: {due.reason} "
                    "check",
                    before=None,
                )
            return due

    def _seen(
        self, key: str, closing: Measured | None = None
    ) -> tuple[AgainstSource, ...]:
        """Return what both meters read at the session's checks and at one more.

        Nothing where a source's setting is no reference.
        """
        if self._source_stability_ppm is None:
            return ()
        seen = tuple(self._against.get(key, ()))
        return seen if closing is None else (*seen, closing.against_source)

    def _point(self, key: str, measured: Measured) -> CheckPoint:
        return check_point(measured, known_ppm=self._standard.error_ppm[key])

    def _in_control(
        self, key: str, measured: Measured, earlier_ppm: Sequence[float]
    ) -> bool:
        error = measured.error
        said = check_range(
            error_ppm=error.error_ppm,
            uncertainty_ppm=error.uncertainty_ppm,
            known_ppm=self._standard.error_ppm[key],
            known_uncertainty_ppm=self._standard.uncertainty_ppm,
        )
        own = own_limits(earlier_ppm, least_ppm=2 * error.own_uncertainty_ppm)
        return said.in_control and (own is None or own.hold(said.difference_ppm))

    def _moved_alike(self, measured: Mapping[str, Measured]) -> dict[str, float]:
        """Return by how much both meters moved alike, by range where they did, ppm."""
        if self._source_stability_ppm is None:
            return {}
        found = {
            key: moved_alike_ppm(
                self._against[key][0],
                one.against_source,
                source_stability_ppm=self._source_stability_ppm,
            )
            for key, one in measured.items()
            if key in self._against
        }
        return {key: moved for key, moved in found.items() if moved is not None}

    def _earlier_ppm(self) -> dict[str, list[float]]:
        """Return the differences of earlier good checks, by range."""
        rows = self._store.table(
            "good_checks",
            product=self._product,
            serial=self._standard.serial,
            configuration=self._configuration,
            most=CHARTED,
        ).to_pylist()
        found: dict[str, list[float]] = {}
        for one in rows:
            difference_ppm = one["error_ppm"] - self._standard.error_ppm[one["range"]]
            found.setdefault(str(one["range"]), []).append(difference_ppm)
        return found

    def _last_good(self, before: int | None) -> int:
        """Return the number of the last good check of every range, 0 for none."""
        (found,) = self._store.table(
            "last_good_check", product=self._product, before=before
        ).to_pylist()
        return int(found["number"])

    def _assigned_since_good(self, number: int) -> str:
        """Return who assigned the standard anew since the last good check, if so.

        A check that goes by other values than the one before it may be outside its
        limits because of them, with a bench that has not moved.
        """
        serial, last = self._standard.serial, self._last_good(number)
        if not last:
            return ""
        rows = self._store.table(
            "range_rows", product=self._product, after=last - 1, kind="check"
        ).slice(0, 1)
        then = StandardsThen(self._store)
        (before,) = (
            then.of(str(one), serial) for one in rows["configuration"].to_pylist()
        )
        assigned = [
            one
            for one in self._store.rows(StandardValue, product=self._product)
            if one.serial == serial
        ]
        if (
            not assigned
            or before is None
            or values_of(before) == values_of(self._standard)
        ):
            return ""
        return (
            f"; {assigned[-1].person} assigned its values anew on "
            f"{moment(assigned[-1].assigned_at)}, after the last good check (run "
            f"{last}): compare the new values with the ones before"
        )

    def _raise(self, cause: DoubtCause, reason: str, *, before: int | None) -> None:
        """Put each session's runs since the last good check in doubt, once."""
        runs = self._store.table(
            "range_rows",
            product=self._product,
            after=self._last_good(before),
            kind=RunKind.UNIT.value,
        )
        by_session: dict[str, set[int]] = {}
        for one in runs.select(["number", "session", "origin"]).to_pylist():
            if one["origin"] == "bench":
                by_session.setdefault(str(one["session"]), set()).add(one["number"])
        known = self._doubts()
        for session, mine in sorted(by_session.items()):
            numbers = [
                one for one in sorted(mine) if not _covered(known, session, one, cause)
            ]
            if not numbers:
                continue
            self._store.keep(
                Doubt(
                    doubt=f"{session}:{numbers[0]}-{numbers[-1]}:{cause.value}",
                    product=self._product,
                    session=session,
                    from_number=numbers[0],
                    to_number=numbers[-1],
                    cause=cause,
                    reason=reason,
                    raised_at=self._clock.utc(),
                )
            )

    def _clear(self, run: str, number: int, session: str) -> None:
        """End the doubts that a good check ends."""
        reason = (
            f"check standard {self._standard.serial} read right on every range "
            f"(run {number})"
        )
        for one in self._doubts():
            same = one["session"] == session or one["cause"] == DoubtCause.OVERDUE
            same = same and one["cause"] not in BY_A_PERSON
            if one["ended_by"] is None and same:
                at = self._clock.utc()
                self._store.keep(
                    DoubtEnd(
                        doubt=str(one["doubt"]),
                        ended_by=PLACED_BY,
                        reason=reason,
                        ended_at=at,
                        check_run=run,
                    ),
                    decision=Decision(
                        person=PLACED_BY,
                        action=END_DOUBT,
                        subject=str(one["doubt"]),
                        reason=reason,
                        decided_at=at,
                    ),
                )

    def _doubts(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self._store.table(
            "doubts", product=self._product
        ).to_pylist()
        return found


def _covered(
    doubts: Sequence[Mapping[str, Any]], session: object, number: int, cause: DoubtCause
) -> bool:
    """Whether a run is in doubt already for this cause, or a person has decided."""
    return any(
        one["session"] == session
        and one["from_number"] <= number <= one["to_number"]
        and one["cause"] == cause
        and (one["ended_by"] is None or one["ended_by"] != PLACED_BY)
        for one in doubts
    )
