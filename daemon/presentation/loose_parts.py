"""Loose parts in sentences: how they are measured, what they say, what becomes."""

from collections.abc import Sequence
from math import ceil, log
from typing import TYPE_CHECKING

from daemon import metrology, spc
from daemon.metrology import Circuit
from daemon.presentation.figures import (
    PPM_PER_PERCENT,
    capital,
    counted,
    ohm,
    percent,
    prefixed,
    share,
)

if TYPE_CHECKING:
    from storage import Reel

RISK = 0.05
"""Share of bad reels among the accepted that a sample is reckoned for."""
ODD_PARTS, SURE = 0.10, 0.95
"""So many parts outside are worth excluding by reading more, and how surely."""
NUMBERS = {
    Circuit.FOUR_WIRE: "one number a part, in ohm, such as 5.0012k",
    Circuit.TWO_WIRE: "one number a part, in ohm, such as 5.0012k",
    Circuit.VOLTS_AMPERES: (
        "must be volts/amperes, such as 1.0003/200u, or with the current reversed "
        "1.0003/200u/-1.0001/-200u"
    ),
    Circuit.RATIO: (
        "must be volts across the part/volts across the standard, such as "
        "1.0005/1.0001, or with the current reversed 1.0005/1.0001/-1.0004/-1.0000"
    ),
}
"""What is typed for one part, by circuit."""
NAMES = {
    Circuit.FOUR_WIRE: "Four-wire ohms",
    Circuit.TWO_WIRE: "Two-wire ohms, leads taken off",
    Circuit.VOLTS_AMPERES: "Volts and amperes",
    Circuit.RATIO: "Ratio to a standard resistor",
}
LOOSE = "Loose parts only: no power, out of the board, no fingers on them."
"""What to see to before any part is read."""


def _label(tolerance_ppm: float) -> str:
    return f"{tolerance_ppm / PPM_PER_PERCENT:g} %"


def two_wire_refused(
    nominal_ohm: float, tolerance_ppm: float, contacts_ppm: float
) -> str:
    """Say why two wires cannot judge a part.

    >>> two_wire_refused(49.9, 1_000.0, 401.0)
    'two wires cannot judge 0.1 % at 49.9 Ω: contacts alone differ by some 20 mΩ from \
part to part, which is 0.04 %. Measure four-wire, by volts and amperes, or by ratio'
    """
    contact = ohm(metrology.CONTACT_OHM)
    return (
        f"two wires cannot judge {_label(tolerance_ppm)} at {ohm(nominal_ohm)}: "
        f"contacts alone differ by some {contact} from part to part, which is "
        f"{contacts_ppm / PPM_PER_PERCENT:.2g} %. Measure four-wire, by volts and "
        "amperes, or by ratio"
    )


def how_to(nominal_ohm: float, tolerance_ppm: float) -> list[str]:
    """Say how parts of a label are best measured."""
    said = [LOOSE]
    if metrology.two_wire_refused(nominal_ohm, tolerance_ppm) is not None:
        said.append(
            "Measure four-wire: two for the current, two for the voltage, these nearer "
            "to the part. Two wires are refused here, since their contacts count."
        )
    if (leak := metrology.leak_ppm(nominal_ohm)) is not None:
        said.append(
            "Guard it: dirt and damp across the part read as a lower value, "
            f"{leak / PPM_PER_PERCENT:.2g} % with 100 GΩ. Hang the part free in air, "
            "clean its body, shield it, put the meter's guard around the high side, "
            "and wait until the reading stands."
        )
    return said


def sample(found: "spc.Sample", *, reel: str) -> list[str]:
    """Say how many parts to measure, and why.

    >>> from daemon import spc
    >>> sample(spc.sample_of(1000.0, uncertainty_ppm=60.0), reel="K-7")[0]
    'Measure 5 parts of reel K-7, from different places of it.'
    """
    worse = _label(found.suspect_ppm)
    if found.parts is None:
        return [
            (
                f"No sample of reel {reel} tells {_label(found.tolerance_ppm)} from "
                f"{worse} with this meter: use a better one."
            )
        ]
    before = "Without earlier reels, one in two"
    if found.judged:
        earlier = counted(found.judged, "earlier reel")
        before = f"By {earlier} of the supplier, {share(found.bad_before)}"
    return [
        (
            f"Measure {counted(found.parts, 'part')} of reel {reel}, from different "
            "places of it."
        ),
        (
            f"A reel that is truly {worse} then passes with {share(found.missed)}. "
            f"{before} is taken to be bad; of reels that are accepted "
            f"{share(found.bad_after)} will be."
        ),
    ]


