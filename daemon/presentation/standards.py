"""Check standards: their values, and what several of them say beside one another."""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime

from config import KnownStandard
from daemon.metrology import Mover, StandardSeen, whose_drift
from daemon.presentation.figures import PLUS_MINUS, ShareUnit, capital, moment
from storage import StandardCheck, StandardValue

COVERAGE = 2
"""Of an expanded uncertainty (JCGM 100, 6.3.3)."""
ARROW = "\N{RIGHTWARDS ARROW}"
IN_FORCE = {
    "Check standard": "standard", "Range": "range", "Known error": "known",
    "Certificate": "certificate", "Calibrated": "calibrated", "Since": "since",
}  # fmt: skip
"""Columns of the values in force, with their keys in `in_force_rows`."""
ASSIGNED = {
    "Since": "since", "Check standard": "standard", "Range": "range",
    "Known error": "known", "Before": "before", "By": "person", "Reason": "reason",
}  # fmt: skip
"""Columns of what people assigned, with their keys in `assigned_rows`."""
FROM_FILE = "bench.toml"
"""Since when: values that nobody assigned anew."""

BESIDE = {
    "Range": "range", "Check standard": "standard", "Read less known": "difference",
    "May go": "allowed", "Known error": "known",
}  # fmt: skip
"""Columns of the latest comparison, with their keys in `beside_rows`."""


def latest(rows: Sequence[StandardCheck]) -> list[StandardCheck]:
    """Return those of the comparison that was made last."""
    if not rows:
        return []
    last = max(rows, key=lambda one: one.measured_at)
    return [one for one in rows if one.check_run == last.check_run]


def difference_ppm(row: StandardCheck) -> float:
    """Return what was read less what was known of the standard then."""
    return row.error_ppm - row.known_ppm


def seen(row: StandardCheck) -> StandardSeen:
    """Return a row as the arithmetic takes it."""
    return StandardSeen(
        serial=row.serial,
        difference_ppm=difference_ppm(row),
        known_uncertainty_ppm=row.known_uncertainty_ppm,
        uncertainty_ppm=row.uncertainty_ppm,
        own_ppm=row.own_uncertainty_ppm,
    )


def standards_said(
    rows: Iterable[StandardCheck], titles: Mapping[str, str], *, right: bool = True
) -> tuple[str, ...]:
    """Say whether the bench has moved or a standard, by one comparison.

    Parameters
    ----------
    rows
        Of one comparison.
    titles
        Of ranges, in the order of the product.
    right
        Whether to say something where all read right.
    """
    by_range = _by_range(rows, titles)
    found: dict[tuple[Mover, str | None, tuple[str, ...]], list[str]] = {}
    for key, mine in by_range.items():
        told = whose_drift([seen(one) for one in mine])
        serials = tuple(one.serial for one in mine)
        group = found.setdefault((told.mover, told.serial, serials), [])
        group.append(titles.get(key, key))
    lines = [
        _sentence(mover, moved, serials, _listed(where))
        for (mover, moved, serials), where in found.items()
        if mover is not Mover.NOTHING
    ]
    if lines or not right:
        return tuple(lines)
    return tuple(
        f"{_listed(serials)} agree on {_listed(where)}: neither the bench nor a "
        "standard has moved there."
        for (_, _, serials), where in found.items()
    )


def beside_rows(
    rows: Iterable[StandardCheck], titles: Mapping[str, str]
) -> list[dict[str, str]]:
    """Return a row a range and standard of one comparison, in the product's order."""
    rows = [*rows]
    # Numbers that stand below one another are in one unit.
    unit = ShareUnit.of(
        [one for row in rows for one in (difference_ppm(row), seen(row).allowed_ppm)]
    )
    known = ShareUnit.of([one.known_ppm for one in rows])
    found = []
    for key, mine in _by_range(rows, titles, at_least=1).items():
        for one in mine:
            off_ppm, allowed_ppm = difference_ppm(one), seen(one).allowed_ppm
            known_ppm = known.signed(one.known_ppm, one.known_uncertainty_ppm)
            found.append(
                {
                    "range": titles.get(key, key),
                    "standard": one.serial,
                    "difference": f"{unit.signed(off_ppm, allowed_ppm)} {unit.name}",
                    "allowed": f"{unit.comes_to(allowed_ppm)} {unit.name}",
                    "known": f"{known_ppm} {known.name}",
                }
            )
    return found


