"""What pages on which people act say: packing, the bench, who may look."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from daemon.presentation.figures import capital, counted, tolerance
from daemon.presentation.to_copy import decided

UNDO_WITHIN = timedelta(minutes=1)
"""So long a shipment may be taken back where it was scanned."""
UNDO = "undo"
"""What is scanned, or typed, to take the last one back."""

SCANS_WAITING = "Scans that wait for their answer: {}."
SCANS_GIVEN_UP = "No answer came, so scan again: {}."

PACK = "Scan a unit."
PACK_MEANS = (
    "A unit that may leave is recorded as shipped at once: it was measured, conforms, "
    "and nothing holds it."
)
UNDO_MEANS = (
    f"Scanned by mistake? Within a minute, press the button, scan this code, or type "
    f"{UNDO} and Enter."
)
BEFORE = "Before, the newest first"
STAYS_SAID_FOR = timedelta(seconds=5)
"""A unit that stays is still said beside those that were scanned so soon after it."""
UNDO_CODE = f"Code to scan: {UNDO}"
OVERRIDE_STAYS = "Your name, your reason and all that is against it stay for ever."
OVERRIDE_REASON = "An override needs a reason"
NOTHING_TO_UNDO = "Nothing to undo: no shipment was recorded here in the last minute."
UNDO_LATER = (
    "Later than that, whoever decides takes it back: "
    f"{decided('shipment', 'undo', 'SERIAL')}"
)
UNDO_REASON = "Taken back at packing within a minute: scanned by mistake."
AWAY_MEANS = (
    "Nothing new was recorded. If it came back: "
    f"{decided('return', 'SERIAL')}, then measure it."
)
"""What a packer is told of a unit that has left."""
WHO_AND_WHAT = "Say who decides and for which order"


def shipped(serial: str, *, how: str | None = None) -> str:
    """Say that a unit was recorded as shipped.

    Parameters
    ----------
    how
        Why it may leave although not all of it was measured.

    Examples
    --------
    >>> shipped("PA-1001", how="measured by plan")
    'Recorded as shipped, measured by plan: PA-1001.'
    """
    return f"Recorded as shipped{'' if how is None else f', {how}'}: {serial}."


def shipped_by_override(serial: str) -> str:
    """Say that a unit was recorded as shipped although something was against it."""
    return f"Recorded as shipped by override: {serial}."


def shipped_for(order: str, at: datetime) -> str:
    """Say for which order a unit was recorded as shipped, and when."""
    return f"For {order}, at {clock(at)}."


def undo_button(serial: str) -> str:
    """Return the label of the button that takes a shipment back."""
    return f"Undo: {serial} stays"


def back_in_the_house(serial: str) -> str:
    """Say that a unit came back, and what that means.

    >>> back_in_the_house("PA-1001")
    'Unit PA-1001 is back in the house. It is measured before it leaves again.'
    """
    return f"Unit {serial} is back in the house. It is measured before it leaves again."


def override_title(serial: str) -> str:
    """Return the title of the form for an override."""
    return f"Let {serial} leave all the same"


def just_before(sentence: str) -> str:
    """Say again what stays, once more was scanned."""
    return f"Just before. {sentence}"


def not_known(serial: str) -> str:
    """Say that a scan was sent and no answer came."""
    return (
        f"Not known whether {serial} was recorded: the daemon did not answer. Keep it; "
        "scan it again once it does."
    )


def claim_alt(
    reel: str, unit: str, percents: Sequence[float], tolerance_ppm: float
) -> str:
    """Say in a sentence what the picture of parts against their label shows.

    >>> claim_alt("K-1", "part", [0.05, -0.2], 1e3)
    'Reel K-1: 2 parts lie from -0.200 % to +0.050 % of nominal; 1 is outside ±0.1 %.'
    >>> claim_alt("K-1", "part", [0.05], 1e3)
    'Reel K-1: 1 part lies at +0.050 % of nominal; 0 are outside ±0.1 %.'
    """
    outside = sum(abs(one) > tolerance_ppm / 1e4 for one in percents)
    are = "is" if outside == 1 else "are"
    low, high = (f"{one:+.3f} %" for one in (min(percents), max(percents)))
    lie = f"lies at {low}" if len(percents) == 1 else f"lie from {low} to {high}"
    return (
        f"Reel {reel}: {counted(len(percents), unit)} {lie} of nominal; "
        f"{outside} {are} outside {tolerance(tolerance_ppm)}."
    )


def reopened(times: int, last: str | None = None) -> str:
    """Say how often the bench was lost, and why the last time.

    >>> reopened(2, "no answer")
    'The bench was lost and opened again twice, and each time the unit on it was \
measured anew. The last time, no answer.'
    """
    often = {1: "once", 2: "twice"}.get(times, f"{times} times")
    each = "" if times == 1 else "each time "
    text = (
        f"The bench was lost and opened again {often}, and {each}the unit on it was "
        "measured anew."
    )
    # What is asked for at its end was done: the bench is open again.
    reason = (last or "").partition(", so the source stays off")[0].rstrip(".")
    return f"{text} The last time, {reason}." if reason else text


def level_read(title: str, level: int, levels: int) -> str:
    """Say which level of a range was read last.

    >>> level_read("100 mA", 2, 3)
    'level 2 of 3 on range 100 mA'
    """
    return f"level {level} of {levels} on range {title}"


def last_read(serial: str, where: str) -> str:
    """Say of which unit, and at which level, the numbers below were read.

    >>> last_read("SM-001", level_read("100 mA", 2, 3))
    'Read last of SM-001: level 2 of 3 on range 100 mA.'
    """
    return f"Read last of {serial}: {where}."


def coming_to_rest(serial: str, where: str) -> str:
    """Say of which unit, and at which level, a picture of readings is."""
    return f"Output of {serial} as it came to rest: {where}"


def at_rest_alt(title: str, readings: int) -> str:
    """Say in a sentence what the picture of a point's readings shows."""
    return f"{readings} readings of the output of range {title}, in the order of time."


