"""What a finding says to a person: sentences made from the numbers alone.

The same words stand on the screen, in the terminal and in a message. Digits
follow the uncertainty: a value is shown to the second digit of its interval's
half width, never finer.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from daemon import spc
from daemon.presentation.figures import (
    SAYABLE_SHARE,
    allowance,
    between,
    capital,
    counted,
    day,
    labelled,
    move,
    ohm,
    part_value,
    percent,
    share,
    share_of,
)
from daemon.presentation.serials import spans
from storage import (
    BuildState,
    Cause,
    Disposal,
    Hold,
    HoldState,
    Label,
    LimitIs,
    Scope,
    Signal,
    serial_order,
)

PPM = 1e-6
HALF = 0.5
OF_PARTS = {Cause.REEL, Cause.RANGE}
"""Causes of which the parts are what is off."""
BETTER = (
    "That explains it better than a wider tolerance does: the parts lie as close "
    "together as those before. "
)
PLAINLY_WIDER = 2.0
FEWEST_TO_SCATTER = 4
"""Units from which a scatter is worth a sentence."""
ONE_VALUE_PPM = 3_000.0
"""A quarter of a step of E192 (IEC 60063): of a narrower interval a preferred value
lies inside by chance once in four times at most."""
"""A spread factor from which the spread is worth a word."""
CHART_SAW = "at {unit}{of_reel} the chart shows {value}"
"""What is said of a warning that an earlier version kept."""
BY_SHIPPED_LIMIT = (
    "The threshold from which a finding is made is the general one, not yet this "
    "product's own."
)
"""What a finding says of its limit; where it is the product's own, nothing."""
REST_OF_REEL = (
    "To throw away only what is left of the reel, end the hold by concession and fit "
    "another reel: units that conform then leave, units that do not conform stay."
)
"""What is said where a reel is scrapped, which takes its units with it."""
ONLY_SOME = "To keep only some of them, hold those first and end this hold by release."
"""How good units are let go while others of the same hold are not."""
EACH_HOLD = "A unit that several holds keep stays until each of them is ended."
ONE_OF = {
    Scope.UNIT: "a unit",
    Scope.BUILD: "a build",
    Scope.REEL: "a reel",
    Scope.SERIALS: "a range of serials",
}
NO_STANDARD = (
    "There is no check standard, so the bench itself may have moved: measure an older "
    "good unit again, or read one of these units with a second meter."
)
"""What is said in place of a check, where none can be made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Saying:
    """One sentence that says what to do, and the lines that say why."""

    headline: str
    lines: tuple[str, ...] = ()
    apart: tuple[str, ...] = ()
    """What is to be done beside, each a matter of its own."""


def alike(title: str, units: int, *, since: str = "", levels: int = 1) -> str:
    """Say that a range reads the same to the last digit, which no good bench does.

    Parameters
    ----------
    title
        Of the range.
    units
        That read alike.
    since
        Serial of the first, where they follow each other among others.
    levels
        More than 1: how many readings there are, each that of whole builds.

    Examples
    --------
    >>> alike("10 µA", 46).partition(":")[0]
    'Range 10 µA reads exactly the same in 46 units'
    """
    where = f"in {counted(units, 'unit')}"
    if since:
        where += f" in a row, from {since} on"
    if levels > 1:
        where = f"inside every build, {where}"
    return (
        f"Range {title} reads exactly the same {where}: the meter is stuck or too "
        "coarse, or cells were copied."
    )


def off_plan(part: str, label: Label) -> tuple[str, ...]:
    """Return why a reel, by its label, is none for a part; nothing where it is one.

    A label's value is the part's when it lies within the tolerance planned for it.

    >>> off_plan(
    ...     "R13",
    ...     Label(label_ohm=5e3, label_ppm=5e4, planned_ohm=5e3, planned_ppm=1e3),
    ... )
    ('of the wrong class for part R13: its label allows 5 %, the part needs 0.1 %',)
    """
    found = []
    planned_ohm, planned_ppm = label.planned_ohm, label.planned_ppm
    if abs(label.label_ohm - planned_ohm) > planned_ohm * planned_ppm * PPM:
        low, high = (
            labelled(planned_ohm * (1.0 + e * PPM), planned_ppm)
            for e in (-planned_ppm, planned_ppm)
        )
        found.append(
            f"of the wrong value for part {part}: its label says "
            f"{labelled(label.label_ohm, label.label_ppm)}, the part needs "
            f"{labelled(planned_ohm, planned_ppm)} ({low} to {high})"
        )
    if label.label_ppm > planned_ppm:
        found.append(
            f"of the wrong class for part {part}: its label allows "
            f"{share_of(label.label_ppm)}, the part needs "
            f"{share_of(planned_ppm)}"
        )
    return tuple(found)


def held(hold: Hold) -> str:
    """Return what a hold stands on in words, such as "serials PA-1 to PA-9"."""
    until = f" to {hold.to_serial}" if hold.to_serial else ""
    return f"{hold.scope} {hold.subject}{until}"


def held_together(holds: Iterable[Hold]) -> list[str]:
    """Return what several holds stand on: builds and reels first, then all units.

    Parameters
    ----------
    holds
        All for one reason.
    """
    mine = list(holds)
    wide = [held(one) for one in mine if one.scope is not Scope.UNIT]
    units = {one.subject for one in mine if one.scope is Scope.UNIT}
    if not units:
        return wide
    return [*wide, f"{'unit' if len(units) == 1 else 'units'} {spans(units)}"]


def hold_ended(hold: HoldState) -> str:
    """Say how a hold ended, and by whom."""
    return f"Hold on {held(hold)} ended: {hold.disposal} by {hold.person}."


def why_held(hold: Hold, found: Signal | None) -> str:
    """Return why a hold stands, with its finding's present numbers where it has one.

    The reason that was written when it was placed stays in its row.

    Parameters
    ----------
    hold
        With its reason as it was placed.
    found
        The finding that placed it, as it stands now.
    """
    if found is None:
        return hold.reason
    said = odd_unit(found) if is_odd_unit(found) else reads(found, named=hold)
    if found.standing:
        return said
    return f"{said} (finding {found.signal}, withdrawn)"


def noticed(signal: Signal, measured: str) -> str:
    """Say at which unit a finding was made, and when that unit was measured.

    Where it was held says when it was held: a sheet may be read weeks after its units
    were measured.
    """
    return f"Noticed at unit {signal.raised_serial}, measured {measured}"


def held_now(hold: Hold) -> str:
    """Say that something may not leave from now on, and why."""
    return f"Held from now on: {held(hold)}. {capital(hold.reason.rstrip('.'))}."


def read_bad(outside: Sequence[str], failed: Sequence[str]) -> str:
    """Return what of a unit does not conform; nothing where all does.

    Parameters
    ----------
    outside
        Titles of its ranges.
    failed
        Names of its checks.

    Examples
    --------
    >>> read_bad(["1 mA"], ["hum"])
    'Outside its error limit: 1 mA; Check failed: hum'
    """
    said = []
    if outside:
        said.append(f"Outside its error limit: {', '.join(outside)}")
    if failed:
        said.append(f"Check failed: {', '.join(failed)}")
    return "; ".join(said)


def bad_again(serial: str, read: str) -> str:
    """Say that a unit that is held was measured again and reads as bad.

    Parameters
    ----------
    read
        From `read_bad`.

    Examples
    --------
    >>> bad_again("PA-1", "Outside its error limit: 1 mA")
    'Unit PA-1 was measured again. Outside its error limit: 1 mA. It was held for that \
already; the hold stands.'
    """
    return (
        f"Unit {serial} was measured again. {read}. It was held for that already; the "
        "hold stands."
    )


def still_held(hold: HoldState) -> str:
    """Say that another hold of the same finding stands.

    Its units stay, whatever became of the hold that was ended.
    """
    return (
        f"The hold on {held(hold)} still stands: what it holds stays until that hold "
        "is ended too."
    )


def taught(disposal: Disposal, scope: Scope) -> str:
    """Say what ending the hold of a finding means for what is found later.

    >>> taught(Disposal.SCRAP, Scope.REEL).partition(":")[0]
    'The reel counts as bad'
    """
    if disposal in (Disposal.RELEASE, Disposal.CONCESSION):
        return (
            f"This {scope} is not held again for the difference that was found, only "
            "for a new one. Units that do not conform stay."
        )
    return (
        f"The {scope} counts as bad: the difference that was found is not taken as "
        "usual, and is held again where it shows in a later build."
    )


def leaving(disposal: Disposal, scope: Scope) -> str:
    """Say which units leave and which stay once a hold is ended so.

    >>> leaving(Disposal.REWORK, Scope.BUILD)[:42]
    'Each unit of this build is measured again '
    >>> leaving(Disposal.SCRAP, Scope.UNIT)
    'The unit never leaves.'
    """
    which = {
        Scope.BUILD: "of this build",
        Scope.REEL: "with a part of this reel",
        Scope.SERIALS: "of these serials",
    }.get(scope)
    if which is None:
        return {
            Disposal.RELEASE: "The unit may leave if it conforms; else it stays.",
            Disposal.CONCESSION: (
                "The unit may leave as it was measured, even if it does not conform."
            ),
            Disposal.REWORK: (
                "The unit is measured again before it leaves, unless it was reworked "
                "and measured while it was held."
            ),
            Disposal.SCRAP: "The unit never leaves.",
        }[disposal]
    if disposal is Disposal.SCRAP:
        rest = REST_OF_REEL if scope is Scope.REEL else ONLY_SOME
        return f"No unit {which} leaves any more, not even one that conforms. {rest}"
    if disposal is Disposal.REWORK:
        return (
            f"Each unit {which} is measured again before it leaves, good ones too, but "
            f"for those that were reworked and measured while it was held. {ONLY_SOME}"
        )
    if disposal is Disposal.CONCESSION:
        return (
            f"As by release: each unit {which} that conforms may leave. One that does "
            "not conform stays until its own hold is ended by concession."
        )
    return (
        f"Each unit {which} that conforms may leave. One that does not conform stays."
    )


def ends(scopes: Iterable[Scope]) -> tuple[str, ...]:
    """Say of each kind of hold what each end lets go and what it keeps.

    >>> for line in ends([Scope.UNIT, Scope.UNIT]):
    ...     print(line[:46])
    What each end of the hold of a unit does:
    release: The unit may leave if it conforms; el
    concession: The unit may leave as it was measu
    rework: The unit is measured again before it l
    scrap: The unit never leaves.
    A unit that several holds keep stays until eac
    """
    held_ones = set(scopes)
    told = (
        line
        for scope in Scope
        if scope in held_ones
        for line in (
            f"What each end of the hold of {ONE_OF[scope]} does:",
            *(f"{one}: {leaving(one, scope)}" for one in Disposal),
        )
    )
    return (*told, EACH_HOLD)


def finding(
    signal: Signal, *, history: str | None = None, decided: bool = False
) -> Saying:
    """Say what moved, by how much, since when, why we think so, what to do next.

    Parameters
    ----------
    signal
        The latest revision.
    history
        What a build is compared with now: said where it is the finding's build, in
        place of what it was compared with when the finding was revised last.
    decided
        Whether it held something and holds nothing any more: what is to be done about
        it was decided, and what was found stands.
    """
    if signal.cause is Cause.CHART:
        return chart_warning(signal)
    if not signal.standing:
        return Saying(headline=withdrawn(signal), lines=_withdrawn_lines(signal))
    if is_odd_unit(signal):
        return Saying(headline=f"{odd_unit(signal)}.", lines=_odd_unit_lines(signal))
    said = signal.basis
    verb = "Hold" if signal.holds else "Look at"
    headline = f"{verb} build {signal.build}: {reads(signal)}."
    if decided:
        headline = f"Decided: in build {signal.build} {reads(signal)}."
    lines = [_why(signal), *_off_plan(signal), *_beyond(signal)]
    others = [
        f"{words} {share(probability)}"
        for words, probability in said.runners_up
        if probability > 1.0 - SAYABLE_SHARE
    ]
    if others:
        lines.append(f"Less likely it is: {', or '.join(others)}.")
    # What is asked for because nothing was measured is not asked for once it was.
    if said.check and not (said.proven and said.check == NO_STANDARD):
        lines.append(said.check)
    by_limit = BY_SHIPPED_LIMIT if said.limit_is is LimitIs.SHIPPED else None
    if history is None or not history.startswith(f"Build {signal.build} is "):
        history = said.history
    if against := " ".join(one for one in (history, by_limit) if one):
        lines.append(against)
    lines += (*said.proven, _how_far(signal))
    if signal.cause in OF_PARTS:
        lines += _foretold(signal)
    if said.next and not decided:
        lines.append(said.next)
    return Saying(headline=headline, lines=tuple(lines))


def measured_right(serial: str, at: datetime) -> str:
    """Say that a unit that is held for what it read reads right now.

    >>> from datetime import UTC, datetime
    >>> measured_right("PA-1", datetime(2026, 3, 2, tzinfo=UTC))[:36]
    'Unit PA-1 conforms on every range by'
    """
    # A corrected cell of a sheet is a later reading too, and no new measurement.
    return f"Unit {serial} conforms on every range by its latest readings, {day(at)}."


def withdrawn(signal: Signal) -> str:
    """Say that a finding does not stand any more, and why.

    Parameters
    ----------
    signal
        A revision that is not standing.
    """
    if (other := signal.replaced_by) is not None:
        return f"Finding {signal.signal} was replaced by {other}."
    why = (signal.withdrawn or "").strip().rstrip(".")
    # A sentence goes on behind a colon; a serial or an abbreviation stays as it is.
    if why[1:2].islower():
        why = f"{why[:1].lower()}{why[1:]}"
    return f"Finding {signal.signal} was withdrawn: {why}."


def concerns_nobody(signal: Signal) -> str:
    """Say to whoever asks whom a withdrawn finding concerns which one to ask instead.

    Parameters
    ----------
    signal
        A revision that is not standing.
    """
    said = withdrawn(signal)
    if signal.replaced_by is not None:
        return f"{said[:-1]}: use that."
    return f"{said} It concerns no unit."


def _withdrawn_lines(signal: Signal) -> tuple[str, ...]:
    said = f"It said of build {signal.build}: {_said(signal)}."
    if not signal.holds:
        return (said,)
    return (said, "A hold that it placed stands until a named person ends it.")


def is_odd_unit(signal: Signal) -> bool:
    """Whether a finding is of one unit that is far off alone, and holds nothing."""
    return signal.cause is Cause.UNIT and not signal.holds


def part_names(signal: Signal) -> str | None:
    """Return the part that a finding names; all of those that it may be of.

    None where it names none.
    """
    several = signal.basis.possible_parts
    return " or ".join(one.part for one in several) if several else signal.part


def possible_parts(signal: Signal) -> str:
    """Return the parts that a finding may be of, each with its reel and its value.

    Empty where it is of one.
    """
    told = []
    for one in signal.basis.possible_parts:
        from_reel = f" from reel {one.reel}" if one.reel else ""
        value = part_value(
            one.ohm, signal.low_ppm, signal.high_ppm, [one.low_ohm, one.high_ohm]
        )
        told.append(f"{one.part}{from_reel} about {value}")
    return " or ".join(told)


def odd_unit(signal: Signal) -> str:
    """Say that one unit is far off alone, and what to do with it."""
    size = _size(signal)
    on = "" if signal.range is None else f" on range {_title(signal)}"
    said = f"Unit {signal.first_serial} alone is far off{on} ({size})"
    if signal.basis.measured_again:
        where = part_names(signal) or "the parts of the range"
        return (
            f"{said}, also when it was measured again: look at {where}; what is "
            "replaced is to be recorded, then the unit is measured once more"
        )
    return f"{said}: seat it and its leads again and measure it once more"


def _odd_unit_lines(signal: Signal) -> tuple[str, ...]:
    held = "Nothing is held for it: the units beside it read as before."
    check = signal.basis.check
    return (held, *([check] if check else []), *signal.basis.proven)


def _said(signal: Signal) -> str:
    """Return in few words what a finding says, or said while it stood."""
    return odd_unit(signal) if is_odd_unit(signal) else reads(signal)


def chart_warning(signal: Signal) -> Saying:
    """Say what a chart warns of."""
    warned = signal.basis
    half_ppm = (signal.high_ppm - signal.low_ppm) / 2
    value = percent(signal.size_ppm, half_ppm)
    bound = signal.high_ppm if signal.size_ppm > signal.high_ppm else signal.low_ppm
    what = (warned.saw or CHART_SAW).format(
        unit=f"unit {signal.first_serial}",
        of_reel=f" of reel {warned.reel}" if warned.reel else "",
        value=value,
    )
    return Saying(
        headline=(
            f"Look at build {signal.build}, range {_title(signal)}: {what}, beyond the "
            f"chart's limit of {percent(bound, half_ppm)}."
        ),
        lines=("A chart's warning holds nothing; no finding stood on the build.",),
    )


def warnings(signals: Sequence[Signal], builds: Sequence[str]) -> tuple[str, ...]:
    """Return a sentence on each chart's warning about the latest build.

    Parameters
    ----------
    signals
        Charts' warnings, oldest first.
    builds
        Oldest first; those of earlier builds are history.
    """
    last = builds[-1:]
    return tuple(chart_warning(one).headline for one in signals if one.build in last)


def refolded(why: str) -> str:
    """Say that a start took long, and why.

    >>> refolded("the program is another")
    'No record is lost. All runs were looked through again: the program is another.'
    """
    return f"No record is lost. All runs were looked through again: {why}."


def catching_up(number: int, last: int) -> str:
    """Say how far a start is, and what waits for it.

    >>> catching_up(120, 4000)
    'Run 120 of 4000 is looked through. No unit is judged before the last one is.'
    """
    return (
        f"Run {number} of {last} is looked through. No unit is judged before the last "
        "one is."
    )


def watching(state: Mapping[str, Any], *, said: Sequence[str] = ()) -> tuple[str, ...]:
    """Say which threshold holds, how far another is, what builds are compared with.

    Parameters
    ----------
    state
        What the daemon is doing: its `limit`, `calibrating_percent` and `history`;
        `catching_up` and `refolded` where they are there.
    said
        What a reader was told before, not to be said again.

    Examples
    --------
    >>> watching({"limit": "It serves.", "calibrating_percent": 40, "history": None})
    ('It serves.', "The product's own threshold is being worked out now: 40 % done.")
    """
    percent_done = state["calibrating_percent"]
    calibrating = (
        None
        if percent_done is None
        else "The product's own threshold is being worked out now: "
        f"{percent_done} % done."
    )
    limit = state["limit"]
    if limit and any(BY_SHIPPED_LIMIT in line for line in said):
        limit = limit.removeprefix(BY_SHIPPED_LIMIT).strip()
    sentences = (
        state.get("catching_up"),
        state.get("refolded"),
        limit,
        calibrating,
        state["history"],
    )
    return tuple(
        one for one in sentences if one and not any(one in line for line in said)
    )


def _off_plan(signal: Signal) -> Iterator[str]:
    """Say that the suspect reel is none for its part, whatever its parts read."""
    label = signal.basis.label
    if signal.part is not None and label is not None:
        for one in off_plan(signal.part, label):
            yield f"Reel {signal.reel} is {one}."


def _beyond(signal: Signal) -> Iterator[str]:
    """Say what the reel may be instead, and what cannot be told from what was found."""
    # Measured since, the cause may be another: then its parts are as they should be.
    of_parts, said = signal.cause in OF_PARTS, signal.basis
    claim = said.claim if of_parts else None
    if claim is not None and claim.incompatible > HALF:
        label = f"{share_of(claim.tolerance_ppm)}"
        classes = sorted(claim.classes, key=lambda one: -one[1])[:2]
        likely = " or ".join(
            f"{share_of(limit)} (probability {share(probability)})"
            for limit, probability in classes
        )
        where = "on its label" if signal.reel else "of the parts list"
        theirs = (
            "If they are of the value that they should have, their"
            if other_value(signal)
            else "Their"
        )
        untold = class_untold(signal)
        off = (
            f"Its parts do not keep to the {label} {where} "
            f"({share(claim.incompatible)} sure). {other_value(signal)}"
        )
        if untold is not None:
            yield f"{off}{untold}".strip()
        else:
            yield f"{off}{theirs} tolerance is most likely {likely}."
    elif of_parts and other_value(signal):
        yield other_value(signal).strip()
    if "shared stage" in said.alike:
        yield "With one range its own part and the shared stage cannot be told apart."
    unchecked = not said.check and not said.proven
    if unchecked and {"bench", "reel"} & set(said.alike):
        yield (
            "The check standard was not measured after these units: measure it now, to "
            "be sure whether it is the bench."
        )


def other_value(signal: Signal) -> str:
    """Say which other preferred value would explain a finding, and how well.

    Ends with a blank; empty where none would. Beside it stands a tolerance that would
    explain it too: parts that lie close together are rather of another value, since
    those of a wide tolerance seldom all lie at one end of it.
    """
    said = signal.basis
    label_ohm = None if said.label is None else said.label.label_ohm
    values = [one for one in said.other_values_ohm if one != label_ohm][:2]
    if not values:
        return ""
    named = " or ".join(map(ohm, values))
    text = f"A part of another preferred value would explain it: {named}. "
    if said.claim is None or said.claim.incompatible <= HALF:
        return text
    if said.proven:
        return text
    if signal.units < FEWEST_TO_SCATTER:
        return (
            f"{text}A few loose parts tell it from a wider tolerance: such parts all "
            "read about the same. "
        )
    width_ppm = signal.high_ppm - signal.low_ppm
    if said.spread_factor > PLAINLY_WIDER or width_ppm > ONE_VALUE_PPM:
        return text
    return f"{text}{BETTER}"


def class_untold(signal: Signal) -> str | None:
    """Say why no tolerance class is told beside another value; None where one is.

    A class is weighed as if the parts were of their value. Where they may as well be of
    another one, so few units tell none. Empty where nothing is to be said.
    """
    said = other_value(signal)
    if not said:
        return None
    if signal.basis.proven:
        # Parts that were measured tell another value from a wider tolerance.
        return ""
    if signal.units < FEWEST_TO_SCATTER:
        return (
            f"{capital(counted(signal.units, 'unit'))} "
            f"{'is' if signal.units == 1 else 'are'} too few to tell which tolerance "
            "they have."
        )
    return None


def is_of_another_value(signal: Signal) -> bool:
    """Whether another value explains a finding better than a wider tolerance does."""
    return other_value(signal).endswith(BETTER)


def _how_far(signal: Signal) -> str:
    """Say how many units are concerned, and how well the size is known from them."""
    show = "shows" if signal.units == 1 else "show"
    return (
        f"{capital(counted(signal.units, 'measured unit'))} {show} it so far"
        f"{_but_as_before(signal)}. The move is {size_of(signal)}."
    )


def _but_as_before(signal: Signal) -> str:
    """Say of mixed parts how many of the later units do not have them."""
    if signal.basis.mixed_share is None:
        return ""
    first = serial_order(signal.first_serial)
    others = sum(
        likely < HALF and serial_order(serial) > first
        for serial, likely in signal.basis.carrying
    )
    if not others:
        return ""
    read = "reads" if others == 1 else "read"
    return f"; {counted(others, 'later unit')} {read} as before, so parts seem mixed"


def _foretold(signal: Signal) -> Iterator[str]:
    """Say what units will read that carry the reel and were not measured."""
    said = signal.basis
    by_range = dict(said.predicted_by_range or {})
    if said.predicted_ppm is not None:
        by_range[""] = said.predicted_ppm
    if not by_range:
        return
    of_reel = "of this reel" if signal.reel else "with such parts"
    if said.mixed_share is not None:
        of_reel = "with such parts"
    told = []
    for title, (mean, low, high) in by_range.items():
        on = f" on range {title}" if title else ""
        interval = f"{between(low, high, beside_ppm=mean)} with 95 %"
        told.append(f"{move(mean, low, high)}{on} ({interval})")
    yield (
        f"A unit {of_reel} that was not measured probably reads about "
        f"{' and '.join(told)}."
    )


def _size(signal: Signal) -> str:
    """Return the one text that a finding's size has."""
    return move(signal.size_ppm, signal.low_ppm, signal.high_ppm)


