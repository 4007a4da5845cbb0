"""The nonconformance report to whoever supplied a reel."""

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
from daemon.presentation.documents.content import Image, Sample, ToleranceClass
from daemon.presentation.figures import (
    COVERAGE,
    PPM_PER_PERCENT,
    counted,
    day,
    decimals_for,
    ohm,
    share,
    signed,
    tolerance,
)

ABOUT_CLASSES = (
    "How probable each tolerance class is that such a reel may be of, every class "
    "equally likely beforehand; a stated model of how parts fill a class, not a "
    "measurement."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplierReport:
    """What does not conform to its label, for whoever supplied it.

    `incompatible` is the probability that more than a twentieth of the parts lie
    outside the claim. `size_ppm` with its 95 % interval is of the parts from nominal,
    found on `units` finished units. `withdrawn` says why its finding stands no
    more; the report then claims nothing and asks for nothing.
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
    finding: tuple[str, ...]
    method: tuple[str, ...]
    requested_action: str
    received_at: datetime | None = None
    marking: str | None = None
    quantity: int | None = None
    date_code: str | None = None
    lot_code: str | None = None
    invoice: str | None = None
    claim_until: datetime | None = None
    units: int | None = None
    size_ppm: float | None = None
    low_ppm: float | None = None
    high_ppm: float | None = None
    incompatible: float | None = None
    classes: tuple[ToleranceClass, ...] = ()
    samples: tuple[Sample, ...] = ()
    label: Image | None = None
    charts: tuple[Image, ...] = ()
    photos: tuple[Image, ...] = ()
    withdrawn: str | None = None

    def paper(self) -> Paper:
        """Return its parts in order."""
        return supplier_report(self)


def supplier_report(report: SupplierReport) -> Paper:
    """Return the report to a supplier as a paper."""
    blocks: list[Block] = [
        Prose(text=_answer(report), tone="strong"),
        Heading(text="What was supplied"),
        Facts(
            rows=(
                ("Supplier", report.supplier),
                ("Reel", report.reel),
                (
                    "Claimed",
                    f"{ohm(report.nominal_ohm)} {tolerance(report.tolerance_ppm)}",
                ),
                ("Marking", decoded(report.marking)),
                (
                    "Quantity",
                    "" if report.quantity is None else counted(report.quantity, "part"),
                ),
                ("Date code", report.date_code or ""),
                ("Lot code", report.lot_code or ""),
                ("Invoice", report.invoice or ""),
                ("Received", day(report.received_at)),
                ("Claim until", day(report.claim_until)),
                ("Used as", f"{report.part} of {report.product}"),
            )
        ),
    ]
    if report.label is not None:
        blocks.append(Pictures(images=(report.label,), beside=2))
    blocks += [Heading(text="What was found"), Listed(items=report.finding)]
    if report.samples:
        blocks += [Heading(text="Parts measured"), _samples(report)]
    if report.charts:
        blocks.append(Pictures(images=report.charts))
    if report.classes:
        blocks += [
            Heading(text="What the parts may be"),
            Grid(
                columns=(
                    Column(heading="Tolerance class (IEC 60062)"),
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
    blocks += [Heading(text="How it was measured"), Listed(items=report.method)]
    if report.photos:
        blocks += [
            Heading(text="Photographs"),
            Pictures(images=report.photos, beside=2),
        ]
    blocks += [
        Heading(text="What we ask for"),
        Prose(text=report.requested_action),
        Signature(labels=("For the maker, date", "For the supplier, date")),
    ]
    return Paper(
        title="Nonconformance report"
        if report.withdrawn is None
        else "Nonconformance report, withdrawn",
        about=f"Reel {report.reel}, {report.supplier}",
        number=report.number,
        issuer=report.issuer,
        issued_at=report.issued_at,
        blocks=tuple(_captioned(one) for one in blocks),
    )


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
    claim = f"{tolerance(report.tolerance_ppm)} claim of reel {report.reel}"
    if report.incompatible is None:
        return f"We have reason to doubt the {claim}."
    return (
        f"The parts do not keep the {claim}: probability {share(report.incompatible)} "
        "that more than one part in twenty lies outside it."
    )


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