def became(found: "spc.Received", *, reel: str) -> list[str]:
    """Say what becomes of a reel, and why."""
    check, label = found.check, _label(found.claim.tolerance_ppm)
    half_ppm = (check.high_ppm - check.low_ppm) / 2
    mean = (
        f"Mean of its parts: {percent(check.mean_ppm, half_ppm)} from nominal "
        f"({percent(check.low_ppm, half_ppm)} to {percent(check.high_ppm, half_ppm)} "
        "with 95 %)."
    )
    if found.receipt is spc.Receipt.REJECTED:
        return [
            f"Reject reel {reel}: its parts do not keep to {label}.",
            (
                f"{_parts(check.outside)} outside by more than the meter may be wrong. "
                f"They look most like {_likeliest(found)}."
            ),
            mean,
        ]
    if found.receipt is spc.Receipt.ACCEPTED:
        return [
            f"Accept reel {reel}: nothing speaks against its {label}.",
            (
                f"All that were read are inside {label}, and lie as parts of this "
                f"class do ({share(found.label_ppm)} sure)."
            ),
            mean,
            _odd_parts(check.missed_share),
        ]
    return [f"Reel {reel} is undecided: {_why_open(found, label)}", mean]


def _odd_parts(missed_share: float) -> str:
    """Say what a few good parts leave open: not the reel, but single parts of it.

    >>> _odd_parts(0.451)
    'It says nothing of single odd parts among the others: units show them. To know \
beforehand that at most 10 % are outside, read 29 parts (with 95 %).'
    """
    if missed_share <= ODD_PARTS:
        left = f"{100 * missed_share:.0f} %"
        return f"At most {left} of its parts are outside (with 95 %)."
    # All good of n: by the binomial, at most 1 - 0.05 ** (1 / n) are bad.
    needed = ceil(log(1.0 - SURE) / log(1.0 - ODD_PARTS))
    return (
        "It says nothing of single odd parts among the others: units show them. To "
        f"know beforehand that at most {100 * ODD_PARTS:.0f} % are outside, read "
        f"{needed} parts (with 95 %)."
    )


def _why_open(found: "spc.Received", label: str) -> str:
    more = counted(found.more, "more part")
    if found.open is spc.Open.POOR:
        return (
            f"a reading may be wrong by {_share(2 * found.uncertainty_ppm)} (k = 2), "
            f"and {label} needs {_share(2 * found.needed_ppm)} or better. Use a better "
            "meter, or a ratio to a standard resistor."
        )
    if found.open is spc.Open.NEAR:
        near = _parts(found.check.undecided)
        return (
            f"{near[0].lower()}{near[1:]} so near the limit of {label} that the meter "
            f"may be wrong. Measure {more}, or these with a better meter."
        )
    if found.open is spc.Open.FEW:
        return f"measure {more}."
    return (
        f"all parts are inside {label}, but they spread as parts of a wider class do "
        f"({_likeliest(found)}). Measure {more}."
    )


def _likeliest(found: "spc.Received") -> str:
    best = max(found.claim.classes, key=lambda one: one.probability)
    return f"class {_label(best.tolerance_ppm)} ({share(best.probability)})"


def _share(value_ppm: float) -> str:
    return f"{value_ppm / PPM_PER_PERCENT:.2g} %"


def _parts(places: Sequence[int]) -> str:
    named = ", ".join(str(one + 1) for one in places)
    return f"Part {named} is" if len(places) == 1 else f"Parts {named} are"


