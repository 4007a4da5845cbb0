"""What the first page says: may I ship, what changed, product or bench, what now.

Four questions, each with its answer in a sentence, made from the numbers alone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.presentation.figures import SAYABLE_SHARE, counted, move, share
from daemon.presentation.sentences import held, is_odd_unit, part_names, reworked_units
from storage import BuildState, Cause, Hold, Scope, Signal

SHIP, CHANGED, WHOSE, NOW = (
    "May I ship?",
    "What changed?",
    "Product or bench?",
    "What now?",
)
MOST_NAMED = 4
"""Holds that are named one by one."""
FEW_UNITS = 2
"""Held units that are named; more are counted, and stand in the list of holds."""
BENCH = "bench"
"""How the causes of a finding call the bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Concerning:
    """How many units a finding concerns, and how many of them have left."""

    concerned: int
    left: int


def left_first(finding: Signal, concerning: Concerning) -> str | None:
    """Return what comes before all else: suspect units have left; None where none has.

    Parameters
    ----------
    finding
        One that stands.
    concerning
        Whom it concerns: the numbers that Recall says, too.
    """
    if not concerning.left:
        return None
    have = "has" if concerning.left == 1 else "have"
    return (
        f"{counted(concerning.left, 'suspect unit')} {have} left, of "
        f"{concerning.concerned} that finding {finding.signal} concerns: tell their "
        "holders."
    )


def concerned(concerning: Concerning) -> str:
    """Say whom a finding concerns.

    >>> concerned(Concerning(concerned=14, left=6))
    '14 units concerned, 6 have left.'
    """
    if not concerning.concerned:
        return "No unit is concerned now."
    if not concerning.left:
        return f"{counted(concerning.concerned, 'unit')} concerned, none has left."
    have = "has" if concerning.left == 1 else "have"
    return (
        f"{counted(concerning.concerned, 'unit')} concerned, {concerning.left} {have} "
        "left."
    )


def ship(
    holds: Sequence[Hold], *, doubted: int, kept: Mapping[str, int] | None = None
) -> str:
    """Say what may leave.

    Parameters
    ----------
    holds
        Open ones.
    doubted
        Units whose latest results are in doubt.
    kept
        By hold on a reel how many units it keeps of builds that are not held.
    """
    wide = [
        f"{held(one)}{_with_units(one, kept or {})}"
        for one in holds
        if one.scope is not Scope.UNIT
    ]
    units = [held(one) for one in holds if one.scope is Scope.UNIT]
    if len(units) > FEW_UNITS:
        units = [counted(len(units), "held unit")]
    # A build that two findings hold is one build.
    named = list(dict.fromkeys(wide + units))
    if (more := len(named) - MOST_NAMED) > 0:
        named = [*named[:MOST_NAMED], f"{more} more"]
    if doubted:
        named.append(f"{counted(doubted, 'unit')} in doubt")
    if not named:
        return "Yes: nothing is held. Packing checks each unit."
    return f"Not {_listed(named)}. Packing checks each other unit."


def _with_units(hold: Hold, kept: Mapping[str, int]) -> str:
    if hold.scope is not Scope.REEL or hold.hold not in kept:
        return ""
    units = kept[hold.hold]
    return f" ({counted(units, 'unit')} with it)" if units else " (in no unit now)"


def changed(
    findings: Sequence[Signal],
    since: Mapping[str, str],
    reworked: Mapping[str, int] | None = None,
) -> str:
    """Say what moved, and since when: serial and date.

    Parameters
    ----------
    findings
        Those that stand, the one that matters most first.
    since
        By finding, when its first unit was measured, in words; where known.
    reworked
        By finding, how many units it had, where all were reworked and are good again.
    """
    if not findings:
        return "No finding: every range reads as expected."
    said = []
    for one in findings[:2]:
        size = move(one.size_ppm, one.low_ppm, one.high_ppm)
        what = "every range" if one.range is None else f"range {_title(one)}"
        where = "in" if one.cause is Cause.UNIT else "since"
        when = f", {since[one.signal]}" if one.signal in since else ""
        alone = " alone" if one.cause is Cause.UNIT else ""
        text = f"{size} {where} unit {one.first_serial}{alone}{when}"
        units = (reworked or {}).get(one.signal)
        if units is not None:
            text = f"was {text}, {reworked_units(units)}"
        said.append(f"{what} {text}")
    more = f", and {len(findings) - 2} more" if len(findings) > 2 else ""  # noqa: PLR2004
    text = f"{'; '.join(said)}{more}."
    return f"{text[:1].upper()}{text[1:]}"


def _title(finding: Signal) -> str:
    return finding.basis.range_title or str(finding.range)


def whose(finding: Signal | None, *, doubted: int) -> str:
    """Say whether the product moved or the bench, and how sure that is.

    Parameters
    ----------
    finding
        The one that matters most, after what was measured to settle it; None without.
    doubted
        Units whose latest results are in doubt.
    """
    if finding is None:
        if doubted:
            return f"The bench is in doubt for {counted(doubted, 'unit')}."
        return "No finding of either."
    shares = finding.shares
    of_bench = shares.get(BENCH, 0.0)
    if finding.cause is Cause.BENCH:
        return f"Most likely the bench ({share(finding.probability)})."
    if is_odd_unit(finding):
        return "One unit, or how it was seated: measure it again."
    what = {
        Cause.REEL: _of_reel(finding),
        Cause.SHARED: "the stage that all ranges share",
        Cause.UNIT: f"unit {finding.first_serial}",
    }.get(finding.cause, "this range's own part")
    text = f"Most likely the product: {what} ({share(finding.probability)})"
    if of_bench > 1.0 - SAYABLE_SHARE:
        return f"{text}; the bench is possible ({share(of_bench)})."
    return f"{text}, not the bench." if shares else f"{text}."


def _of_reel(finding: Signal) -> str:
    if finding.basis.possible_parts:
        return f"part {part_names(finding)}"
    return f"reel {finding.reel}" if finding.reel else "a part"


def most_important(
    findings: Sequence[Signal], builds: Sequence[BuildState]
) -> tuple[Signal, ...]:
    """Return the findings that stand and matter now, what matters most first.

    Those that hold come before those that do not, newer before older; of odd units and
    charts those of the latest build alone.
    """
    latest = {one.build for one in [one for one in builds if one.units][-1:]}
    held_now = {one.build for one in builds if one.state == "held"}
    newest = [
        one
        for one in reversed(findings)
        if one.standing
        and (one.build in latest or (one.holds and one.build in held_now))
    ]
    return tuple(sorted(newest, key=lambda one: not one.holds))


def _listed(names: Sequence[str]) -> str:
    """Return "a, b nor c"."""
    *first, last = names
    return f"{', '.join(first)} nor {last}" if first else last