def measure_again(serial: str) -> str:
    """Return the label of the button that orders a rerun."""
    return f"Measure {serial} again (a rerun)"


def not_ordered(reason: str) -> str:
    """Say of a serial that was scanned that it will not be measured."""
    return f"not ordered: {reason.rstrip('.')}"


def stays(serial: str) -> str:
    """Say that a unit must not leave."""
    return f"Must not leave: {serial}."


def away(serial: str) -> str:
    """Say that a unit was recorded as shipped before, as when it is scanned twice."""
    return f"Has left already: {serial}."


def not_recorded(serial: str, reason: str) -> str:
    """Say that nothing is known of a scan, so that the unit must wait."""
    return f"Not recorded: {serial}. {capital(reason.rstrip('.'))}."


def undone(serial: str, order: str) -> list[str]:
    """Say that a shipment was taken back, in a headline and a line."""
    return [
        f"In the house again: {serial}.",
        f"Its shipment for {order} is undone. Scan it again when it leaves.",
    ]


def numbered(number: int, sentence: str, reasons: Sequence[str] = ()) -> str:
    """Say an answer of before, with its number.

    >>> numbered(7, "Must not leave: PA-3001.", ["held (build B-3)"])
    '7. Must not leave: PA-3001. Held (build B-3).'
    """
    more = "; ".join(reasons).rstrip(".")
    return f"{number}. {sentence}{f' {capital(more)}.' if more else ''}"


CODE_NEEDED = "These screens need a code."
CODE_WHERE = (
    "Whoever started them with holdpoint dashboard sees it there, in the address that "
    "is printed. Each start has another code."
)
CODE_LABEL = "Code"
CODE_BUTTON = "Show the screens"
WRONG_CODE = "That is not the code of this start."
NO_CODE = "These screens need a code; see what holdpoint dashboard prints."
FOREIGN_ADDRESS = (
    "Refused: the request names another address than that of these screens. Use the "
    "address that holdpoint dashboard prints."
)
FOREIGN_PAGE = "Refused: the request comes from a page that is not of these screens."
READ_ALONG = (
    "Without --certificate, whoever is on that network can read along, and with what "
    "was read decide in your place. Use it on a network of your own alone."
)


