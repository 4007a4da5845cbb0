"""The notice to whoever has a unit, with the factors that put its readings right."""

from collections.abc import Iterator, Sequence
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
    capital,
    known,
    measured,
    share,
)

REPAIR = (
    "Do not open the instrument: repair by customers only where local product-safety "
    "law and licensed practice allow it."
)
USE = (
    "Multiply each reading of the range by its factor. That takes the known error out. "
    "The \N{PLUS-MINUS SIGN} is the expanded uncertainty of the factor (k = 2, about "
    "95 %): add it to that of your reading."
)
NOT_KNOWN = (
    "The error was only compared with that of a known-good unit. It is not known well "
    "enough to correct readings."
)
NOT_LEFT = (
    "Do not send this notice: by our records unit {serial} has not left, so nobody has "
    "it. If it has left, record that first."
)
LIKELY_ITS_OWN = 0.95
"""From this probability on a predicted factor is one to work with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomerNotice:
    """What somebody who has a unit must know: what to do, what is wrong, how sure.

    `destination` is an order reference. `probability` that this unit is concerned,
    None where it is known. `right` are ranges that were measured on this unit and read
    right; those in `only_compared` were never measured well enough for a factor, those
    in `not_measured` not at all. `cause` says why.
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
    not_measured: tuple[str, ...] = ()
    probability: float | None = None
    cause: str = ""
    contact: str = ""
    has_left: bool = True
    """Whether anybody has it by the records; else the notice is not to be sent."""

    def paper(self) -> Paper:
        """Return its parts in order."""
        return customer_notice(self)

    @property
    def sure(self) -> bool:
        """Whether it is known, or nearly, that this unit is concerned."""
        return self.probability is None or self.probability >= LIKELY_ITS_OWN


def customer_notice(notice: CustomerNotice) -> Paper:
    """Return the notice to a customer as a paper: first what to do, then why."""
    blocks: list[Block] = [Prose(text=_answer(notice), tone="strong")]
    if not notice.has_left:
        said = NOT_LEFT.format(serial=notice.serial)
        blocks.insert(0, Prose(text=said, tone="strong"))
    if todo := tuple(_todo(notice)):
        blocks += [Heading(text="What to do"), Listed(items=todo)]
    blocks.append(Prose(text=REPAIR))
    if notice.corrections:
        blocks += [Heading(text="Correction card"), _cards(notice), Prose(text=USE)]
    blocks += [Heading(text="What is known of this unit"), Listed(items=_known(notice))]
    if notice.cause:
        blocks += [Heading(text="Why"), Prose(text=notice.cause)]
    blocks.append(
        Facts(
            rows=(
                ("Instrument", notice.product),
                ("Serial", notice.serial),
                ("Your order", notice.destination),
                ("Answer to", notice.contact),
            )
        )
    )
    blocks.append(Signature(labels=("For the maker, date",)))
    return Paper(
        title="Notice on your instrument",
        about=f"{notice.product}, serial {notice.serial}",
        number=notice.number,
        issuer=notice.issuer,
        issued_at=notice.issued_at,
        blocks=tuple(blocks),
    )


def _todo(notice: CustomerNotice) -> Iterator[str]:
    """Say what to do, the most urgent first."""
    if notice.only_compared:
        yield (
            f"Do not rely on {_ranges(notice.only_compared)}. Send the unit back to be "
            "measured."
        )
    known = [one for one in notice.corrections if one.measured]
    if outside := [one.range for one in known if not one.inside]:
        yield (
            f"From now on multiply each reading of {_ranges(outside)} by its factor "
            "below, or send the unit back."
        )
        yield f"Look again at what you measured with {_ranges(outside)} so far."
    if inside := [one.range for one in known if one.inside]:
        yield (
            f"You may go on using {_ranges(inside)}: the error is inside its limit. To "
            "take it out, multiply readings by the factor below."
        )
    if predicted := [one.range for one in notice.corrections if not one.measured]:
        which = _ranges(predicted)
        if notice.sure:
            yield (
                f"Until {which} of this unit is measured, multiply each reading by the "
                "predicted factor below, or send the unit back to be measured."
            )
        else:
            yield (
                f"Compare {which} with a meter that you trust, or send the unit back "
                "to be measured. Use the factor below only where the range is off by "
                "about what is predicted."
            )
        yield f"Look again at what you measured with {which} so far."


