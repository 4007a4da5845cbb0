"""What stood on the bench while units were measured; what the check standard did."""

import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from typing import Any

from config import BY_HAND, USUAL_METERS, ErrorLimit, KnownStandard
from daemon.judging import TITLES, ProductModel, StandardsThen, remark_on
from daemon.presentation import figures, standards
from daemon.presentation.documents import InstrumentLine, StandardLine
from storage import (
    BenchInstrument,
    Configuration,
    RunKind,
    StandardCheck,
    Store,
    UnitRow,
    Verdict,
)

GOOD = {Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD, Verdict.NOT_JUDGED}
"""Of a check standard on one range: what does not say that the bench reads wrong."""
ROLES = tuple(TITLES)
IDN_FIELDS = 4
"""Maker, model, serial number, firmware."""


def _identity(said: str | None) -> str:
    """Return maker and model of what an instrument says it is (IEEE 488.2, *IDN?)."""
    parts = [one.strip() for one in (said or "").split(",")]
    return " ".join(parts[:2] if len(parts) == IDN_FIELDS else parts)


def settings_of(store: Store, configuration: str) -> dict[str, Any]:
    """Return the settings that a run was judged by."""
    (kept,) = store.rows(Configuration, configuration=configuration)
    found: dict[str, Any] = json.loads(kept.body)
    return found


def limit_of(body: Mapping[str, Any], key: str) -> str:
    """Return a range's error limit as some settings said it; empty of another range."""
    one = body["product"]["ranges"].get(key)
    if one is None:
        return ""
    return figures.limit(ErrorLimit.model_validate_json(json.dumps(one["limit"])))


def instruments_of(
    store: Store, sessions: Mapping[str, date], body: Mapping[str, Any]
) -> tuple[InstrumentLine, ...]:
    """Return what stood in each role: as it was met, else as it was configured.

    Parameters
    ----------
    sessions
        Each with the latest day on which units were measured in it.
    body
        Settings in force, for sessions that kept no instruments.
    """
    met: dict[InstrumentLine, None] = {}
    for session, day in sessions.items():
        rows = store.rows(BenchInstrument, session=session)
        for one in sorted(rows, key=lambda row: ROLES.index(row.role)):
            line = InstrumentLine(
                role=TITLES.get(one.role, one.role),
                identity=_identity(one.identity)
                or _by_hand(one.role, one.address, body),
                serial_number=one.serial_number,
                calibrated_at=one.calibrated_at,
                due_at=one.due_at,
                remark=remark_on(one.remark, one.due_at, day),
            )
            met[line] = None
    if met:
        return tuple(met)
    if not body.get("bench"):
        return tuple(
            InstrumentLine(role=TITLES[role], identity=_by_hand(role, BY_HAND, body))
            for role in ("reference", "output")
        )
    return tuple(
        InstrumentLine(role=TITLES.get(role, role), identity=str(one["profile"]))
        for role, one in (body.get("bench") or {}).items()
        if isinstance(one, dict) and "profile" in one
    )


def _by_hand(role: str, address: str, body: Mapping[str, Any]) -> str:
    """Say of an instrument without a name what was given of it."""
    if address != BY_HAND:
        return address
    if role == "source":
        return "set by hand"
    if body.get("bench") or role not in ("reference", "output"):
        return "read by hand"
    plan = body.get("plan") or {}
    given = plan.get("meters")
    if role == "output":
        given = plan.get("output_meter") or given
    if given:
        return f"read by hand; its accuracy was given as {given}"
    return f"read by hand; its accuracy was not given, taken as {USUAL_METERS}"


def standards_of(
    store: Store,
    product: ProductModel,
    body: Mapping[str, Any],
    sessions: Iterable[str],
) -> tuple[StandardLine, ...]:
    """Return each measurement of a check standard in some sessions.

    The one that every check runs comes first, those that were run beside it follow;
    of each the oldest first, with the values that were in force then.
    """
    bench = body.get("bench") or {}
    serial = (bench.get("check_standard") or {}).get("serial")
    if serial is None:
        return ()
    then, titles = StandardsThen(store), product.titles
    checks: dict[str, list[UnitRow]] = {}
    others: dict[tuple[str, str], list[StandardCheck]] = {}
    for session in dict.fromkeys(sessions):
        for one in store.rows(UnitRow, serial=serial, session=session):
            if one.kind is RunKind.CHECK:
                checks.setdefault(one.run, []).append(one)
        for other in store.rows(StandardCheck, session=session):
            if other.serial != serial:
                key = other.serial, other.check_run
                others.setdefault(key, []).append(other)
    lines = [
        StandardLine(
            serial=serial,
            run=rows[0].number,
            at=rows[0].started_at,
            wrong=tuple(
                titles.get(one.range, one.range)
                for one in rows
                if one.verdict not in GOOD
            ),
            **_known_then(then.of(rows[0].configuration, serial), titles),
        )
        for rows in sorted(checks.values(), key=lambda rows: rows[0].number)
    ]
    return (*lines, *_beside(checks, others, then, titles))


def _beside(
    checks: Mapping[str, list[UnitRow]],
    others: Mapping[tuple[str, str], list[StandardCheck]],
    then: StandardsThen,
    titles: Mapping[str, str],
) -> Iterator[StandardLine]:
    """Yield the measurements of standards that were run beside another one."""
    for (serial, run), rows in others.items():
        if (opened := checks.get(run)) is None:
            continue
        first = opened[0]
        yield StandardLine(
            serial=serial,
            run=first.number,
            at=rows[0].measured_at,
            wrong=tuple(
                titles.get(one.range, one.range)
                for one in rows
                if abs(standards.difference_ppm(one)) > standards.seen(one).allowed_ppm
            ),
            beside=first.serial,
            **_known_then(then.of(first.configuration, serial), titles),
        )


def _known_then(
    standard: KnownStandard | None, titles: Mapping[str, str]
) -> dict[str, Any]:
    """Return what a paper says of a standard's values; nothing of unknown ones."""
    if standard is None:
        return {}
    return {
        "known": tuple(
            f"{title}: {said}"
            for key, title in titles.items()
            if key in standard.error_ppm
            for said in [
                standards.known_said(
                    standard.error_ppm[key],
                    standard.uncertainty_ppm,
                    beside_ppm=standard.error_ppm.values(),
                )
            ]
        ),
        "certificate": standard.certificate,
    }
