"""A range that makes many times too much or too little of its input, in words."""

from collections.abc import Iterable
from math import log10

from daemon.judging.product import ProductModel
from storage import RangeResult

TIMES = 2.0
"""More than so many times too much, or too little, is no part within any tolerance."""
NOTHING = 0.001
"""Times what it should be, below which an output is dead."""
DECADE_WITHIN = 0.1
"""Of a power of ten, in decades: what reads so is a part of the wrong one."""


def wrong_decades(
    product: ProductModel, results: Iterable[RangeResult]
) -> tuple[str, ...]:
    """Return a sentence for each range that reads many times what it should.

    It names the likely cause: the range's own part, of the wrong decade where the
    reading is off by a power of ten, or a switch that stands elsewhere.
    """
    return tuple(
        _said(product, one.range, 1 + one.error_ppm * 1e-6)
        for one in results
        if not 1 / TIMES < 1 + one.error_ppm * 1e-6 < TIMES
    )


def _said(product: ProductModel, key: str, times: float) -> str:
    model = product.range(key)
    names = " or ".join(model.alike) or model.part
    part = "" if names is None else f" ({names})"
    if abs(times) < NOTHING:
        return (
            f"Range {model.title} puts out next to nothing: see that the unit is "
            f"switched on, and that no part there{part} is shorted or missing."
        )
    decades = log10(abs(times))
    if round(decades) and abs(decades - round(decades)) < DECADE_WITHIN:
        kind = "a part of the wrong decade is on the board"
    else:
        kind = "a wrong part is on the board, or it is damaged"
    return (
        f"Range {model.title} reads {times:.3g} times what it should: {kind}{part}, "
        "or the unit's switch stands in another range."
    )
