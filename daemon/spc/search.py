"""The smallest whole number that will do."""

from collections.abc import Callable


def smallest(holds: Callable[[int], bool], *, at_least: int) -> int:
    """Return the first whole number from `at_least` on for which `holds` is true.

    Whatever holds for a number must hold for every larger one; some must do.

    Examples
    --------
    >>> smallest(lambda n: n * n > 50, at_least=3)
    8
    """
    if holds(at_least):
        return at_least
    step = 1
    while not holds(at_least + step):
        step *= 2
    low, high = at_least + step // 2, at_least + step
    while high - low > 1:
        middle = (low + high) // 2
        if holds(middle):
            high = middle
        else:
            low = middle
    return high