def reads(
    signal: Signal, *, named: Hold | None = None, reworked: int | None = None
) -> str:
    """Return what a finding says in few words: what reads how much since when.

    Parameters
    ----------
    named
        A hold that a reader sees beside it: its reel is not named again.
    reworked
        How many units it had, where all were reworked and are good again.
    """
    if reworked is not None:
        before = reads(signal, named=named).replace(" reads ", " read ", 1)
        return f"{before}; {reworked_units(reworked)}"
    # Of several possible parts each has a reel of its own: they are said with them.
    one_part = not signal.basis.possible_parts
    reel = signal.reel if signal.cause is Cause.REEL and one_part else None
    if named is not None and (named.scope, named.subject) == (Scope.REEL, reel):
        reel = None
    what = _what(signal, reel)
    size = _size(signal)
    if signal.cause is Cause.UNIT:
        return f"{what} {size} in unit {signal.first_serial} alone"
    if signal.range is not None and _scatters_alone(signal):
        what = what.removesuffix(" reads")
        size = f"scatters {signal.basis.spread_factor:.2g} times as much as expected"
    return f"{what} {size} since unit {signal.first_serial}"


def _scatters_alone(signal: Signal) -> bool:
    """Whether a finding is of parts that scatter about where they were before."""
    wider = signal.basis.spread_factor > PLAINLY_WIDER
    enough = signal.units >= FEWEST_TO_SCATTER
    return wider and enough and signal.low_ppm < 0.0 < signal.high_ppm


