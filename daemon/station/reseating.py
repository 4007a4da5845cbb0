"""One unit far from what was expected: seated again, measured once more, and told.

A poor contact looks like one odd part. The unit is seated and measured once more, and
never again: to test until it passes is no measurement. Both runs are kept, the second
is the one that is watched, and the first counts for the first-pass yield.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
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
    """
    recorded = measure(rerun_of=rerun_of, note=None)
    far = [] if rerun_of is not None else cycle.far_off(recorded.number)
    if not far:
        return Seated(recorded=recorded)
    if ask is None:
        return Seated(recorded=recorded, remarks=(by_hand(serial, far),))
    first_taken(recorded)
    ask(question(serial, far))
    again = measure(rerun_of=recorded.run, note=f"{far_off(serial, far)}: seated again")
    still = cycle.far_off(again.number)
    return Seated(recorded=again, remarks=(after(serial, far, still),), before=recorded)


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
    >>> far_off("PA-7", ["1 uA", "10 uA", "1 mA"])[-30:]
    'on ranges 1 uA, 10 uA and 1 mA'
    """
    ranges = "range" if len(titles) == 1 else "ranges"
    *others, last = titles
    named = f"{', '.join(others)} and {last}" if others else last
    return f"Unit {serial} reads far from what was expected on {ranges} {named}"


def question(serial: str, titles: Sequence[str]) -> str:
    """Ask whoever stands at the bench to seat the unit once more.

    Examples
    --------
    >>> question("PA-7", ["1 mA"]).startswith("Unit PA-7 reads far")
    True
    """
    return (
        f"{far_off(serial, titles)}. Seat it and its leads again, then confirm: it is "
        "measured once more, and both runs are kept."
    )


def after(serial: str, titles: Sequence[str], still: Sequence[str]) -> str:
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
