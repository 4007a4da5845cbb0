"""Loose parts of a reel against its label: as typed or read, judged, and told."""

from collections.abc import Sequence
from datetime import datetime
from math import sqrt
from statistics import fmean
from uuid import uuid4

from config import Unit, parse
from daemon import spc
from daemon.holds.proofs import NoProofError, limits_of_meter_ppm, require_part
from daemon.presentation import counted, percent
from storage import Reel, ReelCheck, Store

__all__ = ["checked", "checks_of", "judged", "told"]

FEWEST_PARTS = 2


def checked(
    reel: Reel,
    texts: Sequence[str],
    *,
    leads: str | None,
    meter: str | None,
    person: str,
    at: datetime,
) -> ReelCheck:
    """Return what a person read of loose parts, as typed.

    Parameters
    ----------
    texts
        One a part, such as "5.0152k".
    leads
        What the shorted leads read; taken off each.
    meter
        The accuracy of the meter, such as "0.02 %": its limits of error.

    Raises
    ------
    config.errors.QuantityError
        A text is no resistance.
    daemon.holds.proofs.NoProofError
        Too few parts, or one that cannot be of this reel.
    """
    nominal_ohm = reel.nominal_ohm
    if len(texts) < FEWEST_PARTS:
        message = "one part says nothing of its reel: measure two at least"
        raise NoProofError(message)
    null_ohm = 0.0 if leads is None else parse(leads, Unit.OHM)
    readings = tuple(parse(one, Unit.OHM) - null_ohm for one in texts)
    for one in readings:
        require_part(one, nominal_ohm, what="part")
    return ReelCheck(
        reel_check=uuid4().hex,
        reel=reel.reel,
        readings=readings,
        uncertainty_ohm=nominal_ohm * 1e-6 * limits_of_meter_ppm(meter) / sqrt(3),
        origin="typed",
        person=person,
        made_at=at,
    )


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


def checks_of(store: Store) -> dict[str, tuple[ReelCheck, ...]]:
    """Return all checks by reel, those made for a finding too, oldest first."""
    found: dict[str, tuple[ReelCheck, ...]] = {}
    for check in store.rows(ReelCheck, "reel_checks"):
        found[check.reel] = (*found.get(check.reel, ()), check)
    return found