def rows_seen(builds: Sequence[str]) -> str:
    """Say of the map what a row and a column are, for who cannot see it.

    >>> rows_seen(["B-1", "B-2"])
    'A row a range, a column a build, the newest is B-2; a dot is a unit.'
    """
    newest = f", the newest is {builds[-1]}" if builds else ""
    return f"A row a range, a column a build{newest}; a dot is a unit."


CAUSES_SHOW = {
    "reel": "One range, or the ranges of one part, from the unit on that has the reel.",
    "range": "One range, though no new reel was recorded for its part.",
    "shared stage": "All ranges by the same amount, from one unit on.",
    "bench": "The check standard and older good units read off by the same amount.",
    "unit": "One unit alone; those beside it read as before.",
}
"""How each cause would show, for whoever looks for it."""


def cause_shows(cause: str) -> str:
    """Return how a cause would show; nothing of one that is not known here.

    >>> cause_shows("unit")
    'One unit alone; those beside it read as before.'
    """
    return CAUSES_SHOW.get(cause, "")


def size_of(signal: Signal) -> str:
    """Return a finding's size with its interval.

    >>> from types import SimpleNamespace
    >>> size_of(SimpleNamespace(size_ppm=3000.0, low_ppm=2800.0, high_ppm=3200.0))
    '+0.30 % (+0.28 % to +0.32 % with 95 %)'
    """
    ends = between(signal.low_ppm, signal.high_ppm, beside_ppm=signal.size_ppm)
    return f"{_size(signal)} ({ends} with 95 %)"


