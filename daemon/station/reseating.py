"""One unit far from what was expected: seated again, measured once more, and told.

A poor contact looks like one odd part. The unit is seated and measured once more, and
never again: to test until it passes is no measurement. Both runs are kept, the second
is the one that is watched, and the first counts for the first-pass yield.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import hypot
from typing import Protocol

from daemon.station.cycle import Cycle, Recorded


class Measure(Protocol):
    """Measures and records the unit that is seated now."""

    def __call__(self, *, rerun_of: str | None, note: str | None) -> Recorded:
        """Return the run as it was recorded; it is not watched yet."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Seated:
    """A unit's run that counts, what to say of it, and the one it takes the place of.

    `before` is None where the unit was seated once.
    """

    recorded: Recorded
    remarks: tuple[str, ...] = ()
    before: Recorded | None = None


def measured(
    serial: str,
    measure: Measure,
    cycle: Cycle,
    *,
    rerun_of: str | None = None,
    ask: Callable[[str], object] | None = None,
    first_taken: Callable[[Recorded], None] = lambda _: None,
    typed: bool = False,
) -> Seated:
    """Measure a unit, and once more where it reads so odd that its seat is in doubt.

    Nothing is watched here, so nothing is raised before the second run is there.
    Should the second never come, the first is watched.

    Parameters
    ----------
    serial
        Of the unit.
    measure
        Called once or twice, never more.
    cycle
        Knows whether a run is odd.
    rerun_of
        The unit's run before; one that was measured before is not asked for again.
    ask
        Has somebody seat the unit again, returns when that is done. None where nobody
        can be asked: then it is only remarked.
    first_taken
        Told the first run before the question.
    typed
        Whether a person types the readings: then a slip is likelier than a contact.
    """
    recorded = measure(rerun_of=rerun_of, note=None)
    far = [] if rerun_of is not None else cycle.far_off(recorded.number)
    if not far:
        return Seated(recorded=recorded)
    if ask is None:
        return Seated(recorded=recorded, remarks=(by_hand(serial, far),))
    first_taken(recorded)
    ask(question(serial, far, typed=typed))
    again = measure(rerun_of=recorded.run, note=f"{far_off(serial, far)}: seated again")
    still = cycle.far_off(again.number) or _reads_alike(recorded, again, far, cycle)
    return Seated(
        recorded=again,
        remarks=(after(serial, far, still, typed=typed),),
        before=recorded,
    )


def _reads_alike(
    first: Recorded, second: Recorded, titles: Sequence[str], cycle: Cycle
) -> list[str]:
    """Return titles of the ranges where the second run shows what the first showed.

    The first run of two like ones explains the second: alone that one is odd no more,
    and yet it reads as far off. Alike is inside the expanded uncertainty (k = 2) of
    the two runs' difference, as if they shared none.
    """
    before = {one.range: one for one in first.results}
    alike = []
    for one in second.results:
        title = cycle.product.range(one.range).title
        if title not in titles or one.range not in before:
            continue
        apart_ppm = abs(one.error_ppm - before[one.range].error_ppm)
        both_ppm = hypot(one.uncertainty_ppm, before[one.range].uncertainty_ppm)
        if apart_ppm <= 2.0 * both_ppm:
            alike.append(title)
    return alike


def far_off(serial: str, titles: Sequence[str]) -> str:
    """Say what is odd about a unit.

    Parameters
    ----------
    serial
        Of the unit.
    titles
        Of its ranges that are far off.

    Examples
    --------
    >>> far_off("PA-7", ["1 mA"])
    'Unit PA-7 reads far from what was expected on range 1 mA'
    >>> far_off("PA-7", ["1 µA", "10 µA", "1 mA"])[-30:]
    'on ranges 1 µA, 10 µA and 1 mA'
    """
    ranges = "range" if len(titles) == 1 else "ranges"
    *others, last = titles
    named = f"{', '.join(others)} and {last}" if others else last
    return f"Unit {serial} reads far from what was expected on {ranges} {named}"


def question(serial: str, titles: Sequence[str], *, typed: bool = False) -> str:
    """Ask whoever stands at the bench to seat the unit once more.

    Examples
    --------
    >>> question("PA-7", ["1 mA"]).startswith("Unit PA-7 reads far")
    True
    """
    if typed:
        return (
            f"{far_off(serial, titles)}. Was a reading typed wrong? Set the source to "
            "zero. Seat the unit and its leads again. Then read once more all that you "
            "read before: moved leads may change every range. Both runs are kept."
        )
    return (
        f"{far_off(serial, titles)}. Seat it and its leads again, then confirm: it is "
        "measured once more, and both runs are kept."
    )


def after(
    serial: str, titles: Sequence[str], still: Sequence[str], *, typed: bool = False
) -> str:
    """Say what the second run showed.

    Parameters
    ----------
    serial, titles
        As they were far off in the first run.
    still
        Titles of the ranges that are far off in the second one too.

    Examples
    --------
    >>> after("PA-7", ["1 mA"], [])[-70:]
    'seated again and measured once more it does not: look at the contacts.'
    """
    said = f"{far_off(serial, titles)}; seated again and measured once more it "
    if still:
        return f"{said}still does: its contacts are not the cause."
    if typed:
        return f"{said}does not: a poor contact, or a reading that was typed wrong."
    return f"{said}does not: look at the contacts."


def by_hand(serial: str, titles: Sequence[str]) -> str:
    """Say what to do where nobody could be asked.

    Examples
    --------
    >>> by_hand("PA-7", ["1 mA"])[-50:]
    'read it once more, as a rerun; both runs are kept.'
    """
    return (
        f"{far_off(serial, titles)}: seat it and its leads again and read it once "
        "more, as a rerun; both runs are kept."
    )