def why_rejected(found: "spc.Received", *, tolerance_ppm: float, incoming: bool) -> str:
    """Return the reason of the hold on a reel that was rejected.

    Parameters
    ----------
    incoming
        No unit carried the reel yet.
    """
    parts = counted(len(found.check.outside), "loose part")
    when = "at receiving" if incoming else "when it fed a part already"
    return f"rejected {when}: {parts} outside its {_label(tolerance_ppm)}"


def unsure(shares: "Sequence[metrology.Share]", *, tolerance_ppm: float) -> str:
    """Say what the measurement leaves unsure, the largest source first.

    >>> from daemon import metrology
    >>> unsure(metrology.shares(Circuit.TWO_WIRE, 1000.0, meter_ppm=200.0),
    ...        tolerance_ppm=1000.0)
    'Each reading is sure to 0.023 % (k = 2), 23 % of the tolerance: ohmmeter 0.012 %, \
contacts 0.0012 %.'
    """
    both = 2 * metrology.together_ppm(shares)
    named = ", ".join(
        f"{one.name} {_share(one.standard_ppm)}" for one in shares if one.standard_ppm
    )
    return (
        f"Each reading is sure to {_share(both)} (k = 2), "
        f"{100 * both / tolerance_ppm:.0f} % of the tolerance: {named}."
    )


def understood(readings_ohm: Sequence[float], nominal_ohm: float) -> str:
    """Say how typed parts were understood.

    >>> understood([5001.5, 5002.0], 5000.0)
    'Understood: +0.030 %, +0.040 % from 5 kΩ.'
    """
    said = ", ".join(
        percent(1e6 * (one / nominal_ohm - 1), 50.0) for one in readings_ohm
    )
    return f"Understood: {said} from {ohm(nominal_ohm)}."


def heated(found: "metrology.Heating", *, tolerance_ppm: float) -> str:
    """Say what the measuring current does.

    >>> from daemon import metrology
    >>> heated(metrology.heating(100.0, 10e-3, 25.0), tolerance_ppm=1000.0)
    'The current heats the part: 10.0 mW, some 2.5 K, which moves it by up to 0.0063 %.'
    """
    said = (
        f"The current heats the part: {prefixed(found.power_w, 'W', digits=3)}, some "
        f"{found.rise_k:.2g} K, which moves it by up to {_share(found.change_ppm)}."
    )
    if found.change_ppm > tolerance_ppm / 10:
        said += " That is much: use a third of the current, which heats a ninth."
    return said


def two_wires(two_wire_ohm: float, four_wire_ohm: float) -> str:
    """Say why a two-wire reading is another one than the four-wire one.

    >>> two_wires(100.31, 100.02)
    'Two wires read 290 mΩ more than four: that is the leads and contacts, which four \
wires leave out. Take the four-wire reading.'
    """
    between = metrology.between_wires(two_wire_ohm, four_wire_ohm)
    difference_ohm = two_wire_ohm - four_wire_ohm
    size = ohm(float(f"{abs(difference_ohm):.2g}"))
    if between is metrology.Between.LEADS:
        return (
            f"Two wires read {size} more than four: that is the leads and contacts, "
            "which four wires leave out. Take the four-wire reading."
        )
    if between is metrology.Between.LESS:
        return (
            f"Two wires read {size} less than four, which leads cannot do: a sense "
            "lead is off or outside the part, or it was another part. Read both again."
        )
    return (
        f"Two wires read {size} more than four, more than leads come to: a contact is "
        "bad, or it was another part. Read both again."
    )


def mark(text: str, reel: "Reel") -> list[str]:
    """Say what is printed on a part, and whether that is what the label says.

    Raises
    ------
    daemon.metrology.errors.MarkError
        It is no mark.
    """
    read = metrology.read_mark(text)
    said = [f"{text} is {ohm(read.value_ohm)}."]
    if abs(read.value_ohm / reel.nominal_ohm - 1) > reel.tolerance_ppm / 1e6:
        said.append(f"The label says {ohm(reel.nominal_ohm)}: these are other parts.")
    stated = read.tolerance_percent
    if stated is not None and stated * PPM_PER_PERCENT > reel.tolerance_ppm:
        said.append(
            f"{capital(text)} is how {stated:g} % parts are marked, and the label says "
            f"{_label(reel.tolerance_ppm)}."
        )
    return said