def now(signal: Signal) -> str:
    """Return what a finding is put down to now, in few words."""
    sure = f"{share(signal.probability)} sure"
    match signal.cause:
        case Cause.REEL if signal.basis.possible_parts:
            return f"it is now most likely part {part_names(signal)} ({sure})"
        case Cause.REEL if signal.reel is not None:
            return f"it is now most likely reel {signal.reel} ({sure})"
        case Cause.UNIT:
            return f"it is now most likely unit {signal.first_serial} alone ({sure})"
        case Cause.SHARED | Cause.BENCH:
            return f"it is now most likely the {signal.cause} ({sure})"
        case _:
            return f"it is now most likely this range's own part ({sure})"


def name(signal: Signal) -> str:
    """Return what a list calls a finding.

    >>> from datetime import UTC, datetime
    >>> name(
    ...     Signal(
    ...         signal="B-3-F1", revision=1, number=1, product="amplifier",
    ...         build="B-3", cause=Cause.REEL, statistic="bank", range="1 mA",
    ...         part="R14", reel="RL-14", first_serial="PA-1", raised_serial="PA-1",
    ...         units=1, size_ppm=0.0, low_ppm=0.0, high_ppm=0.0, implied_ohm=None,
    ...         probability=0.9, holds=True, evidence="{}",
    ...         made_at=datetime(2026, 3, 2, tzinfo=UTC),
    ...     )
    ... )
    'Finding B-3-F1: range 1 mA, reel RL-14'
    """
    if not signal.standing:
        return f"Finding {signal.signal} (withdrawn)"
    where = "every range" if signal.range is None else f"range {_title(signal)}"
    match signal.cause:
        case Cause.UNIT:
            where += f", unit {signal.first_serial} alone"
        case Cause.REEL if signal.basis.possible_parts:
            where += f", part {part_names(signal)}"
        case Cause.REEL if signal.reel is not None:
            where += f", reel {signal.reel}"
        case Cause.SHARED | Cause.BENCH:
            where += f", {signal.cause}"
    return f"Finding {signal.signal}: {where}"


