"""What somebody planted on a simulated bench, in words."""

from collections.abc import Mapping
from typing import Any

from daemon.presentation.figures import PPM_PER_PERCENT, counted, signed

__all__ = ["planted"]

WHAT = {
    "reel": "a reel that makes range {range} read {size}",
    "slip": "one unit seated so badly that range {range} reads {size}",
    "meter": "the output meter reads {size} on every range",
}


def planted(plant: Mapping[str, Any], title: str) -> str:
    """Return one thing that was planted in a sentence.

    Parameters
    ----------
    plant
        As the simulated bench tells it.
    title
        Of the range; "" for the meter.

    Examples
    --------
    >>> one = {"kind": "reel", "size_ppm": 3000.0, "after": 0, "first_serial": "U-4"}
    >>> planted(one, "1 mA")
    'Planted: a reel that makes range 1 mA read +0.30 %. It came with unit U-4.'
    >>> planted({**one, "after": 2, "first_serial": None}, "1 mA")[-37:]
    'It comes after 2 more new good units.'
    """
    size = f"{signed(float(plant['size_ppm']) / PPM_PER_PERCENT, 2)} %"
    what = WHAT[str(plant["kind"])].format(range=title, size=size)
    if plant["first_serial"] is not None:
        when = f"It came with unit {plant['first_serial']}."
    elif plant["after"]:
        when = f"It comes after {counted(int(plant['after']), 'more new good unit')}."
    else:
        when = "It comes with the next new unit."
    return f"Planted: {what}. {when}"
