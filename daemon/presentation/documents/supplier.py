"""The nonconformance report to whoever supplied a reel."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from daemon.metrology import MarkError, read_mark
from daemon.presentation.documents.blocks import (
    Block,
    Column,
    Facts,
    Grid,
    Heading,
    Listed,
    Paper,
    Pictures,
    Prose,
    Signature,
)
from daemon.presentation.documents.content import (
    Image,
    InstrumentLine,
    Sample,
    StandardLine,
    ToleranceClass,
    UnitValue,
)
from daemon.presentation.documents.of_bench import instruments, standards_said
from daemon.presentation.figures import (
    COVERAGE,
    MOST_DIGITS,
    NONE,
    PPM_PER_PERCENT,
    ShareUnit,
    between,
    capital,
    counted,
    day,
    decimals_for,
    label_limits,
    moment,
    move,
    ohm,
    part_value,
    share,
    signed,
    tolerance,
)
from daemon.presentation.sentences import FEWEST_TO_SCATTER

ABOUT_CLASSES = (
    "Which tolerance class the parts may be of (IEC 60062) if they are of the value on "
    "the label, each class taken as equally likely beforehand. It follows from a model "
    "of how parts fill a class; it is an estimate, not a measurement."
)
ABOUT_UNITS = (
    "Error: how far the finished unit reads off on the range, of reading. The "
    "\N{PLUS-MINUS SIGN} beside it is its expanded uncertainty (k = 2, about 95 %, "
    "JCGM 100:2008)."
)
MOST_UNITS = 40
HALF = 0.5
WIDER = 2.0
"""From this multiple of the usual scatter on it is worth a sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplierReport:
    """What does not conform to its label, for whoever supplied it.

    Nothing of the maker's own affairs stands in it: neither its holds nor what it does
    next.

    `incompatible` is the probability that more than a twentieth of the parts lie
    outside the claim. `size_ppm` with its 95 % interval is the move of the range,
    found on `units` finished units from `first_serial` on; `part_ohm` with its interval
    the value of the parts that explains it. `cause` is the probability that it is these
    parts. `withdrawn` says why its finding stands no more; the report then claims
    nothing and asks for nothing.
    """

    number: str
    issued_at: datetime
    issuer: str
    supplier: str
    reel: str
    part: str
    nominal_ohm: float
    tolerance_ppm: float
    product: str
    method: tuple[str, ...]
    asked: tuple[str, ...]
    ranges: tuple[str, ...] = ()
    received_at: datetime | None = None
    marking: str | None = None
    quantity: int | None = None
    date_code: str | None = None
    lot_code: str | None = None
    invoice: str | None = None
    claim_until: datetime | None = None
    units: int | None = None
    first_serial: str | None = None
    size_ppm: float | None = None
    low_ppm: float | None = None
    high_ppm: float | None = None
    part_ohm: float | None = None
    part_low_ohm: float | None = None
    part_high_ohm: float | None = None
    spread_factor: float = 1.0
    cause: float | None = None
    incompatible: float | None = None
    classes: tuple[ToleranceClass, ...] = ()
    either: str = ""
    """Parts that it may be, each with its value, where readings cannot tell which."""
    other_value: str = ""
    """Which other preferred value would explain it, in a sentence."""
    measured: tuple[UnitValue, ...] = ()
    others: int = 0
    """Units with other reels that were measured; the last of them are in `measured`."""
    elsewhere: int = 0
    """Units with the reel that were measured and are of another build than the
    finding."""
    instruments: tuple[InstrumentLine, ...] = ()
    standards: tuple[StandardLine, ...] = ()
    samples: tuple[Sample, ...] = ()
    label: Image | None = None
    charts: tuple[Image, ...] = ()
    photos: tuple[Image, ...] = ()
    withdrawn: str | None = None
    contact: str = ""

    def paper(self) -> Paper:
        """Return its parts in order."""
        return supplier_report(self)

    @property
    def claimed(self) -> str:
        """What the label says, to the digits that were recorded of it."""
        value = ohm(self.nominal_ohm, digits=MOST_DIGITS)
        return f"{value} {tolerance(self.tolerance_ppm)}"