def one_range(
    title: str,
    *,
    findings: Sequence[Signal],
    errors_ppm: Sequence[float],
    limit_ppm: float | None,
    reworked: Mapping[str, int] | None = None,
) -> Saying:
    """Say how one range is: what moved on it, or that it is as it was.

    Parameters
    ----------
    findings
        On this range or on all, oldest first; of those that were withdrawn the last
        is said to be.
    errors_ppm
        Of the units that are shown.
    limit_ppm
        The error limit; None while no unit is measured.
    reworked
        By finding, how many units it had, where all were reworked and are good again.
    """
    if limit_ppm is None:
        return Saying(headline=f"Range {title}: no unit has been measured yet.")
    farthest = max(errors_ppm, key=abs)
    spread = (
        f"{counted(len(errors_ppm), 'unit')}; the farthest reads "
        f"{percent(farthest, abs(farthest) / 10)}, the limit is "
        f"{allowance(limit_ppm)}."
    )
    stepped_back = [withdrawn(one) for one in findings if not one.standing][-1:]
    stand = [one for one in findings if one.standing]
    moved = [one for one in stand if not is_odd_unit(one)]
    alone = [one for one in stand if is_odd_unit(one)][-1:]
    odd = [f"{odd_unit(one)}." for one in alone]
    if not moved:
        but = "".join(f" but for unit {one.first_serial}" for one in alone)
        return Saying(
            headline=f"Range {title} is as it was{but}.",
            lines=(*odd, spread, *stepped_back),
        )
    last = moved[-1]
    return Saying(
        headline=f"{capital(reads(last, reworked=(reworked or {}).get(last.signal)))}.",
        lines=(
            _why(last),
            *_also([one for one in moved[:-1] if one.build == last.build]),
            *odd,
            spread,
            *stepped_back,
        ),
    )


