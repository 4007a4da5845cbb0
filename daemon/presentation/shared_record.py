"""What is said of the record that several benches share."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from daemon.presentation.figures import ShareUnit, capital, counted, moment, percent
from storage import BenchDifference, Benches, FindingSeen, HoldState, Untold, Whose

NO_DAEMON = (
    "No daemon runs, so that nothing is told to other benches and nothing is heard of "
    "them. Start it with `holdpoint daemon`."
)


def sharing(state: Mapping[str, Any] | None) -> tuple[str, ...]:
    """Say how far a bench is with the shared database; nothing for one that is alone.

    Parameters
    ----------
    state
        What the daemon says of its `sharing`.

    Examples
    --------
    >>> sharing({"bench": "left", "reached_at": None, "waiting": 2, "refused": 0,
    ...          "reason": "refused"})[0]
    'The shared database does not answer (refused). 2 records wait to be told.'
    """
    if state is None:
        return ()
    waiting = counted(state["waiting"], "record")
    said = []
    if state["reason"] is not None:
        said.append(
            f"The shared database does not answer ({state['reason']}). "
            f"{waiting} {'waits' if state['waiting'] == 1 else 'wait'} to be told."
        )
        said.append(unheard(state))
    else:
        told = "all is told" if not state["waiting"] else f"{waiting} not told yet"
        said.append(f"Records are shared as bench {state['bench']}: {told}.")
    if state["refused"]:
        refused = counted(state["refused"], "record")
        said.append(
            f"{refused} could not be shared: `holdpoint sharing list` says why."
        )
    return tuple(said)


def unheard(state: Mapping[str, Any] | None) -> str:
    """Say since when other benches were not heard; nothing while they are."""
    if state is None or state["reason"] is None:
        return ""
    reached = state["reached_at"]
    if reached is None:
        return "What other benches hold is not known here."
    at = moment(datetime.fromisoformat(str(reached)))
    return f"What other benches hold since {at} is not known here."


NOT_COMPARED = (
    "No check standard was run at two benches within 60 days. Carry one to the other "
    "bench and run it there: only then is known whether they read the same."
)
WAITS = {
    "keep": "other record",
    "record_run": "measurement",
    "record_runs": "import",
    "watched": "evaluation",
    "shipped": "shipment",
    "amended": "correction",
}
"""What a command that waits is called."""
DIFFERENCES = {
    "Range": "range", "Standard": "standard", "Benches": "benches",
    "Difference": "difference", "Known within": "known_within",
    "Both state": "allowed", "Checks": "checks", "Last": "last", "Says": "says",
}  # fmt: skip
"""Columns of `difference_rows`, by heading."""


def untold(waiting: Sequence[Untold]) -> str:
    """Say what was not told to the other benches yet, and since when; "" of nothing."""
    if not waiting:
        return ""
    what = [
        counted(one.waiting, WAITS.get(one.command, "other record")) for one in waiting
    ]
    since = moment(min(one.since for one in waiting))
    return f"Not told to the other benches yet: {', '.join(what)}, since {since}."


def measured_where(benches: Benches) -> tuple[str, ...]:
    """Say of each bench when it was heard last, and what it measured of new builds."""
    lines = []
    for one in benches.states:
        name = f"Bench {one.bench}"
        if one.bench == benches.bench:
            name += " (this one)"
        if one.told_at is None:
            lines.append(f"{name}: nothing was told yet.")
            continue
        works = [
            f"build {work.build}: {counted(work.units, 'unit')}" for work in one.works
        ]
        did = ", ".join(works) or "no unit of the newest builds"
        lines.append(f"{name}: {did}; told last {moment(one.told_at)}.")
    return tuple(lines)


def held_where(holds: Iterable[HoldState], benches: Benches) -> tuple[str, ...]:
    """Say which open holds were placed at other benches, and at which."""
    lines = []
    for one in holds:
        bench = bench_of_hold(one.hold, benches)
        if one.disposal is None and bench is not None:
            lines.append(
                f"{capital(one.scope)} {one.subject} is held at bench {bench}: "
                f"{one.reason.rstrip('.')}."
            )
    return tuple(lines)


def bench_of_hold(hold: str, benches: Benches) -> str | None:
    """Return the other bench at which a hold was placed; None of this one's."""
    name = hold.rpartition("@")[2] if "@" in hold else ""
    others = {one.bench for one in benches.states} - {benches.bench}
    return name if name in others else None