def supplier_report(report: SupplierReport) -> Paper:
    """Return the report to a supplier as a paper."""
    blocks: list[Block] = [
        Prose(text=_answer(report), tone="strong"),
        *_asked(report),
        Heading(text="What was supplied"),
        Facts(
            rows=(
                ("Supplier", report.supplier or "not recorded"),
                ("Reel", report.reel),
                ("Label", report.claimed),
                ("Marking", decoded(report.marking)),
                (
                    "Quantity",
                    "" if report.quantity is None else counted(report.quantity, "part"),
                ),
                ("Date code", report.date_code or ""),
                ("Lot code", report.lot_code or ""),
                ("Invoice", report.invoice or ""),
                ("Received", day(report.received_at)),
                ("Used as", f"{report.part} of {report.product}"),
            )
        ),
    ]
    if report.label is not None:
        blocks.append(Pictures(images=(report.label,), beside=2))
    if found := tuple(_found(report)):
        blocks += [Heading(text="What was found"), Listed(items=found)]
    if report.charts:
        blocks.append(Pictures(images=report.charts))
    if report.samples:
        blocks += [Heading(text="Parts measured"), _samples(report)]
    if report.measured:
        blocks += [Heading(text="Units measured"), *_units(report)]
    if report.classes or report.other_value:
        blocks.append(Heading(text="What the parts may be"))
    if report.other_value:
        blocks.append(Prose(text=report.other_value))
    if report.classes:
        blocks += [
            Grid(
                columns=(
                    Column(heading="Tolerance class"),
                    Column(heading="Probability", number=True),
                    Column(heading="", share=3.0),
                ),
                rows=tuple(
                    (tolerance(one.tolerance_ppm), share(one.probability), "")
                    for one in report.classes
                ),
            ),
            Prose(text=ABOUT_CLASSES, tone="quiet"),
        ]
    blocks += [
        Heading(text="How it was measured"),
        Listed(items=(*report.method, *_bench(report))),
    ]
    if report.instruments:
        blocks.append(instruments(report.instruments))
    if report.photos:
        blocks += [
            Heading(text="Photographs"),
            Pictures(images=report.photos, beside=2),
        ]
    blocks.append(Signature(labels=("For the maker, date", "For the supplier, date")))
    return Paper(
        title="Nonconformance report"
        if report.withdrawn is None
        else "Nonconformance report, withdrawn",
        about=", ".join(o for o in (f"Reel {report.reel}", report.supplier) if o),
        number=report.number,
        issuer=report.issuer,
        issued_at=report.issued_at,
        blocks=tuple(_captioned(one) for one in blocks),
    )


def _asked(report: SupplierReport) -> list[Block]:
    heading = Heading(text="What we ask for")
    if len(report.asked) == 1:
        return [heading, Prose(text=report.asked[0]), *_answer_to(report)]
    return [heading, Listed(items=report.asked), *_answer_to(report)]


def _answer_to(report: SupplierReport) -> list[Block]:
    """Say to whom, and by when the claim must be settled."""
    if report.withdrawn is not None:
        return []
    rows = (("Answer to", report.contact), ("Claim until", day(report.claim_until)))
    return [Facts(rows=rows)] if any(said for _, said in rows) else []


def _found(report: SupplierReport) -> Iterator[str]:
    """Say what was found, for somebody who knows neither the product nor the bench."""
    if report.withdrawn is not None:
        return
    on = f" on range {' and '.join(report.ranges)}" if report.ranges else ""
    size, low, high = report.size_ppm, report.low_ppm, report.high_ppm
    if size is not None and low is not None and high is not None:
        of = "" if report.units is None else f"{counted(report.units, 'unit')} with "
        since = (
            "" if report.first_serial is None else f", from {report.first_serial} on"
        )
        yield (
            f"{capital(of)}{'p' if of else 'P'}arts of this reel{since}: the error"
            f"{on} moved by {move(size, low, high)} "
            f"({between(low, high, beside_ppm=size)} with 95 %)."
            + (" Units with parts of other reels read as before." * (report.others > 0))
        )
        if report.elsewhere:
            more = counted(report.elsewhere, "unit")
            yield (
                f"Beside these, {more} of other builds with parts of this reel "
                f"{'was' if report.elsewhere == 1 else 'were'} measured; the table "
                "below has what was read."
            )
        yield from _alike_before(report)
    if report.either:
        yield (
            "The readings alone cannot tell which part is off. It is one of these: "
            f"{report.either}."
        )
    elif report.part_ohm is not None:
        yield f"The parts are about {_value(report)}. The label says {_said(report)}."
    if report.spread_factor > WIDER and (report.units or 0) >= FEWEST_TO_SCATTER:
        yield (
            f"They scatter about {report.spread_factor:.1g} times as widely as parts "
            "of earlier reels."
        )
    if report.incompatible is not None and report.incompatible > HALF:
        yield (
            f"Probability that more than one part in twenty lies outside "
            f"{tolerance(report.tolerance_ppm)}: {share(report.incompatible)}."
        )
    if report.cause is not None and report.either:
        yield (
            "Probability that the cause is one of these parts, and not our bench: "
            f"{share(report.cause)}."
        )
    elif report.cause is not None:
        yield (
            f"Probability that the cause is these parts, and neither another part nor "
            f"our bench: {share(report.cause)}."
        )


