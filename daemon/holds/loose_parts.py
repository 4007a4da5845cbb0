"""Loose parts of a reel against its label: as typed or read, judged, and told."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import sqrt
from statistics import fmean
from uuid import uuid4

from config import QuantityError, Unit, parse
from daemon import metrology, spc
from daemon.holds import policy
from daemon.holds.proofs import (
    NoProofError,
    limits_of_meter_ppm,
    require_part,
)
from daemon.metrology import Circuit
from daemon.presentation import counted, loose_parts as words, ohm, percent
from storage import Fitting, HoldState, Reel, ReelCheck, Scope, Store, reel_of

__all__ = [
    "As",
    "Measured",
    "checked",
    "checks_of",
    "incoming",
    "judged",
    "keep",
    "measured",
    "received",
    "sample_of",
    "told",
]

FEWEST_PARTS = 2
AS_WELL = 2.0
"""Earlier readings that are less sure by more than this are left out."""
VOLT_AMPERE, PAIR = (2, 4), 2


@dataclass(frozen=True, slots=True, kw_only=True)
class As:
    """How loose parts were measured, as a person types it; None where nothing was said.

    Attributes
    ----------
    circuit
        Left out: two-wire where `leads` says what the shorted leads read, else
        four-wire.
    meter, ammeter
        Accuracy of ohmmeter or voltmeter, and of the ammeter, such as "0.02 %": limits
        of error. For a ratio: how straight the voltmeter is on one range.
    standard, standard_accuracy
        The standard resistor of a ratio, and its limits.
    current, tempco
        Through the part, and the part's temperature coefficient, such as "25 ppm" a
        kelvin: for its self-heating.
    guarded
        Whether a guard takes leakage away.
    """

    circuit: Circuit | None = None
    leads: str | None = None
    meter: str | None = None
    ammeter: str | None = None
    standard: str | None = None
    standard_accuracy: str | None = None
    current: str | None = None
    tempco: str | None = None
    guarded: bool = False

    @property
    def by(self) -> Circuit:
        """The circuit, said or not."""
        if self.circuit is not None:
            return self.circuit
        return Circuit.FOUR_WIRE if self.leads is None else Circuit.TWO_WIRE


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Parts as they were measured, ohm, and what that leaves unsure."""

    readings: tuple[float, ...]
    shares: tuple["metrology.Share", ...]
    heating: "metrology.Heating | None" = None

    @property
    def uncertainty_ppm(self) -> float:
        """Standard uncertainty of each reading, ppm of nominal."""
        return metrology.together_ppm(self.shares)


def measured(reel: Reel, texts: Sequence[str], how: As) -> Measured:
    """Return what a person read of loose parts, as typed.

    Parameters
    ----------
    texts
        One a part: "5.0152k"; volts and amperes "1.0003/200u", current reversed
        "1.0003/200u/-1.0001/-200u"; for a ratio volts across part and standard, in the
        same way.

    Raises
    ------
    config.errors.QuantityError
        A text is no such quantity.
    daemon.holds.proofs.NoProofError
        Too few parts, one that cannot be of this reel, or a circuit that cannot tell.
    """
    nominal_ohm = reel.nominal_ohm
    if len(texts) < FEWEST_PARTS:
        message = "one part says nothing of its reel: measure two at least"
        raise NoProofError(message)
    _require_circuit(reel, how)
    by = how.by
    heated = None
    try:
        found = [_one(one, how, by) for one in texts]
        readings = tuple(ohms for ohms, _ in found)
        if how.current is not None or how.tempco is not None:
            if how.current is None or how.tempco is None:
                message = "self-heating needs both, the current and the coefficient"
                raise NoProofError(message)
            heated = metrology.heating(
                nominal_ohm,
                parse(how.current, Unit.AMPERE),
                parse(how.tempco, Unit.PPM),
            )
        standard_ppm = 0.0
        if by is Circuit.RATIO and how.standard_accuracy is not None:
            standard_ppm = limits_of_meter_ppm(how.standard_accuracy) / sqrt(3)
        shares = metrology.shares(
            by,
            nominal_ohm,
            meter_ppm=limits_of_meter_ppm(how.meter),
            ammeter_ppm=(
                limits_of_meter_ppm(how.ammeter) if by is Circuit.VOLTS_AMPERES else 0.0
            ),
            standard_ppm=standard_ppm,
            volts=min((v for _, v in found if v is not None), default=None),
            is_reversed=all("/" in one and one.count("/") > 1 for one in texts),
            guarded=how.guarded,
            heated=heated,
        )
    except metrology.MetrologyError as exc:
        raise NoProofError(str(exc)) from exc
    for one in readings:
        require_part(one, nominal_ohm, what="part")
    return Measured(readings=readings, shares=shares, heating=heated)