def more_in_file(count: int) -> str:
    """Say that a list goes on."""
    return f"{counted(count, 'more unit')}: Lists (CSV) above has them all."


REPLACED = "Record that a part was replaced"
REPLACED_MEANS = (
    "Solder unpowered, battery out, capacitors discharged. Each unit is measured again "
    "before it may leave."
)
REPLACED_NEEDS = "Say who decides, which units, which part, and the reel of the new one"
TO_THE_BENCH = "Measure again"


def then_measure(units: str) -> str:
    """Say what comes after a rework.

    >>> then_measure("PA-3005")
    'Now measure again: PA-3005. Then end the hold, where there is one.'
    """
    return f"Now measure again: {units}. Then end the hold, where there is one."


def after_rework(units: str) -> str:
    """Say on the page of the bench which units a rework has wait for it."""
    return f"To be measured again after rework: {units}."


NEVER_MEASURED = "It was never measured."
UNKNOWN_MEANS = "Type any part of a serial, or the whole name of a reel or a build."


def unknown(text: str) -> str:
    """Say that nothing is called so."""
    return f"Nothing is called {text}."


def another_is_shown(unknown: str, shown: str) -> str:
    """Say that the address names nothing that is here, and what is shown instead.

    >>> another_is_shown("unknown build 'B-9'", "B-3")
    "The address is of nothing here: unknown build 'B-9'. Shown below: B-3."
    """
    why = unknown.rstrip(".")
    return f"The address is of nothing here: {why}. Shown below: {shown}."


def strange_address(words: Sequence[str]) -> str:
    """Say which words of the address the page does not go by.

    >>> strange_address(["serial"])
    "This page does not go by 'serial' in its address. Choose below what to show."
    """
    named = ", ".join(map(repr, words))
    return (
        f"This page does not go by {named} in its address. Choose below what to show."
    )


def hold_is_over(hold: str) -> str:
    """Say that the address names a hold that does not stand."""
    return f"The address is of nothing here: no hold {hold!r} stands now."


def not_looked_up(text: str) -> str:
    """Say that nothing can be said of a name while the daemon is silent."""
    return f"{text} cannot be looked up while the daemon does not answer."


def several(count: int, text: str, *, more: bool) -> str:
    """Say that a text means several, of which one is to be chosen."""
    least = "At least " if more else ""
    return f"{least}{count} names have {text} in them. Which one?"


def traced_alt(headline: str) -> str:
    """Say in a sentence what the picture of units by parts shows."""
    return f"Which reel each part comes from, a column a unit. {headline}"


def shares_alt(serial: str, runs: int) -> str:
    """Say in a sentence what the picture of a unit's runs shows."""
    return (
        f"Error of unit {serial} as a share of its limit, a row a range, "
        f"{counted(runs, 'run')}; the numbers stand below."
    )


def origin(word: str) -> str:
    """Say how a run came: the word that its row has, for people.

    >>> origin("bench"), origin("typed")
    ('by the instruments', 'typed by hand')
    """
    return {
        "bench": "by the instruments",
        "typed": "typed by hand",
        "import": "from a file",
    }.get(word, word)


GONE = "The daemon does not answer"
HANGS = "the daemon does not answer"
NEVER = "It has not answered since these screens were started."
STARTS = (
    "It is stopped. Start it with: holdpoint daemon (holdpoint daemon --simulated, "
    "where the bench is simulated)"
)
RESTARTS = (
    "It runs. Where it stays silent for a minute, end it (Ctrl-C where it was started) "
    "and start it again with: holdpoint daemon"
)
BENCH_OFF = (
    "Source off now works only while it answers. Turn a source off with: "
    "holdpoint bench off"
)
WAS_LIVE = "It had the bench open: the source may still be on."
TYPED_STAYS = "What you type stays; this page goes on by itself."
NOTHING_YET = "Nothing to show yet."


