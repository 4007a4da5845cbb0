"""What waits for whom, in the order of what to do: for whoever walks in."""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from shlex import quote
from typing import Any

from config import Bench
from daemon.presentation.figures import counted
from daemon.presentation.sentences import held
from daemon.presentation.to_copy import command, decided, hold_end
from storage import Hold, Scope, counted_runs, serial_order

SHORT_ID = 20
"""Characters of an id that a person can type."""
FEWEST_OF_ID = 8
"""Characters of a longer one that are said at least."""
SOON = timedelta(days=30)
"""So long before it is due, a calibration is worth a word."""
AT_BENCH = "whoever is at the bench"
ANYBODY = "anybody"
OR_DROP = "To drop the order: `holdpoint bench answer --drop`"
ANY_UNIT = "*"


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """One thing that waits: for whom, what, and what to do."""

    who: str
    what: str
    do: str


def waits(
    *,
    doing: Mapping[str, Any] | None,
    holds: Sequence[Hold],
    doubts: Iterable[str],
    messages: int,
    bench: Bench | None,
    people: Sequence[str],
    today: date,
    offers: Mapping[str, str] | None = None,
    again: Mapping[str, Mapping[str, str]] | None = None,
    left: Mapping[str, str] | None = None,
    away: Collection[str] = (),
) -> list[Waiting]:
    """Return what waits, the most urgent first.

    Parameters
    ----------
    doing
        What the daemon says that it does; None where none runs.
    holds
        Those that stand, oldest first.
    doubts
        Ids of those that stand.
    messages
        How many nobody has noted.
    people
        Who decides.
    offers
        By hold, why it may end.
    again
        Units that were reworked and not measured since, as `left_to_measure` has them.
    left
        By finding, what `left_first` says of its suspect units that have left.
    away
        Serials of the units that have left: none is decided on with one that is here.
    """
    deciding, offers = " or ".join(people), offers or {}
    found = [
        Waiting(who=deciding, what=said.rstrip("."), do=command("contain", finding))
        for finding, said in (left or {}).items()
    ]
    found += _at_the_bench(doing)
    alike: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for serial, ranges in (again or {}).items():
        alike.setdefault(tuple(ranges.items()), []).append(serial)
    found += [
        _to_measure_again(serials, dict(ranges), typed=bench is None)
        for ranges, serials in alike.items()
    ]
    found += [
        Waiting(who=deciding, what=what, do=hold_end(name))
        for what, name in _decisions(holds, offers, away)
    ]
    found += [
        Waiting(
            who=deciding,
            what="a decision on runs of a bench in doubt, or a good check",
            do=decided("doubt", "end", one),
        )
        for one in doubts
    ]
    if messages:
        said = counted(messages, "message")
        found.append(
            Waiting(
                who=deciding,
                what=f"{said} that nobody has noted",
                do="holdpoint alerts list",
            )
        )
    found += _calibrations(bench, today)
    return found


def _decisions(
    holds: Sequence[Hold], offers: Mapping[str, str], away: Collection[str]
) -> Iterator[tuple[str, str]]:
    """Yield what is to be decided on, and the name that `hold end` takes for it.

    Units that count up and are held alike are one decision, those that have left apart.
    """
    often, names = _often(holds), hold_names(holds)
    alike: dict[tuple[str, str, bool], dict[str, Hold]] = {}
    for one in holds:
        if one.scope is Scope.UNIT and often[one.subject.casefold()] == 1:
            why = offers.get(one.hold, "").replace(one.subject, ANY_UNIT)
            held_as = (one.reason, why, one.subject in away)
            alike.setdefault(held_as, {})[one.subject] = one
    together: dict[str, tuple[list[str], str]] = {}
    for (_, why, _), by_serial in alike.items():
        for run in counted_runs(by_serial):
            told = (run, why.replace(f"Unit {ANY_UNIT}", "each"))
            together |= {by_serial[serial].hold: told for serial in run[1:] and run}
    said: set[str] = set()
    for one in holds:
        if one.hold in together:
            run, why = together[one.hold]
            name = f"{run[0]}..{run[-1]}"
            what = f"the holds of units {run[0]} to {run[-1]} ({len(run)})"
        else:
            name = names[one.hold]
            what, why = f"the hold of {held(one)}", offers.get(one.hold, "")
            if one.signal is not None and not why:
                what += f" (finding {one.signal})"
        if name not in said:
            said.add(name)
            yield f"a decision on {what}" + (f": {why}" if why else ""), name


def _often(holds: Iterable[Hold]) -> Counter[str]:
    return Counter(one.subject.casefold() for one in holds)


def hold_names(holds: Sequence[Hold]) -> dict[str, str]:
    """Return by id what `hold end` takes for each of all holds that stand.

    That is what is held, where one hold alone stands on it; else as much of its id as
    tells it apart.
    """
    often = _often(holds)
    ids = [one.hold.casefold() for one in holds]
    return {
        one.hold: one.subject
        if often[one.subject.casefold()] == 1 and one.to_serial is None
        else _told_apart(one.hold, ids)
        for one in holds
    }


def _told_apart(name: str, ids: Sequence[str]) -> str:
    """Return the beginning of a long id that no other id has; a short one whole."""
    if len(name) <= SHORT_ID:
        return name
    small = name.casefold()
    most = len(name)
    return next(
        (
            name[:length]
            for length in range(FEWEST_OF_ID, most)
            if sum(one.startswith(small[:length]) for one in ids) == 1
        ),
        name,
    )