def checked(
    reel: Reel,
    found: Measured,
    *,
    how: As,
    person: str,
    at: datetime,
    incoming: bool = False,
) -> ReelCheck:
    """Return the row of what was measured.

    Parameters
    ----------
    incoming
        No unit carries the reel yet.
    """
    return ReelCheck(
        reel_check=uuid4().hex,
        reel=reel.reel,
        readings=found.readings,
        uncertainty_ohm=reel.nominal_ohm * 1e-6 * found.uncertainty_ppm,
        origin="typed",
        person=person,
        made_at=at,
        method=how.by.value,
        incoming=incoming,
    )


def incoming(store: Store, reel: str) -> bool:
    """Say whether no part of a reel was fitted yet."""
    return not store.rows(Fitting, reel=reel)


def sample_of(
    store: Store,
    reel: Reel,
    *,
    uncertainty_ppm: float,
    suspect_ppm: float | None = None,
    risk: float = words.RISK,
) -> "spc.Sample":
    """Return how many parts to measure, by the label and the supplier's reels so far.

    Parameters
    ----------
    uncertainty_ppm
        Standard uncertainty of each reading.
    suspect_ppm
        Class that a bad reel is taken to be of; left out, ten times the label.
    risk
        Share of bad reels among the accepted.

    Raises
    ------
    daemon.spc.errors.SpcError
        A number is out of its range.
    """
    judged_reels = rejected = 0
    by_reel = checks_of(store)
    for other in store.rows(Reel, supplier=reel.supplier):
        checks = by_reel.get(other.reel, ())
        if other.reel == reel.reel or not checks:
            continue
        judged_reels += 1
        last = checks[-1]
        rejected += (
            len(last.readings) >= FEWEST_PARTS
            and judged(other, last).verdict is spc.Against.INCOMPATIBLE
        )
    return spc.sample_of(
        reel.tolerance_ppm,
        uncertainty_ppm=uncertainty_ppm,
        suspect_ppm=suspect_ppm,
        risk=risk,
        rejected=rejected,
        judged=judged_reels,
    )


def received(reel: Reel, checks: Sequence[ReelCheck], *, wanted: int) -> "spc.Received":
    """Return what becomes of a reel by all that was read of its loose parts.

    Parameters
    ----------
    checks
        At least one, the newest last. Of earlier ones the parts count too, where they
        were measured about as well; the largest uncertainty is taken for all.
    wanted
        Parts that are needed to accept, from `sample_of`.
    """
    most_ohm = AS_WELL * checks[-1].uncertainty_ohm
    counted_in = [one for one in checks if one.uncertainty_ohm <= most_ohm]
    return spc.received(
        [
            1e6 * (one / reel.nominal_ohm - 1)
            for check in counted_in
            for one in check.readings
        ],
        reel.tolerance_ppm,
        uncertainty_ppm=max(
            1e6 * one.uncertainty_ohm / reel.nominal_ohm for one in counted_in
        ),
        wanted=wanted,
    )


def keep(
    store: Store,
    check: ReelCheck,
    became: "spc.Received",
    *,
    product: str,
    people: Iterable[str],
) -> bool:
    """Keep a check; a reel that is rejected is held with it, fitted or not.

    Returns whether it was held now: not where it is held already.

    Raises
    ------
    daemon.holds.policy.NotAllowedError
        The person is not listed.
    storage.errors.StorageError
        Nothing was kept.
    """
    held = any(
        (one.scope, one.subject) == (Scope.REEL, check.reel) and one.disposal is None
        for one in store.rows(HoldState, product=product)
    )
    reject = became.receipt is spc.Receipt.REJECTED and not held
    reel = reel_of(store, check.reel)
    if not reject:
        policy.require_decision(
            check.person, "measured", people, do="check a reel", done="a check"
        )
        store.keep(check)
        return False
    hold, decision = policy.by_hand(
        scope=Scope.REEL,
        subject=check.reel,
        product=product,
        person=check.person,
        reason=words.why_rejected(
            became, tolerance_ppm=reel.tolerance_ppm, incoming=check.incoming
        ),
        people=people,
        at=check.made_at,
    )
    store.keep(check, hold, decision=decision)
    return True


def _require_circuit(reel: Reel, how: As) -> None:
    """Refuse what cannot tell this label, or lacks what its circuit needs."""
    by = how.by
    refused = None
    if by is Circuit.TWO_WIRE:
        refused = metrology.two_wire_refused(reel.nominal_ohm, reel.tolerance_ppm)
    if refused is not None:
        raise NoProofError(
            words.two_wire_refused(reel.nominal_ohm, reel.tolerance_ppm, refused)
        )
    if how.leads is not None and by is not Circuit.TWO_WIRE:
        message = "the reading of shorted leads is taken off two-wire readings alone"
        raise NoProofError(message)
    if by is Circuit.RATIO and how.standard is None:
        message = "a ratio needs the value of the standard resistor"
        raise NoProofError(message)