def _known(notice: CustomerNotice) -> tuple[str, ...]:
    """Say of each range what was measured, what is predicted and what is not known."""
    said = [_of_range(one) for one in notice.corrections]
    if notice.right:
        said.append(f"Measured on this unit and right: {', '.join(notice.right)}.")
    if notice.only_compared:
        said.append(f"{', '.join(notice.only_compared)}: {NOT_KNOWN}")
    if notice.not_measured:
        said.append(
            f"Not measured on this unit: {', '.join(notice.not_measured)}. Nothing "
            "speaks against it."
        )
    if notice.probability is not None:
        said.append(
            "Probability that this unit has a part of those that are concerned: "
            f"{share(notice.probability)}."
        )
    return tuple(said)


def _of_range(one: Correction) -> str:
    """Say one range's error, how it is known, and what its limit makes of it."""
    error = _error(one)
    limit = f"its error limit, {one.limit}" if one.limit else "its error limit"
    if not one.measured:
        chance = (
            ""
            if one.outside is None
            else f" Probability that it is outside {limit}: {share(one.outside)}."
        )
        return (
            f"Range {one.range}: about {error}, predicted from other units with the "
            f"same parts; not measured on this unit.{chance}"
        )
    where = "inside" if one.inside else one.not_inside
    also = " Its test record says conforming, and that stands." if one.inside else ""
    return f"Range {one.range}: {error}, measured on this unit; {where} {limit}.{also}"


def _error(one: Correction) -> str:
    return measured(one.error_ppm, COVERAGE * one.uncertainty_ppm, one.limit_ppm)


def _ranges(titles: Sequence[str]) -> str:
    which = "range" if len(titles) == 1 else "ranges"
    return f"{which} {' and '.join(titles)}"


def _cards(notice: CustomerNotice) -> Grid:
    return Grid(
        columns=(
            Column(heading="Range", share=1.2),
            Column(heading="Error", share=1.2, number=True),
            Column(heading="Multiply by", share=1.3, number=True),
            Column(heading=f"\N{PLUS-MINUS SIGN} (k = {COVERAGE:g})", number=True),
            Column(heading="How it is known", share=2.2),
        ),
        rows=tuple(_card(one) for one in notice.corrections),
    )


def factor_of(one: Correction) -> tuple[float, float]:
    """Return the factor and its standard uncertainty (law of propagation, JCGM 100).

    >>> off = Correction(
    ...     range="1 mA", error_ppm=10_000.0, uncertainty_ppm=102.01, limit_ppm=5000.0
    ... )
    >>> factor, uncertainty = factor_of(off)
    >>> round(factor, 6), round(uncertainty, 9)
    (0.990099, 0.0001)
    """
    made = correction(one.error_ppm, one.uncertainty_ppm)
    return made.factor, made.uncertainty


def _card(one: Correction) -> tuple[str, ...]:
    factor, uncertainty = factor_of(one)
    expanded = COVERAGE * uncertainty
    return (
        one.range,
        _error(one),
        known(factor, expanded),
        known(expanded, expanded),
        "measured on this unit" if one.measured else "predicted, not measured",
    )


def _answer(notice: CustomerNotice) -> str:
    """Say what to do first, in one sentence."""
    unit = f"unit {notice.serial}"
    outside = [o.range for o in notice.corrections if o.measured and not o.inside]
    predicted = [one.range for one in notice.corrections if not one.measured]
    inside = [one.range for one in notice.corrections if one.inside]
    if notice.only_compared:
        return (
            f"Do not rely on {_ranges(notice.only_compared)} of {unit}: whether it "
            "reads right is not known."
        )
    if outside:
        return (
            f"Correct readings of {_ranges(outside)} of {unit}, or send it back: "
            f"it reads wrong, by {_largest(notice, measured_=True)}."
        )
    if predicted and notice.sure:
        return (
            f"Correct readings of {_ranges(predicted)} of {unit}, or send it back: it "
            f"probably reads wrong, by about {_largest(notice, measured_=False)}."
        )
    if predicted:
        return (
            f"Check {_ranges(predicted)} of {unit}, or send it back: it may read "
            f"wrong, by about {_largest(notice, measured_=False)}."
        )
    if inside:
        return (
            f"You may go on using {unit}. {capital(_ranges(inside))} reads "
            f"{_largest(notice, measured_=True)}, inside its error limit."
        )
    return f"Nothing is to be done: {unit} reads right on every range measured."


def _largest(notice: CustomerNotice, *, measured_: bool) -> str:
    """Return the largest error of those that are measured, or predicted."""
    mine = [one for one in notice.corrections if one.measured is measured_]
    largest = max(mine, key=lambda one: abs(one.error_ppm))
    at_most = " at most" if len(mine) > 1 else ""
    way = "too much" if largest.error_ppm > 0 else "too little"
    return f"{_error(largest)} ({way}){at_most}"