def over_time(rows: Sequence[StandardCheck], range_: str) -> list[dict[str, object]]:
    """Return how each standard read on a range, comparison after comparison."""
    mine = [one for one in rows if one.range == range_]
    runs = list(dict.fromkeys(one.check_run for one in mine))
    found: list[dict[str, object]] = []
    for one in mine:
        off_ppm, allowed_ppm = difference_ppm(one), seen(one).allowed_ppm
        unit = ShareUnit.of([off_ppm, allowed_ppm])
        found.append(
            {
                "place": runs.index(one.check_run) + 1,
                "standard": one.serial,
                "difference_ppm": off_ppm,
                "allowed_ppm": allowed_ppm,
                "measured_at": one.measured_at,
                "said": f"{unit.signed(off_ppm, allowed_ppm)} {unit.name}",
            }
        )
    return found


def known_said(
    known_ppm: float, uncertainty_ppm: float, *, beside_ppm: Iterable[float] = ()
) -> str:
    """Return a known error with its expanded uncertainty (k = 2).

    Numbers that stand beside it are said in the same unit.

    >>> known_said(35.0, 10.0), known_said(35.0, 10.0, beside_ppm=[-120.0])
    ('+35 ±20 ppm', '+0.0035 ±0.0020 %')
    """
    half_ppm = COVERAGE * uncertainty_ppm
    unit = ShareUnit.of((known_ppm, half_ppm, *beside_ppm))
    return (
        f"{unit.signed(known_ppm, half_ppm)} {PLUS_MINUS}{unit.half(half_ppm)} "
        f"{unit.name}"
    )


def in_force_rows(
    standards: Iterable[KnownStandard],
    assigned: Iterable[StandardValue],
    titles: Mapping[str, str],
    *,
    when: Callable[[datetime], str] = moment,
) -> list[dict[str, str]]:
    """Return a row a standard and range: its value in force, and since when.

    Parameters
    ----------
    standards
        With the values in force.
    assigned
        What people assigned, oldest first.
    titles
        Of ranges, in the order of the product.
    when
        Says a moment.
    """
    since = {one.serial: when(one.assigned_at) for one in assigned}
    return [
        {
            "standard": one.serial,
            "range": title,
            "known": known_said(
                one.error_ppm[key],
                one.uncertainty_ppm,
                beside_ppm=one.error_ppm.values(),
            ),
            "certificate": one.certificate or "",
            "calibrated": "" if one.calibrated_at is None else f"{one.calibrated_at}",
            "since": since.get(one.serial, FROM_FILE),
        }
        for one in standards
        for key, title in titles.items()
        if key in one.error_ppm
    ]


def assigned_rows(
    assigned: Iterable[StandardValue],
    titles: Mapping[str, str],
    *,
    when: Callable[[datetime], str] = moment,
) -> list[dict[str, str]]:
    """Return a row a range of what people assigned anew, oldest first."""
    found = []
    for one in assigned:
        now, before = json.loads(one.error_ppm), json.loads(one.before_ppm)
        both = [*now.values(), *before.values()]
        found += [
            {
                "since": when(one.assigned_at),
                "standard": one.serial,
                "range": title,
                "known": known_said(now[key], one.uncertainty_ppm, beside_ppm=both),
                "before": known_said(
                    before[key], one.before_uncertainty_ppm, beside_ppm=both
                ),
                "person": one.person,
                "reason": one.reason,
            }
            for key, title in titles.items()
            if key in now and key in before
        ]
    return found


