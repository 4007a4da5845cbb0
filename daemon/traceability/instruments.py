"""Instruments and the results that rest on them, both ways.

An instrument that is found out of tolerance at its calibration was so for a while: what
was measured with it since its last good calibration is in doubt, until a person has
looked at how much it matters.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from hashlib import sha256
from pathlib import Path
from uuid import uuid4

from config import Bench, HoldpointError, KnownStandard
from daemon.holds import require_decision
from storage import (
    BenchInstrument,
    Calibration,
    Decision,
    Doubt,
    DoubtCause,
    Run,
    RunKind,
    StandardCheck,
    Store,
    UnitRow,
)

__all__ = [
    "Known",
    "calibrated",
    "instruments",
    "keep_calibration",
    "of_unit",
    "rests_on",
]

CALIBRATE = "calibrate"
"""Ledger action."""


class NoInstrumentError(HoldpointError, LookupError):
    """No session was measured with an instrument of this serial number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """One instrument over all sessions, by its serial number."""

    serial_number: str
    identity: str
    roles: tuple[str, ...]
    sessions: int
    calibrated_on: str | None
    due_on: str | None
    certificate: str | None
    found: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Resting:
    """Runs of units in one session that an instrument read."""

    session: str
    numbers: tuple[int, ...]
    serials: tuple[str, ...]


def instruments(store: Store, bench: Bench | None = None) -> tuple[Known, ...]:
    """Return every instrument that stood on a bench, with its latest calibration.

    The check standards of `bench` come last.
    """
    met: dict[str, list[BenchInstrument]] = {}
    for one in store.rows(BenchInstrument):
        if one.serial_number is not None:
            met.setdefault(one.serial_number, []).append(one)
    noted = {one.serial_number: one for one in store.rows(Calibration)}
    found = []
    for serial_number, rows in sorted(met.items()):
        last, calibration = rows[-1], noted.get(serial_number)
        days = [one.calibrated_at for one in rows if one.calibrated_at is not None]
        newest = max(days, default=None)
        by_note = calibration is not None and calibration.made_on >= (newest or "")
        found.append(
            Known(
                serial_number=serial_number,
                identity=last.identity or last.address,
                roles=tuple(dict.fromkeys(one.role for one in rows)),
                sessions=len({one.session for one in rows}),
                calibrated_on=calibration.made_on
                if by_note and calibration
                else newest,
                due_on=calibration.due_on if by_note and calibration else last.due_at,
                certificate=None if calibration is None else calibration.certificate,
                found=None if calibration is None else calibration.found,
            )
        )
    standards = () if bench is None else bench.standards
    return (
        *found,
        *(_of_standard(store, one, noted.get(one.serial)) for one in standards),
    )


def _of_standard(
    store: Store, standard: KnownStandard, noted: Calibration | None
) -> Known:
    """Return a check standard by its settings, or by what was noted later."""
    sessions = {
        one.session
        for one in store.rows(Run, serial=standard.serial, kind=RunKind.CHECK)
    } | {one.session for one in store.rows(StandardCheck, serial=standard.serial)}
    done, due = standard.calibrated_at, standard.calibration_due
    calibrated_on = None if done is None else done.isoformat()
    by_note = noted is not None and noted.made_on > (calibrated_on or "")
    return Known(
        serial_number=standard.serial,
        identity="unit of known error",
        roles=("check standard",),
        sessions=len(sessions),
        calibrated_on=noted.made_on if by_note and noted else calibrated_on,
        due_on=noted.due_on
        if by_note and noted
        else None
        if due is None
        else due.isoformat(),
        certificate=noted.certificate if by_note and noted else standard.certificate,
        found=None if noted is None else noted.found,
    )