def beside(signal: Signal) -> str:
    """Return the few words that stand beside what moved in a picture."""
    size = _size(signal)
    if signal.cause is Cause.UNIT:
        return f"unit {signal.first_serial} alone: {size}"
    text = f"since unit {signal.first_serial}: {size}"
    if signal.range is None:
        return f"{signal.part or 'every range'} {text}"
    if signal.basis.possible_parts:
        return f"{text}, {part_names(signal)}"
    if signal.part is None or signal.implied_ohm is None:
        return text
    value = part_value(
        signal.implied_ohm,
        signal.low_ppm,
        signal.high_ppm,
        signal.basis.implied_interval_ohm,
        alone=True,
    )
    return f"{text}, {signal.part} \N{ALMOST EQUAL TO} {value}"


def reworked_units(units: int) -> str:
    """Say that all units of a finding are good again.

    >>> reworked_units(5)
    '5 units reworked and good again'
    """
    return f"{counted(units, 'unit')} reworked and good again"


def was_moved(units: int) -> str:
    """Return the few words that stand in a picture where units were reworked.

    >>> was_moved(12)
    'was moved, 12 units reworked'
    """
    return f"was moved, {counted(units, 'unit')} reworked"


def _title(signal: Signal) -> str:
    """Return the title of a finding's range; its key where none was kept."""
    return signal.basis.range_title or str(signal.range)