def _value(report: SupplierReport) -> str:
    """Return what the parts are now, with its interval where that is known."""
    if report.low_ppm is None or report.high_ppm is None:
        return ohm(report.part_ohm or 0.0)
    ends = (report.part_low_ohm, report.part_high_ohm)
    known = [one for one in ends if one is not None]
    return part_value(report.part_ohm or 0.0, report.low_ppm, report.high_ppm, known)


def _said(report: SupplierReport) -> str:
    """Return what the label says, and between which values that allows parts to be."""
    low, high = label_limits(report.nominal_ohm, report.tolerance_ppm)
    return f"{report.claimed}, which is {low} to {high}"


def _units(report: SupplierReport) -> tuple[Block, ...]:
    """Return what each unit reads; unit by unit is what a supplier can check."""
    shown = report.measured[:MOST_UNITS]
    unit = ShareUnit.of(one.limit_ppm for one in report.measured)
    left_out = len(report.measured) - len(shown)
    rest = f" {counted(left_out, 'more row')} at hand." if left_out else ""
    return (
        Grid(
            columns=(
                Column(heading="Unit", share=1.2),
                Column(heading="Measured", share=1.6),
                Column(heading=f"Reel of {report.part}", share=1.6),
                Column(heading="Range", share=1.0),
                Column(heading=f"Error, {unit.name}", share=1.0, number=True),
                Column(heading=f"\N{PLUS-MINUS SIGN}, {unit.name}", number=True),
            ),
            rows=tuple(
                (
                    one.serial,
                    moment(one.measured_at),
                    f"{one.reel} (this reel)"
                    if one.reel == report.reel
                    else one.reel or NONE,
                    one.range,
                    unit.signed(one.error_ppm, COVERAGE * one.uncertainty_ppm),
                    unit.half(COVERAGE * one.uncertainty_ppm),
                )
                for one in shown
            ),
        ),
        Prose(text=f"{ABOUT_UNITS}{_which(report)}{rest}", tone="quiet"),
    )


def _alike_before(report: SupplierReport) -> Iterator[str]:
    """Say of units with the same reel that read right what that may mean."""
    ours = list(
        dict.fromkeys(o.serial for o in report.measured if o.reel == report.reel)
    )
    if report.first_serial not in ours[1:]:
        return
    right = ours[: ours.index(report.first_serial)]
    yield (
        f"{counted(len(right), 'unit')} before it ({_ends(right)}) "
        f"{'has' if len(right) == 1 else 'have'} parts of this reel by our records, "
        "and did not move. Then the parts of this reel differ, or parts of "
        f"another reel were used from {report.first_serial} on."
    )


def _ends(serials: Sequence[str]) -> str:
    return serials[0] if len(serials) == 1 else f"{serials[0]} to {serials[-1]}"


def _which(report: SupplierReport) -> str:
    """Say which units stand in the table, where some that were measured do not."""
    others = {one.serial for one in report.measured if one.reel != report.reel}
    if not others or len(others) >= report.others:
        return ""
    return (
        f" Of the {report.others} units with other reels the {len(others)} that were "
        "measured last stand here; counted are the build of the finding and the one "
        "before."
    )


def _bench(report: SupplierReport) -> Iterator[str]:
    """Say how well the bench measured, and that it was the bench that did not move."""
    if report.measured:
        unit = ShareUnit.of(one.limit_ppm for one in report.measured)
        widest = COVERAGE * max(one.uncertainty_ppm for one in report.measured)
        yield (
            "Expanded uncertainty of each unit's error (k = 2, about 95 %): "
            f"{unit.half(widest)} {unit.name} of reading at most. It holds what "
            "the accuracy of the meters, the source and the room may add."
        )
    yield from standards_said(report.standards)


