"""One unit far off on one range: what a person is asked, and what is said of it.

A poor contact looks like one odd part. The unit is seated and measured once more, and
never again: to test until it passes is no measurement. Both runs are kept, the second
is the one that is watched, and the first counts for the first-pass yield.
"""

from collections.abc import Sequence


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
    'Unit PA-7 alone reads far from the others on range 1 mA'
    """
    ranges = "range" if len(titles) == 1 else "ranges"
    return f"Unit {serial} alone reads far from the others on {ranges} " + " and ".join(
        titles
    )


def question(serial: str, titles: Sequence[str]) -> str:
    """Ask whoever stands at the bench to seat the unit once more.

    Examples
    --------
    >>> question("PA-7", ["1 mA"]).startswith("Unit PA-7 alone reads far")
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
    >>> after("PA-7", ["1 mA"], [])[-68:]
    'seated again and measured once more it is not: look at the contacts.'
    """
    said = f"{far_off(serial, titles)}; seated again and measured once more it "
    if still:
        return f"{said}still is: the unit itself differs, not its contacts."
    return f"{said}is not: look at the contacts."


def by_hand(serial: str, titles: Sequence[str]) -> str:
    """Say what to do where a person reads the meters.

    Examples
    --------
    >>> by_hand("PA-7", ["1 mA"])[-50:]
    'read it once more, as a rerun; both runs are kept.'
    """
    return (
        f"{far_off(serial, titles)}: seat it and its leads again and read it once "
        "more, as a rerun; both runs are kept."
    )
