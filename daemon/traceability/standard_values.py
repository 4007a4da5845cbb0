"""A check standard's values assigned anew: by a named person, with a reason.

Nothing that was judged changes: each run goes by the values of its time, see
`daemon.judging.standards`. The next check compares with the new ones, in a session of
its own.
"""

import json
from collections.abc import Mapping
from datetime import date, datetime
from uuid import uuid4

from config import HoldpointError, KnownStandard, Settings, Unit, parse
from daemon.holds import require_decision
from daemon.judging import in_force, values_of
from storage import Decision, StandardValue, Store

__all__ = ["StandardValueError", "as_written", "assign", "values_typed"]

ASSIGN = "assign anew"
"""Ledger action."""
MOST_PPM = 1_000_000.0


class StandardValueError(HoldpointError):
    """A value that no check standard can be assigned."""


def values_typed(settings: Settings, typed: Mapping[str, str]) -> dict[str, float]:
    """Return known errors by range, ppm, as they were typed.

    Parameters
    ----------
    typed
        By range, its key or its title: such as "35 ppm" or "-0.01 %".

    Raises
    ------
    HoldpointError
        Naming the range, and what is allowed.
    """
    keys = {one.title: key for key, one in settings.product.ranges.items()}
    keys |= {key: key for key in settings.product.ranges}
    found = {}
    for name, text in typed.items():
        if name not in keys:
            message = f"{name!r}: no range; there are {', '.join(keys)}"
            raise StandardValueError(message)
        value_ppm = parse(text, Unit.PPM)
        if not abs(value_ppm) <= MOST_PPM:
            message = f"{name} = {text}: must be between -100 % and +100 %"
            raise StandardValueError(message)
        found[keys[name]] = value_ppm
    return found


def as_written(settings: Settings, serial: str) -> KnownStandard:
    """Return a standard as the bench file has it.

    Raises
    ------
    StandardValueError
        The file names no such standard.
    """
    standards = () if settings.bench is None else settings.bench.standards
    for one in standards:
        if one.serial == serial:
            return one
    there = ", ".join(one.serial for one in standards) or "none"
    message = f"{serial!r}: bench.toml names no such check standard; it names {there}"
    raise StandardValueError(message)


def assign(
    store: Store,
    settings: Settings,
    serial: str,
    *,
    error_ppm: Mapping[str, float],
    person: str,
    reason: str,
    at: datetime,
    uncertainty_ppm: float | None = None,
    certificate: str | None = None,
    calibrated_at: date | None = None,
    calibration_due: date | None = None,
) -> StandardValue:
    """Assign a check standard other values, and keep that with its ledger line.

    Parameters
    ----------
    settings
        As they are written in the files.
    error_ppm
        By range; a range that is left out keeps its value.
    uncertainty_ppm, certificate
        Left out, as before. Uncertainty is standard (k = 1).
    calibrated_at, calibration_due
        Of a new calibration; without `calibrated_at`, both as before.

    Raises
    ------
    StandardValueError
        No such standard, a range it is not known on, or nothing that differs.
    daemon.holds.NotAllowedError
        The person is not listed, or gives no reason.
    """
    require_decision(
        person,
        reason,
        settings.plan.people,
        do="assign a check standard's values",
        done="a check standard's values are assigned",
    )
    written = as_written(settings, serial)
    now = in_force(settings, store).settings
    before = as_written(now, serial)
    for key in error_ppm.keys() - before.error_ppm.keys():
        message = (
            f"{serial} is not known on {settings.product.ranges[key].title}: "
            "write that range in bench.toml first"
        )
        raise StandardValueError(message)
    uncertain_ppm = uncertainty_ppm
    if uncertain_ppm is None:
        uncertain_ppm = before.uncertainty_ppm
    if not 0 < uncertain_ppm <= MOST_PPM:
        message = f"standard uncertainty: must be > 0 and <= {MOST_PPM:g} ppm"
        raise StandardValueError(message)
    if calibration_due is not None and calibrated_at is None:
        message = "say on which day it was calibrated, too"
        raise StandardValueError(message)
    same = calibrated_at is None
    after = before.model_copy(
        update={
            "error_ppm": {**before.error_ppm, **error_ppm},
            "uncertainty_ppm": uncertain_ppm,
            "certificate": certificate or (before.certificate if same else None),
            "calibrated_at": before.calibrated_at if same else calibrated_at,
            "calibration_due": before.calibration_due if same else calibration_due,
        }
    )
    if after == before and values_of(written) == values_of(before):
        message = f"{serial} has these values already; nothing is assigned"
        raise StandardValueError(message)
    row = StandardValue(
        standard_value=uuid4().hex[:12],
        serial=serial,
        product=settings.product.name,
        error_ppm=json.dumps(after.error_ppm),
        before_ppm=json.dumps(before.error_ppm),
        uncertainty_ppm=after.uncertainty_ppm,
        before_uncertainty_ppm=before.uncertainty_ppm,
        written=json.dumps(values_of(written)),
        certificate=after.certificate,
        calibrated_at=_day(after.calibrated_at),
        calibration_due=_day(after.calibration_due),
        reason=reason.strip(),
        person=person,
        assigned_at=at,
    )
    store.keep(
        row,
        decision=Decision(
            person=person,
            action=ASSIGN,
            subject=serial,
            reason=row.reason,
            decided_at=at,
        ),
    )
    return row


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
