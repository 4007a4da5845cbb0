"""The notice to whoever has a unit, with the factors that put its readings right."""

from dataclasses import dataclass
from datetime import datetime

from daemon.metrology import correction
from daemon.presentation.documents.blocks import (
    Block,
    Column,
    Facts,
    Grid,
    Heading,
    Listed,
    Paper,
    Prose,
    Signature,
)
from daemon.presentation.documents.content import Correction
from daemon.presentation.figures import (
    COVERAGE,
    PPM_PER_PERCENT,
    decimals_for,
    share,
    signed,
)

REPAIR = (
    "Do not open the instrument: repair by customers only where local product-safety "
    "law and licensed practice allow it."
)
USE = (
    "Multiply each reading of the range by its factor. The factor takes the known "
    "error out and adds the stated uncertainty to that of your reading."
)

NOT_KNOWN = (
    "the error was only compared with that of a known-good unit. It is not known well "
    "enough to correct readings."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomerNotice:
    """What somebody who has a unit must know: what is wrong, by how much, what to do.

    `destination` is an order reference. `probability` that this unit is concerned,
    None where it is known. Ranges that read right are named in `right`; those in
    `only_compared` were never measured well enough for a factor.
    """

    number: str
    issued_at: datetime
    issuer: str
    product: str
    serial: str
    destination: str
    corrections: tuple[Correction, ...]
    right: tuple[str, ...] = ()
    only_compared: tuple[str, ...] = ()
    probability: float | None = None
    cause: str = ""
    advice: tuple[str, ...] = ()
    contact: str = ""

    def paper(self) -> Paper:
        """Return its parts in order."""
        return customer_notice(self)


def customer_notice(notice: CustomerNotice) -> Paper:
    """Return the notice to a customer as a paper."""
    wrong = [one.range for one in notice.corrections]
    blocks: list[Block] = [
        Prose(text=_answer(notice, wrong), tone="strong"),
        Facts(
            rows=(
                ("Instrument", notice.product),
                ("Serial", notice.serial),
                ("Your order", notice.destination),
                ("Ranges that read right", ", ".join(notice.right)),
                ("Why", notice.cause),
                (
                    "This unit is concerned",
                    ""
                    if notice.probability is None
                    else f"with a probability of {share(notice.probability)}",
                ),
            )
        ),
    ]
    if notice.corrections:
        blocks += [
            Heading(text="Correction card"),
            Grid(
                columns=(
                    Column(heading="Range", share=1.2),
                    Column(heading="Error", share=1.2, number=True),
                    Column(heading="Multiply by", share=1.3, number=True),
                    Column(
                        heading=f"\N{PLUS-MINUS SIGN} (k = {COVERAGE:g})", number=True
                    ),
                    Column(heading="The error was", share=2.2),
                ),
                rows=tuple(_card(one) for one in notice.corrections),
            ),
            Prose(text=USE),
        ]
    if notice.only_compared:
        blocks += [
            Heading(text="No factor is given"),
            Prose(text=f"{', '.join(notice.only_compared)}: {NOT_KNOWN}"),
        ]
    if notice.advice:
        blocks += [Heading(text="What to do"), Listed(items=notice.advice)]
    blocks.append(Prose(text=REPAIR))
    if notice.contact:
        blocks.append(Facts(rows=(("Answer to", notice.contact),)))
    blocks.append(Signature(labels=("For the maker, date",)))
    return Paper(
        title="Notice on your instrument",
        about=f"{notice.product}, serial {notice.serial}",
        number=notice.number,
        issuer=notice.issuer,
        issued_at=notice.issued_at,
        blocks=tuple(blocks),
    )


def factor_of(one: Correction) -> tuple[float, float]:
    """Return the factor and its standard uncertainty (law of propagation, JCGM 100).

    >>> off = Correction(range="1 mA", error_ppm=10_000.0, uncertainty_ppm=102.01)
    >>> factor, uncertainty = factor_of(off)
    >>> round(factor, 6), round(uncertainty, 9)
    (0.990099, 0.0001)
    """
    made = correction(one.error_ppm, one.uncertainty_ppm)
    return made.factor, made.uncertainty


def _card(one: Correction) -> tuple[str, ...]:
    factor, uncertainty = factor_of(one)
    places = decimals_for(COVERAGE * uncertainty)
    percent = decimals_for(COVERAGE * one.uncertainty_ppm / PPM_PER_PERCENT)
    return (
        one.range,
        f"{signed(one.error_ppm / PPM_PER_PERCENT, percent)} %",
        f"{factor:.{places}f}",
        f"{COVERAGE * uncertainty:.{places}f}",
        "measured on this unit"
        if one.measured
        else "predicted from others with the same parts",
    )


def _answer(notice: CustomerNotice, wrong: list[str]) -> str:
    if not wrong and notice.only_compared:
        return (
            f"Whether unit {notice.serial} reads right on "
            f"{', '.join(notice.only_compared)} is not known."
        )
    if not wrong:
        return (
            f"Unit {notice.serial} reads right on every range; nothing is to be done."
        )
    which = "Range" if len(wrong) == 1 else "Ranges"
    largest = max(notice.corrections, key=lambda one: abs(one.error_ppm))
    half = COVERAGE * largest.uncertainty_ppm / PPM_PER_PERCENT
    size = signed(largest.error_ppm / PPM_PER_PERCENT, decimals_for(half))
    verb = "reads" if len(wrong) == 1 else "read"
    return (
        f"{which} {', '.join(wrong)} of unit {notice.serial} {verb} wrong, by "
        f"{size} %{' at most' if len(wrong) > 1 else ''}."
    )