def steps_of(
    assigned: Iterable[StandardValue], range_: str, serials: Iterable[str]
) -> list[tuple[datetime, str]]:
    """Return when standards were assigned another value on a range, and why."""
    shown = {*serials}
    found = []
    for one in assigned:
        now = json.loads(one.error_ppm).get(range_)
        before = json.loads(one.before_ppm).get(range_)
        if one.serial not in shown or now is None or before is None or now == before:
            continue
        unit = ShareUnit.of((now, before))
        half_ppm = COVERAGE * min(one.uncertainty_ppm, one.before_uncertainty_ppm)
        step = (
            f"{unit.signed(before, half_ppm)} {ARROW} {unit.signed(now, half_ppm)} "
            f"{unit.name}"
        )
        found.append(
            (
                one.assigned_at,
                f"{one.serial}: known error {step}. {capital(one.reason)}",
            )
        )
    return found


def written_otherwise(
    written: KnownStandard, in_force: KnownStandard, titles: Mapping[str, str]
) -> str:
    """Say that the bench file has other values of a standard than are in force."""
    changed = [
        key
        for key, value in written.error_ppm.items()
        if value != in_force.error_ppm[key]
    ]
    unit = ShareUnit.of(
        one.error_ppm[key] for one in (written, in_force) for key in changed
    )

    def said(standard: KnownStandard, key: str) -> str:
        half_ppm = COVERAGE * standard.uncertainty_ppm
        return f"{unit.signed(standard.error_ppm[key], half_ppm)} {unit.name}"

    differs = [
        f"{titles.get(key, key)} {said(written, key)} in place of {said(in_force, key)}"
        for key in changed
    ]
    if written.uncertainty_ppm != in_force.uncertainty_ppm:
        differs.append(
            f"standard uncertainty {written.uncertainty_ppm:g} ppm in place of "
            f"{in_force.uncertainty_ppm:g} ppm"
        )
    return (
        f"bench.toml says other values of check standard {written.serial} than are in "
        f"force: {', '.join(differs)}. They count once a named person has assigned "
        f"them, with a reason: `holdpoint standard assign {written.serial} "
        '--as-written --reason "WHY" --person NAME`, or the page Standard.'
    )


def _by_range(
    rows: Iterable[StandardCheck], titles: Mapping[str, str], *, at_least: int = 2
) -> dict[str, list[StandardCheck]]:
    """Return the standards of each range that so many were read on."""
    found: dict[str, list[StandardCheck]] = {}
    for one in rows:
        found.setdefault(one.range, []).append(one)
    places = {key: place for place, key in enumerate(titles)}
    return {
        key: sorted(found[key], key=lambda one: (one.measured_at, one.serial))
        for key in sorted(found, key=lambda one: places.get(one, len(places)))
        if len(found[key]) >= at_least
    }


def _sentence(
    mover: Mover, moved: str | None, serials: Sequence[str], where: str
) -> str:
    others = [one for one in serials if one != moved]
    if mover is Mover.BENCH:
        return (
            f"The bench has moved on {where}, not a standard: {_listed(serials)} read "
            "off by the same."
        )
    if mover is Mover.STANDARD:
        reads = "reads" if len(others) == 1 else "read"
        return (
            f"Check standard {moved} has moved on {where}, not the bench: "
            f"{_listed(others)} {reads} right. Have {moved} calibrated, and assign its "
            "new values on the page Standard."
        )
    return (
        f"{_listed(serials)} do not agree on {where}, and it does not show which of "
        "them has moved: have them calibrated."
    )


def _listed(words: Sequence[str]) -> str:
    """Return words with commas and an "and".

    >>> _listed(["CS-1"]), _listed(["CS-1", "CS-2", "CS-3"])
    ('CS-1', 'CS-1, CS-2 and CS-3')
    """
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last
