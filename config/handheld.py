"""A bench without a file: two meters that a person reads, known by one sentence.

Most makers begin with two handheld meters and a sheet. What their data sheet says,
such as "0.5 % + 2 digits", is enough to judge what was read from them.
"""

import re
from typing import Annotated

from pydantic import AfterValidator, Field

from config.bench import (
    BY_HAND,
    COMPLIANCE_DEFAULT_MAX_V,
    LARGEST_FULL_SCALE,
    Bench,
    Instrument,
    MeterRange,
)
from config.product import Product
from config.profile import TYPED

__all__ = [
    "USUAL_METERS",
    "Meters",
    "accuracy",
    "accuracy_words",
    "handhelds",
    "meters_words",
]

USUAL_METERS = "0.5 % + 2 digits"
"""Of a handheld meter where nothing is said (common practice, no source)."""
_COUNTS = 2_000
"""Of a display where nothing is said: the coarsest that is sold."""
_MOST_COUNTS = 100_000_000
_WORST_PPM = 100_000.0
_DECADES = range(-16, 3)
"""Powers of ten of the last digit of a meter that chooses its range by itself."""
_MEASURING_RANGE = re.compile(r"[0-9]\s*[pnum\u00b5\u03bckM]?[AV]\b")
_SENTENCE = re.compile(
    r"(?P<share>[0-9]+(?:[.,][0-9]+)?)\s*(?P<mark>%|ppm)(?:\s*of\s+reading)?"
    r"(?:\s*\+\s*(?P<digits>[0-9]{1,4})\s*(?:digits?|dgts?|d|counts?)?)?"
    r"(?:[\s,;]+(?P<counts>[0-9]{3,9})\s*counts)?",
    re.IGNORECASE,
)


def accuracy(text: str) -> tuple[float, int, int]:
    """Return a meter's share of reading in ppm, its digits, and its counts.

    Raises
    ------
    ValueError
        The text is no accuracy of a meter.
    """
    found = _SENTENCE.fullmatch(text.strip())
    if found is None:
        message = (
            "must be such as '0.5 % + 2 digits', or '0.05 % + 3 digits, 6000 counts'"
        )
        if _MEASURING_RANGE.search(text):
            message += (
                "; leave the measuring range out, and write how many counts the "
                "display has"
            )
        raise ValueError(message)
    share_ppm = float(found["share"].replace(",", "."))
    share_ppm *= 1e4 if found["mark"] == "%" else 1.0
    digits = int(found["digits"] or 0)
    counts = int(found["counts"] or _COUNTS)
    if not share_ppm + digits or share_ppm > _WORST_PPM or counts > _MOST_COUNTS:
        message = "must be > 0 and <= 10 % of reading"
        raise ValueError(message)
    if digits >= counts:
        message = f"a display of {counts} counts has fewer digits to be off"
        raise ValueError(message)
    return share_ppm, digits, counts


def accuracy_words(share_ppm: float, digits: int, counts: int) -> str:
    """Return the sentence that `accuracy` reads.

    >>> accuracy_words(300.0, 2, 2000), accuracy_words(25.0, 3, 60000)
    ('0.03 % of reading + 2 digits', '0.0025 % of reading + 3 digits, 60000 counts')
    """
    share = f"{share_ppm / 1e4:.6f}".rstrip("0").rstrip(".")
    end = f" + {digits} digit{'s' if digits > 1 else ''}" if digits else ""
    display = "" if counts == _COUNTS else f", {counts} counts"
    return f"{share} % of reading{end}{display}"


def _checked(text: str) -> str:
    accuracy(text)
    return text


Meters = Annotated[str, Field(max_length=60), AfterValidator(_checked)]
"""How good a meter is, as its data sheet says it."""


def handhelds(
    product: Product, meters: str | None, output_meter: str | None = None
) -> Bench:
    """Return the bench of readings that nobody took with instruments of a file.

    Both meters choose their range by themselves. Nothing is ever driven by it.

    Parameters
    ----------
    meters
        How good they are; None for what is usual of handheld ones.
    output_meter
        How good the one is that reads what comes out, where it is another.
    """
    return Bench(
        name="readings by hand",
        compliance_v=min(product.input_absolute_maximum_v, COMPLIANCE_DEFAULT_MAX_V),
        source_limit=max(one.source_limit for one in product.ranges.values()),
        source=Instrument(address=BY_HAND, profile=TYPED),
        reference=_meter(meters),
        output=_meter(output_meter or meters),
    )


def _meter(text: str | None) -> Instrument:
    """Return a meter with every range that its display may have.

    The largest ends where no meter reads further, though its display would: it shows
    fewer counts there, as meters do (common practice, no source).

    Examples
    --------
    >>> [round(ppm) for ppm in accuracy("0.05 % + 3 digits, 6000 counts")]
    [500, 3, 6000]
    >>> _meter("0.05 % + 3 digits, 6000 counts").ranges[0].of_range_ppm
    500.0
    >>> fine = _meter("0.03 % + 2 digits, 50000 counts")
    >>> [one.full_scale for one in fine.ranges[-2:]]
    [500.0, 1000.0]
    """
    share_ppm, digits, counts = accuracy(text or USUAL_METERS)
    return Instrument(
        address=BY_HAND,
        profile=TYPED,
        ranges=tuple(
            MeterRange(
                full_scale=(
                    scale := min(float(f"{counts}e{power}"), LARGEST_FULL_SCALE)
                ),
                of_reading_ppm=share_ppm,
                of_range_ppm=1e6 * digits * 10.0**power / scale,
                resolution=10.0**power,
            )
            for power in _DECADES
            if float(f"{counts}e{power - 1}") < LARGEST_FULL_SCALE
        ),
    )


def meters_words(meters: str | None, output_meter: str | None = None) -> str:
    """Say which meters typed and imported readings are judged with.

    >>> meters_words("0.05 % + 3 digits")
    'Readings are judged as those of meters of 0.05 % + 3 digits (plan.toml).'
    >>> meters_words("1 %", "0.5 %")
    'What goes in is judged as read by a meter of 1 %, what comes out by one of 0.5 % \
(plan.toml).'
    """
    if output_meter is not None:
        return (
            f"What goes in is judged as read by a meter of {meters or USUAL_METERS}, "
            f"what comes out by one of {output_meter} (plan.toml)."
        )
    if meters is not None:
        return f"Readings are judged as those of meters of {meters} (plan.toml)."
    return (
        f"Nothing says how good your meters are: they are taken as handheld ones of "
        f"{USUAL_METERS}. If yours are better, write it at the top of plan.toml, such "
        'as: meters = "0.05 % + 3 digits"'
    )