def rests_on(
    store: Store, product: str, serial_number: str, *, since: date, until: date
) -> tuple[Resting, ...]:
    """Return the runs of units that an instrument read between two days, both inside.

    Raises
    ------
    NoInstrumentError
        No session was measured with it.
    """
    rows = store.rows(BenchInstrument, serial_number=serial_number)
    if not rows:
        message = (
            f"no session was measured with an instrument of serial number "
            f"{serial_number}: `holdpoint instruments list` names them"
        )
        raise NoInstrumentError(message)
    begin = datetime.combine(since, time.min, UTC)
    end = datetime.combine(until, time.max, UTC)
    found = []
    for session in dict.fromkeys(one.session for one in rows):
        runs = [
            one
            for one in store.rows(
                Run, product=product, session=session, kind=RunKind.UNIT
            )
            if begin <= one.started_at <= end
        ]
        numbers = {
            row.number
            for serial in dict.fromkeys(one.serial for one in runs)
            for row in store.rows(UnitRow, serial=serial)
            if row.run in {one.run for one in runs}
        }
        if numbers:
            found.append(
                Resting(
                    session=session,
                    numbers=tuple(sorted(numbers)),
                    serials=tuple(dict.fromkeys(one.serial for one in runs)),
                )
            )
    return tuple(found)


def of_unit(store: Store, serial: str) -> tuple[BenchInstrument, ...]:
    """Return the instruments that a unit's results rest on, session by session."""
    sessions = dict.fromkeys(one.session for one in store.rows(UnitRow, serial=serial))
    return tuple(
        instrument
        for session in sessions
        for instrument in store.rows(BenchInstrument, session=session)
    )


def calibrated(
    serial_number: str,
    *,
    made_on: date,
    person: str,
    at: datetime,
    due_on: date | None = None,
    certificate: Path | None = None,
    found: str | None = None,
    since: date | None = None,
) -> Calibration:
    """Return the row of a calibration; the certificate stays where it is.

    Parameters
    ----------
    found
        What was out of tolerance as it came in, in words.
    since
        Day of the last calibration that found it right.
    """
    digest = None if certificate is None else sha256(certificate.read_bytes())
    return Calibration(
        calibration=uuid4().hex[:12],
        serial_number=serial_number,
        made_on=made_on.isoformat(),
        due_on=None if due_on is None else due_on.isoformat(),
        certificate=None if certificate is None else certificate.name,
        certificate_sha256=None if digest is None else digest.hexdigest(),
        found=found,
        since=None if since is None else since.isoformat(),
        person=person,
        noted_at=at,
    )


def keep_calibration(
    store: Store, calibration: Calibration, *, product: str, people: Iterable[str]
) -> tuple[Resting, ...]:
    """Keep a calibration; what rests on one that was out of tolerance is in doubt.

    Returns what was put in doubt. All of it is kept at once or not at all.

    Raises
    ------
    daemon.holds.policy.NotAllowedError
        The person is not listed.
    NoInstrumentError
        It was out of tolerance, and no session was measured with it.
    """
    require_decision(
        calibration.person,
        calibration.found or "calibrated",
        people,
        do="note a calibration",
        done="a calibration is noted",
    )
    resting: tuple[Resting, ...] = ()
    if calibration.since is not None:
        resting = rests_on(
            store,
            product,
            calibration.serial_number,
            since=date.fromisoformat(calibration.since),
            until=date.fromisoformat(calibration.made_on),
        )
    doubts = [
        Doubt(
            doubt=f"{one.session}:{calibration.calibration}",
            product=product,
            session=one.session,
            from_number=one.numbers[0],
            to_number=one.numbers[-1],
            cause=DoubtCause.INSTRUMENT,
            reason=(
                f"instrument {calibration.serial_number} was found out of tolerance "
                f"on {calibration.made_on}: {calibration.found}"
            ),
            raised_at=calibration.noted_at,
        )
        for one in resting
    ]
    decision = Decision(
        person=calibration.person,
        action=CALIBRATE,
        subject=calibration.calibration,
        reason=calibration.found or f"calibrated on {calibration.made_on}",
        decided_at=calibration.noted_at,
    )
    store.keep(*doubts, calibration, decision=decision)
    return resting
