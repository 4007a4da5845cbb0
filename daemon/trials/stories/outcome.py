"""A story's findings beside what truly happened: how late, how right, how false."""

from collections.abc import Mapping, Sequence
from typing import Any

from storage import Signal

TRUTH_KEYS = (
    "build",
    "cause",
    "range",
    "part",
    "reel",
    "first_serial",
    "size_ppm",
    "implied_ohm",
)


def truth_of(said: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the simulator did, in the keys of a finding."""
    return {key: said[key] for key in TRUTH_KEYS}


def findings(signals: Sequence[Signal]) -> list[dict[str, Any]]:
    """Return findings as plain values, the latest revision of each."""
    return [
        {
            "build": one.build,
            "cause": str(one.cause),
            "range": one.range,
            "part": one.part,
            "reel": one.reel,
            "first_serial": one.first_serial,
            "size_ppm": round(one.size_ppm, 1),
            "interval_ppm": [round(one.low_ppm, 1), round(one.high_ppm, 1)],
            "implied_ohm": one.implied_ohm,
            "implied_interval_ohm": [
                round(end, 4) for end in one.basis.implied_interval_ohm
            ]
            or None,
            "probability": round(one.probability, 4),
            "raised_at_serial": one.raised_serial,
            "holds": one.holds,
            "standing": one.standing,
            "withdrawn": one.withdrawn,
            "spread_factor": one.basis.spread_factor,
        }
        for one in signals
    ]


def score(
    found: Sequence[Mapping[str, Any]],
    truth: Mapping[str, Any] | None,
    serials: Sequence[str],
) -> tuple[int | None, int]:
    """Return how many bad units it took, and how many findings were false.

    Parameters
    ----------
    found
        `findings`.
    truth
        What the simulator did; None when nothing was wrong.
    serials
        All units in the order they were measured.

    Returns
    -------
    delay_units : int or None
        Units of the bad reel measured when the finding was raised, 1 for the
        first of them; None when no finding that holds and still stands says so.
    false_holds : int
        Findings that held a build in which nothing was wrong yet, whether or not they
        were withdrawn later: somebody had to look.
    """
    place = {serial: index for index, serial in enumerate(serials)}
    false = 0
    delay: int | None = None
    for one in found:
        if not one["holds"]:
            continue
        raised = place[one["raised_at_serial"]]
        if truth is None or raised < place[truth["first_serial"]]:
            false += 1
        elif one["build"] == truth["build"] and delay is None and one["standing"]:
            delay = raised - place[truth["first_serial"]] + 1
    return delay, false