def _what(signal: Signal, reel: str | None) -> str:
    from_reel = f", reel {reel}," if reel is not None else ""
    if signal.range is not None:
        return f"range {_title(signal)}{from_reel} reads"
    if ranges := " and ".join(signal.basis.range_titles):
        return f"part {signal.part}{from_reel} of ranges {ranges} is off by"
    return f"every range{from_reel} reads"


def _why(signal: Signal) -> str:
    sure = f"{share(signal.probability)} sure"
    match signal.cause:
        case Cause.SHARED:
            return f"Most likely the stage that all ranges share ({sure})."
        case Cause.BENCH:
            return f"Most likely the bench, not the units ({sure})."
        case Cause.UNIT:
            part = part_names(signal) or "a part"
            return f"Most likely {part} of unit {signal.first_serial} alone ({sure})."
        case _ if signal.basis.possible_parts:
            return (
                f"Most likely part {part_names(signal)} of range {_title(signal)} "
                f"({sure}; readings alone cannot tell which): "
                f"{possible_parts(signal)}."
            )
        case _ if signal.part is None:
            return f"Most likely this range's own part ({sure})."
        case _:
            source = f" from reel {signal.reel}" if signal.reel else ""
            value = _value_against_claim(signal)
            return f"Most likely part {signal.part}{source} ({sure}){value}."


def _value_against_claim(signal: Signal) -> str:
    if signal.implied_ohm is None:
        return ""
    value = part_value(
        signal.implied_ohm,
        signal.low_ppm,
        signal.high_ppm,
        signal.basis.implied_interval_ohm,
    )
    text = f": its parts are now about {value}"
    claim_ppm = signal.basis.tolerance_ppm
    if claim_ppm is None:
        return text
    claim = f"{share_of(claim_ppm)}"
    if signal.basis.spread_factor > PLAINLY_WIDER:
        factor = signal.basis.spread_factor
        return (
            f"{text} and scatter {factor:.2g} times as much as expected; their claim "
            f"is {claim}"
        )
    if signal.low_ppm > claim_ppm or signal.high_ppm < -claim_ppm:
        return f"{text}, outside their {claim} claim"
    return f"{text}; their claim is {claim}"


def check_standard(*, serial: str, outside: Sequence[str]) -> str:
    """Say what the check standard's last run showed about the bench.

    >>> check_standard(serial="CS-1", outside=[])
    'Not the bench: check standard CS-1 read right on every range before.'
    """
    if outside:
        return (
            f"Perhaps the bench: check standard {serial} was outside its limits on "
            f"{', '.join(outside)}."
        )
    return f"Not the bench: check standard {serial} read right on every range before."


def not_closed(units: int) -> str:
    """Say that a session has no closing check, and what that means.

    >>> not_closed(1).partition(": ")[0]
    'The last session ended without its closing check'
    """
    last = "unit" if units == 1 else counted(units, "unit")
    return (
        "The last session ended without its closing check: nobody knows whether the "
        f"bench moved while it measured its last {last}. What was "
        "judged stands. The next session begins with a check."
    )


def reads_right(serial: str) -> str:
    """Say that a check of the bench was good.

    >>> reads_right("CS-1")
    'Check standard CS-1 read right on every range: the bench may judge.'
    """
    return f"Check standard {serial} read right on every range: the bench may judge."


def claim(
    check: "spc.ClaimCheck", *, reel: str, tolerance_ppm: float
) -> tuple[str, ...]:
    """Say what loose parts of a reel mean for the tolerance on its label."""
    label = f"{share_of(tolerance_ppm)}"
    mean = (
        f"Its mean is {move(check.mean_ppm, check.low_ppm, check.high_ppm)} from "
        f"nominal ({between(check.low_ppm, check.high_ppm, beside_ppm=check.mean_ppm)}"
        " with 95 %)."
    )
    if check.verdict is spc.Against.INCOMPATIBLE:
        which = ", ".join(str(place + 1) for place in check.outside)
        one = len(check.outside) == 1
        outside = f"Part {which} is" if one else f"Parts {which} are"
        return (
            f"Reel {reel} is not as labelled: its parts do not keep to {label}.",
            f"{outside} outside by more than the meter may be wrong.",
            mean,
        )
    if check.verdict is spc.Against.UNDECIDED:
        which = ", ".join(str(place + 1) for place in check.undecided)
        near = (
            f"It cannot be decided: part {which} is so near the limit of {label} that "
            "the meter may be wrong. Use a better meter, or measure four-wire."
        )
        return near, mean
    missed = (
        "All of them are good, but up to "
        f"{100 * check.missed_share:.0f} % of the reel may still be bad (with 95 %)."
    )
    said = f"Reel {reel} is as its label says: nothing speaks against its {label}."
    return said, mean, missed