def decoded(marking: str | None) -> str:
    """Return a marking with what it means (IEC 60062).

    >>> decoded("4K99B")
    '4K99B, read as 4.99 kΩ ±0.1 %'
    >>> decoded("?")
    '?, not a mark of IEC 60062'
    """
    if not marking:
        return ""
    try:
        read = read_mark(marking)
    except MarkError:
        return f"{marking}, not a mark of IEC 60062"
    claimed = (
        ""
        if read.tolerance_percent is None
        else f" {tolerance(read.tolerance_percent * PPM_PER_PERCENT)}"
    )
    return f"{marking}, read as {ohm(read.value_ohm)}{claimed}"


def _answer(report: SupplierReport) -> str:
    if report.withdrawn is not None:
        return f"{report.withdrawn} This report claims nothing of reel {report.reel}."
    reel = f"reel {report.reel}"
    if report.either:
        return (
            f"Parts of {reel} may be off. Readings alone cannot tell whether they are, "
            "or another part of the same range."
        )
    off = report.low_ppm, report.high_ppm
    if report.incompatible is None and (
        off[0] is None
        or off[1] is None
        or not outside_label(off[0], off[1], report.tolerance_ppm)
    ):
        return f"We have reason to doubt the label of {reel}, {report.claimed}."
    if report.incompatible is not None and report.incompatible <= HALF:
        return (
            f"Parts of {reel} differ from those of earlier reels. They may still keep "
            f"to their label, {report.claimed}."
        )
    do_not = "do not" if _plainly_off(report) else "probably do not"
    claimed = f"The parts of {reel} {do_not} keep to their label, {report.claimed}"
    if report.part_ohm is None:
        return f"{claimed}."
    return f"{claimed}: they are about {_value(report)}."


def outside_label(low_ppm: float, high_ppm: float, tolerance_ppm: float) -> bool:
    """Whether a move, with its whole interval, is larger than a label allows."""
    return low_ppm > tolerance_ppm or high_ppm < -tolerance_ppm


def _plainly_off(report: SupplierReport) -> bool:
    """Whether no value of the parts that is likely lies inside the label's."""
    low, high = report.part_low_ohm, report.part_high_ohm
    if low is None or high is None:
        return False
    off = report.nominal_ohm * report.tolerance_ppm * 1e-6
    return low > report.nominal_ohm + off or high < report.nominal_ohm - off


def _samples(report: SupplierReport) -> Grid:
    return Grid(
        columns=(
            Column(heading="Part", share=1.2),
            Column(heading="Found", share=1.3, number=True),
            Column(heading=f"U (k = {COVERAGE:g})", share=1.1, number=True),
            Column(heading="From nominal", share=1.1, number=True),
            Column(heading="Against the claim", share=1.4),
            Column(heading="Method", share=2.2),
        ),
        rows=tuple(
            (
                one.subject,
                ohm(one.ohm, one.uncertainty_ohm),
                ohm(COVERAGE * one.uncertainty_ohm, one.uncertainty_ohm),
                _from_nominal(one.ohm, one.uncertainty_ohm, report.nominal_ohm),
                _against(report, one.ohm, one.uncertainty_ohm),
                one.method,
            )
            for one in report.samples
        ),
    )


def _from_nominal(value_ohm: float, uncertainty_ohm: float, nominal_ohm: float) -> str:
    places = decimals_for(100 * uncertainty_ohm / nominal_ohm)
    return f"{signed(100 * (value_ohm / nominal_ohm - 1), places)} %"


def _against(report: SupplierReport, value_ohm: float, uncertainty_ohm: float) -> str:
    off_ppm = abs(value_ohm / report.nominal_ohm - 1) * 1e6
    guard_ppm = COVERAGE * uncertainty_ohm / report.nominal_ohm * 1e6
    if off_ppm > report.tolerance_ppm + guard_ppm:
        return "outside"
    return "undecided" if off_ppm > report.tolerance_ppm - guard_ppm else "inside"


def _captioned(block: Block) -> Block:
    """Give photographs numbers, so that a letter can point at them."""
    if not isinstance(block, Pictures) or block.beside == 1 or len(block.images) == 1:
        return block
    return replace(
        block,
        images=tuple(
            Image(data=one.data, caption=f"{place}. {one.caption}", words=one.words)
            for place, one in enumerate(block.images, 1)
        ),
    )