def followed_build(name: str) -> str:
    """Say that the page goes on with a build that was opened meanwhile."""
    return (
        f"Build {name} was opened: units are measured into it from now on. Choose "
        "another one here if that is not meant."
    )


def into_older_build(chosen: str, newest: str) -> str:
    """Say that units go into another build than the newest."""
    return f"Units go into build {chosen}; the newest build is {newest}."


END_SESSION = "End the session"
END_MEANS = (
    "The check standard is measured once more: this closing check tells whether the "
    "bench stayed as it was. Then leads may be changed."
)
"""What the button means."""


def drop_order(order: Mapping[str, Any] | None) -> str:
    """Return the label of the button that drops an order until its unit is connected.

    Parameters
    ----------
    order
        Its `work` and `serial`.

    >>> drop_order({"work": "unit", "serial": "SM-001"})
    'Drop the order for SM-001'
    >>> drop_order({"work": "end session", "serial": None})
    'Go on without ending the session'
    """
    work, serial = (None, None) if order is None else (order["work"], order["serial"])
    if work == "check":
        return "Drop this check"
    if work == "end session":
        return "Go on without ending the session"
    return "Drop this order" if serial is None else f"Drop the order for {serial}"


def order_is(serial: str | None, now: Mapping[str, Any]) -> str:
    """Say how far the order is that the bench carries out.

    Parameters
    ----------
    serial
        Of its unit; None for an order of the bench itself.
    now
        What the daemon does: `prompt`, `phase` and `serial`.

    >>> check = {"prompt": None, "phase": "checking", "serial": "CS-1"}
    >>> order_is("SM-001", check)
    'waits for CS-1 first'
    >>> order_is("SM-001", check | {"phase": "measuring", "serial": "SM-001"})
    'is being measured'
    """
    prompt, phase = now["prompt"], now["phase"]
    if prompt is not None and not prompt["by_scan"]:
        return "waits for your answer"
    if prompt is None and phase == "waiting":
        return "begins now"
    if prompt is None and phase not in WITH_A_UNIT:
        return f"waits: {phase}"
    subject = now["serial"] if prompt is None else prompt["subject"]
    if subject != serial:
        return f"waits for {subject} first"
    return "is being measured" if prompt is None else "waits to be connected"


WITH_A_UNIT = {"connecting", "measuring", "checking", "reading again"}
"""What a bench does with one unit, or with the check standard."""
SCAN_CONFIRMS = "Scanning its label below confirms it too."
GOES_ON = "This page goes on by itself once it answers."


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """What is known of a daemon that does not answer."""

    since: datetime | None
    """When it last answered; None: never to these screens."""
    stopped: bool
    """Whether its process is gone; else it hangs."""
    with_bench: bool
    """Whether it had a bench open when it last answered."""

    def headline(self) -> str:
        """Say that it does not answer, and since when."""
        if self.since is None:
            return f"{GONE}."
        return f"{GONE}, since {clock(self.since)}."

    def lines(self, now: datetime) -> list[str]:
        """Say how old what is shown is, what to do, and how to turn the source off."""
        known = NEVER if self.since is None else f"{old(now - self.since)} {GOES_ON}"
        off = f"{WAS_LIVE} {BENCH_OFF}" if self.with_bench else BENCH_OFF
        return [off, STARTS if self.stopped else RESTARTS, known]


def old(age: timedelta) -> str:
    """Say how old what is shown is; it changes seldom, since it is read aloud.

    >>> old(timedelta(seconds=20))
    'What is shown is less than a minute old.'
    >>> old(timedelta(minutes=75))
    'What is shown is 1 hour old.'
    """
    for seconds, name in ((86400, "day"), (3600, "hour"), (60, "minute")):
        if (count := int(age.total_seconds() // seconds)) >= 1:
            return f"What is shown is {counted(count, name)} old."
    return "What is shown is less than a minute old."


def clock(at: datetime) -> str:
    """Return the time of day as clocks on this machine show it.

    >>> from datetime import UTC
    >>> len(clock(datetime(2026, 11, 29, 12, 0, 5, tzinfo=UTC)))
    8
    """
    return f"{at.astimezone():%H:%M:%S}"