def _one(text: str, how: As, by: Circuit) -> tuple[float, float | None]:
    """Return one part's resistance, ohm, and the volts across it, where they were."""
    numbers = [one.strip() for one in text.split("/")]
    if by in {Circuit.FOUR_WIRE, Circuit.TWO_WIRE}:
        null_ohm = 0.0
        if by is Circuit.TWO_WIRE and how.leads is not None:
            null_ohm = parse(how.leads, Unit.OHM)
        return parse(text, Unit.OHM) - null_ohm, None
    if len(numbers) not in VOLT_AMPERE:
        raise QuantityError(text=text, problem=words.NUMBERS[by])
    second = Unit.AMPERE if by is Circuit.VOLTS_AMPERES else Unit.VOLT
    values = [
        parse(one, second if place % PAIR else Unit.VOLT)
        for place, one in enumerate(numbers)
    ]
    first, other = values[:PAIR]
    first_back, other_back = values[PAIR:] or (None, None)
    if by is Circuit.VOLTS_AMPERES:
        ohms = metrology.of_volts_amperes(first, other, first_back, other_back)
    else:
        ohms = metrology.of_ratio(
            (first, first_back),
            (other, other_back),
            parse(how.standard or "", Unit.OHM),
        )
    return ohms, abs(first)


def judged(reel: Reel, check: ReelCheck) -> "spc.ClaimCheck":
    """Return what loose parts say of their reel's label."""
    return spc.against_claim(
        [1e6 * (one / reel.nominal_ohm - 1) for one in check.readings],
        reel.tolerance_ppm,
        uncertainty_ppm=1e6 * check.uncertainty_ohm / reel.nominal_ohm,
    )


def told(reel: Reel, check: ReelCheck) -> str:
    """Return one check of a reel in a sentence: when, what it read, who, what it says.

    >>> from datetime import UTC
    >>> at = datetime(2026, 3, 2, tzinfo=UTC)
    >>> told(
    ...     Reel(reel="K-7", nominal_ohm=5e3, tolerance_ppm=1e3, received_at=at),
    ...     ReelCheck(
    ...         reel_check="1",
    ...         reel="K-7",
    ...         readings=(5001.0, 5002.0),
    ...         uncertainty_ohm=0.2,
    ...         origin="typed",
    ...         person="Ada",
    ...         made_at=at,
    ...     ),
    ... )
    '2026-03-02 2 loose parts read +0.030 %, by Ada (typed): nothing against its label.'
    """
    mean_ppm = 1e6 * (fmean(check.readings) / reel.nominal_ohm - 1)
    half_ppm = 2e6 * check.uncertainty_ohm / reel.nominal_ohm
    against = {
        spc.Against.COMPATIBLE: "nothing against its label",
        spc.Against.UNDECIDED: "too near its label's limit to say",
        spc.Against.INCOMPATIBLE: "not what its label says",
        None: "one part says nothing of its label",
    }
    verdict = (
        judged(reel, check).verdict if len(check.readings) >= FEWEST_PARTS else None
    )
    return (
        f"{check.made_at:%Y-%m-%d} {counted(len(check.readings), 'loose part')} read "
        f"{percent(mean_ppm, half_ppm)}, by {check.person} ({check.origin}): "
        f"{against[verdict]}."
    )


def read_twice(readings: Sequence[float], before: Sequence[float]) -> str | None:
    """Say that a reading was read before, so that one part may count as two.

    Parameters
    ----------
    readings
        Of now, ohm.
    before
        Of parts that were read before, ohm.

    Examples
    --------
    >>> read_twice([5015.2, 5014.0], [5015.2])
    '5.0152 kΩ was read of an earlier part too. A part that is typed twice counts \
as two.'
    >>> read_twice([5015.2], [5014.0])
    """
    known, again = [*before], []
    for one in readings:
        if one in known:
            again.append(ohm(one))
        known.append(one)
    if not again:
        return None
    values = " and ".join(dict.fromkeys(again))
    was = "was" if len(again) == 1 else "were"
    return (
        f"{values} {was} read of an earlier part too. A part that is typed twice "
        "counts as two."
    )


def checks_of(store: Store) -> dict[str, tuple[ReelCheck, ...]]:
    """Return all checks by reel, those made for a finding too, oldest first."""
    found: dict[str, tuple[ReelCheck, ...]] = {}
    for check in store.rows(ReelCheck, "reel_checks"):
        found[check.reel] = (*found.get(check.reel, ()), check)
    return found