def hold_order(hold: Hold) -> tuple[Any, ...]:
    """Return the place of a hold in a list: builds and reels as placed, then units.

    Units come as people count them: those of one sheet are placed at one moment.
    """
    unit = hold.scope is Scope.UNIT
    return unit, serial_order(hold.subject) if unit else (), hold.placed_at


def _at_the_bench(doing: Mapping[str, Any] | None) -> Iterator[Waiting]:
    """Yield what the bench waits for: an answer first, then what stands behind it."""
    if doing is None:
        return
    prompt, queued = doing.get("prompt"), int(doing.get("waiting") or 0)
    if prompt is not None:
        of = f" ({prompt['subject']})" if prompt.get("subject") else ""
        asked = str(prompt["text"]).rstrip()
        if prompt.get("by_scan"):
            asked += f" {OR_DROP}"
        yield Waiting(
            who=AT_BENCH,
            what=f"an answer{of}: {asked}",
            do="holdpoint bench answer",
        )
        queued -= 1
    if queued > 0:
        yield Waiting(
            who=AT_BENCH,
            what=f"{counted(queued, 'unit')} to be measured",
            do="connect them one after another, as the bench asks",
        )
    by_reason: dict[str, list[str]] = {}
    for serial, why in (doing.get("not_measured") or {}).items():
        by_reason.setdefault(str(why).rstrip("."), []).append(serial)
    for why, serials in by_reason.items():
        yield Waiting(
            who=AT_BENCH,
            what=f"{', '.join(serials)} of a dropped list, not measured: {why}",
            do="put the list there again once that is repaired",
        )
    # Whoever is asked to connect the check standard is told so already.
    if prompt is None and doing.get("session") and doing.get("check_due"):
        yield Waiting(
            who=AT_BENCH,
            what=f"a check of the bench: {doing['check_due']}",
            do="holdpoint bench check",
        )


def left_to_measure(
    rows: Iterable[Mapping[str, Any]], titles: Mapping[str, str]
) -> dict[str, dict[str, str]]:
    """Return which ranges of which reworked units are still to be measured.

    Parameters
    ----------
    rows
        Of the query `to_measure_again`.
    titles
        Of all ranges of the product, by key.

    Returns
    -------
    dict
        By serial, titles of its ranges by key; none where all are to be measured.
    """
    found: dict[str, set[str]] = {}
    for one in rows:
        found.setdefault(str(one["serial"]), set()).add(str(one["range"]))
    return {
        serial: {key: title for key, title in titles.items() if key in ranges}
        for serial, ranges in found.items()
    }


def before_it_leaves(serial: str, titles: Sequence[str]) -> str:
    """Say what is still to be measured of a reworked unit.

    >>> before_it_leaves("PA-1", ["1 mA"])
    'Unit PA-1 was reworked: measure range 1 mA again before it may leave.'
    >>> before_it_leaves("PA-1", [])
    'Unit PA-1 was reworked: measure all ranges again before it may leave.'
    """
    which = _ranges(titles) if titles else "all ranges"
    return f"Unit {serial} was reworked: measure {which} again before it may leave."


def _ranges(titles: Sequence[str]) -> str:
    """Name ranges.

    >>> _ranges(["1 mA"]), _ranges(["1 µA", "10 µA", "1 mA"])
    ('range 1 mA', 'ranges 1 µA, 10 µA and 1 mA')
    """
    *others, last = titles
    return f"ranges {', '.join(others)} and {last}" if others else f"range {last}"


def _to_measure_again(
    serials: Sequence[str], ranges: Mapping[str, str], *, typed: bool
) -> Waiting:
    """Say which units a rework has wait for the bench; without ranges, on all.

    >>> _to_measure_again(["PA-1"], {}, typed=True).do
    'holdpoint measure PA-1 --rerun --typed'
    >>> _to_measure_again(["PA-1", "PA-3"], {"1mA": "1 mA"}, typed=False).do
    'holdpoint measure --rerun --range 1mA'
    """
    named = ", ".join(
        one for run in counted_runs(serials) for one in _run_in_words(run)
    )
    alone = len(serials) == 1
    many = "" if alone else f" ({counted(len(serials), 'unit')})"
    return Waiting(
        who=AT_BENCH,
        what=f"{named}{many}, to be measured again after rework"
        + (f": {_ranges(list(ranges.values()))}" if ranges else ""),
        do=" ".join(
            [
                "holdpoint measure",
                *([quote(serials[0])] if alone else []),
                "--rerun",
                *(["--typed"] if typed else []),
                *(f"--range {quote(key)}" for key in ranges),
            ]
        ),
    )


def _run_in_words(run: Sequence[str]) -> Sequence[str]:
    """Return two serials as they are, more of them by the first and the last."""
    return run if len(run) <= 2 else (f"{run[0]} to {run[-1]}",)  # noqa: PLR2004


def _calibrations(bench: Bench | None, today: date) -> Iterator[Waiting]:
    for role, one in {} if bench is None else bench.instruments.items():
        due = one.calibration_due
        if due is None or due > today + SOON:
            continue
        when = "was due" if due <= today else "is due"
        yield Waiting(
            who=ANYBODY,
            what=f"the calibration of the {role}, which {when} on {due.isoformat()}",
            do="calibration_due in bench.toml, once it is done",
        )