def difference_rows(
    benches: Benches, titles: Mapping[str, str]
) -> list[dict[str, object]]:
    """Return a row a range and pair of benches: how they read one check standard.

    Parameters
    ----------
    titles
        Of ranges.
    """
    rows: list[dict[str, object]] = []
    for one in in_order(benches, titles):
        unit = ShareUnit.of((one.difference_ppm, one.uncertainty_ppm, one.allowed_ppm))
        rows.append(
            {
                "range": titles.get(one.range, one.range),
                "standard": one.standard,
                "benches": f"{one.bench} minus {one.other}",
                "difference": f"{unit.signed(one.difference_ppm, one.uncertainty_ppm)} "
                f"{unit.name}",
                "known_within": f"±{unit.half(one.uncertainty_ppm)} {unit.name}",
                "allowed": f"±{unit.half(one.allowed_ppm)} {unit.name}",
                "checks": f"{one.checks} and {one.other_checks}",
                "last": f"{moment(one.last_at)} and {moment(one.other_last_at)}",
                "says": said_of(one),
            }
        )
    return rows


def in_order(benches: Benches, titles: Mapping[str, str]) -> list[BenchDifference]:
    """Return the differences in the order of the product's ranges."""
    places = {key: place for place, key in enumerate(titles)}
    return sorted(
        benches.differences,
        key=lambda one: (one.standard, places.get(one.range, len(places))),
    )


def said_of(one: BenchDifference) -> str:
    """Say in few words what a difference of two benches means."""
    if abs(one.difference_ppm) > one.allowed_ppm:
        return "they contradict each other"
    if abs(one.difference_ppm) > one.uncertainty_ppm:
        return "they differ, as far as both allow"
    return "no difference is seen"


def beside(benches: Benches, titles: Mapping[str, str]) -> tuple[str, ...]:
    """Say whether benches read their check standard the same, and what to do if not."""
    if not benches.differences:
        return (NOT_COMPARED,)
    wrong = [
        one
        for one in in_order(benches, titles)
        if abs(one.difference_ppm) > one.allowed_ppm
    ]
    if not wrong:
        return (
            "The benches read their check standard the same, within what they state.",
        )
    lines = []
    for one in wrong:
        unit = ShareUnit.of((one.difference_ppm, one.allowed_ppm))
        title = titles.get(one.range, one.range)
        apart = unit.signed(one.difference_ppm, one.uncertainty_ppm)
        reads = f"{apart} {unit.name} (±{unit.half(one.uncertainty_ppm)})"
        allowed = f"±{unit.half(one.allowed_ppm)} {unit.name}"
        lines.append(
            f"Range {title}: bench {one.bench} reads standard {one.standard} {reads} "
            f"beside bench {one.other}; what both state allows {allowed}. One of the "
            "two is wrong: compare both with a third meter or a calibrated source."
        )
    return tuple(lines)


def seen_elsewhere(one: FindingSeen) -> tuple[str, ...]:
    """Say what each bench read of such units, and whose the finding is by that."""
    seen = "; ".join(
        f"bench {each.bench}: {counted(each.units, 'unit')}, mean "
        f"{percent(each.mean_ppm, _half(one), beside_ppm=[one.size_ppm])}"
        for each in one.seen
    )
    others = [each for each in one.seen if each.bench != one.bench]
    match one.whose:
        case Whose.BENCH:
            said = (
                f"It is bench {one.bench}, not the parts: other benches read such "
                f"units right. Run the check standard at bench {one.bench} before a "
                "reel is changed."
            )
        case Whose.PRODUCT:
            said = "It is not the bench: other benches read such units the same."
        case Whose.BOTH:
            said = (
                "Other benches read such units otherwise, and not right either: bench "
                "and parts may both be off. Run the check standard at each bench."
            )
        case Whose.UNITS:
            said = (
                "Other benches read such units right, and a check standard as bench "
                f"{one.bench} does: the benches agree, the units differ. Look which "
                "reel is on the boards that were measured there."
            )
        case _ if others:
            said = "Too few units at other benches to tell the bench from the parts."
        case _:
            said = "No other bench has measured such units."
    return (f"{capital(seen)}.", said) if others else (said,)


def _half(one: FindingSeen) -> float:
    return one.uncertainty_ppm or abs(one.size_ppm) / 5
