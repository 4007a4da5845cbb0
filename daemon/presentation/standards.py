"""Several check standards beside one another: what they say, and in which numbers."""

from collections.abc import Iterable, Mapping, Sequence

from daemon.metrology import Mover, StandardSeen, whose_drift
from daemon.presentation.figures import ShareUnit
from storage import StandardCheck

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
            f"{_listed(others)} {reads} right. Have {moved} calibrated, and write its "
            "new values in bench.toml."
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