def standing(
    *,
    signals: Sequence[Signal],
    builds: Sequence[BuildState],
    holds: Sequence[Hold],
    units: int,
    history: str | None = None,
    reworked: Mapping[str, int] | None = None,
) -> Saying:
    """Say what to do now: what was found on a held build, or that all is well.

    Parameters
    ----------
    signals
        Latest revisions, oldest first.
    builds
        Oldest first.
    holds
        Open ones.
    units
        How many units have been measured at all.
    history
        What the latest build is compared with now, where that is known.
    reworked
        By finding, how many units it had, where all were reworked and are good again.
    """
    reworked = reworked or {}
    if units == 0:
        next_step = (
            f"Build {builds[-1].build} is open: measure its first unit"
            if builds
            else "Open a build and measure its first unit"
        )
        return Saying(
            headline="No unit has been measured yet.",
            lines=(f"{next_step}, or import a sheet of units.",),
        )
    held_builds = [one.build for one in builds if one.state == "held"]
    odd = _odd_units(signals, builds)
    stepped_back = tuple(
        f"{withdrawn(one)} {_stays(one, holds)}"
        for one in signals
        if not one.standing and _held_by(one, holds)
    )
    on_hold = [
        one
        for one in signals
        if one.standing and one.build in held_builds and _held_by(one, holds)
    ]
    if on_hold:
        last = on_hold[-1]
        others = [one for one in on_hold[:-1] if one.build == last.build]
        said = finding(last, history=history)
        mine = _held_by(last, holds)
        first = said.headline
        if last.build not in {one.subject for one in mine if one.scope is Scope.BUILD}:
            # Its build was let go; a reel is held on.
            reel = next((one for one in mine if one.scope is Scope.REEL), None)
            what = " and ".join(map(held, mine))
            first = f"Hold {what}: {reads(last, named=reel)}."
        if last.signal in reworked:
            what = " and ".join(map(held, mine))
            first = f"Decide on {what}: {reworked_units(reworked[last.signal])}."
        also = "".join(f" Also: {reads(one)}." for one in reversed(others))
        return Saying(
            headline=f"{first}{also}",
            lines=(*said.lines, *_also(others)),
            apart=(*odd, *stepped_back),
        )
    gone = {one.signal for one in signals if not one.standing}
    if holds and all(one.signal in gone for one in holds):
        whose = "its finding was" if len(holds) == 1 else "their finding was"
        return Saying(
            headline=f"{counted(len(holds), 'hold')} to decide on: {whose} withdrawn.",
            lines=stepped_back,
            apart=odd,
        )
    if held_builds:
        last_held = held_builds[-1]
        (build,) = [one for one in builds if one.build == last_held]
        part = "" if build_state(build, holds) == "held" else "a part of "
        return Saying(
            headline=f"{capital(f'{part}build {last_held}')} is held: decide on it.",
            apart=(*odd, *stepped_back),
        )
    if odd:
        return Saying(headline=odd[0], lines=("Nothing is held.",), apart=odd[1:])
    now = [one.build for one in builds if one.units][-1:]
    mine_now = [
        one
        for one in signals
        if one.standing and not is_odd_unit(one) and one.build in now
    ]
    moved = [reads(one) for one in mine_now if one.signal not in reworked]
    but = f" but for this: {'; '.join(moved)}" if moved else ""
    again = [
        f"{capital(reads(one, reworked=reworked[one.signal]))}."
        for one in mine_now
        if one.signal in reworked
    ]
    return Saying(
        headline="Nothing is held.",
        lines=(
            f"{counted(units, 'unit')} measured. In build {now[0]} every range "
            f"reads as expected{but}."
            if now
            else f"{counted(units, 'unit')} measured.",
            *again,
        ),
    )


def build_state(build: BuildState, holds: Sequence[Hold]) -> str:
    """Say whether a build is held, or only some of what is in it.

    Parameters
    ----------
    holds
        Open ones.
    """
    if build.state != "held":
        return build.state
    on_it = (Scope.BUILD, build.build) in {(one.scope, one.subject) for one in holds}
    return "held" if on_it else "held in part"


def _also(others: Sequence[Signal]) -> Iterator[str]:
    """Say of each further finding on a build what it is and why, the newest first."""
    for one in reversed(others):
        yield f"{capital(reads(one))}. {_why(one)}"


def _odd_units(
    signals: Sequence[Signal], builds: Sequence[BuildState]
) -> tuple[str, ...]:
    """Return what to do with units that are odd alone; of earlier builds: history."""
    now = [one.build for one in builds if one.units][-1:]
    return tuple(
        f"{odd_unit(one)}."
        for one in signals
        if one.standing and is_odd_unit(one) and one.build in now
    )


def _held_by(signal: Signal, holds: Sequence[Hold]) -> list[Hold]:
    return [one for one in holds if one.signal == signal.signal]


def _stays(signal: Signal, holds: Sequence[Hold]) -> str:
    """Say what is still held for a finding that was withdrawn."""
    mine = _held_by(signal, holds)
    what = " and ".join(held(one) for one in mine)
    verb = "stands" if len(mine) == 1 else "stand"
    return (
        f"The {'hold' if len(mine) == 1 else 'holds'} on {what} {verb} until a named "
        "person decides."
    )
