"""A reel at receiving: how many parts to measure, and what they say of it.

A tolerance is a limit for each part, so one part that is surely outside refutes a
label. Parts inside prove as much as parts of a worse class would have betrayed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, hypot, log

import scipy
from numpy.typing import ArrayLike

from daemon.spc.checks import count, finite_array, not_negative, positive, share
from daemon.spc.errors import OutOfRangeError
from daemon.spc.reel_claim import (
    CLASSES_PPM,
    COVERAGE,
    Against,
    ClaimCheck,
    ReelClaim,
    against_claim,
    reel_claim,
)

FEWEST_PARTS = 5
"""Fewer tell too little of how parts scatter (the project's own choice)."""
MOST_PARTS = 200
"""Where more would be needed, a sample of parts does not tell the classes apart."""
SUSPECT_FACTOR = 10.0
"""How much worse than its label a reel is taken to be where nothing else is said."""
FILLED_SIGMAS = 3.0
"""Standard deviations of parts that fill their class within its limit (the project's
own model)."""
BEFORE = 0.5
"""Reels that are taken as good and as bad before the first (Jeffreys)."""
POOREST = 1 / 3
"""Largest expanded uncertainty (k = 2), as a share of the tolerance, with which parts
are accepted. A wider guard band leaves good parts undecided."""
UNLIKE = 0.05
"""A label less likely than this is not accepted without more parts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """How many parts to measure, and why.

    Attributes
    ----------
    parts : int or None
        None where no number up to `MOST_PARTS` tells the classes apart.
    tolerance_ppm, suspect_ppm : float
        Claimed, and what the reel may truly be.
    judged : int
        Earlier reels that `bad_before` rests on.
    missed : float
        Probability that so many parts of the suspect class all read inside.
    bad_before : float
        How likely a reel is bad before it is measured.
    bad_after : float
        How likely one is that was accepted.
    """

    parts: int | None
    tolerance_ppm: float
    suspect_ppm: float
    judged: int
    missed: float
    bad_before: float
    bad_after: float


def sample_of(
    tolerance_ppm: float,
    *,
    uncertainty_ppm: float = 0.0,
    suspect_ppm: float | None = None,
    risk: float = 0.05,
    rejected: int = 0,
    judged: int = 0,
) -> Sample:
    """Return how many parts keep bad reels among the accepted ones at a risk.

    Parameters
    ----------
    tolerance_ppm : float
        Claimed, above zero.
    uncertainty_ppm : float
        Standard uncertainty (k = 1) of each measurement.
    suspect_ppm : float, optional
        Class that a bad reel is of, wider than the claim; left out, ten times it.
    risk : float
        Share of bad reels among the accepted, 0 to 1.
    rejected, judged : int
        Of earlier reels of this supplier.

    Returns
    -------
    Sample
        Parts that fill a class are taken as normal, a third of its limit their
        standard deviation; a part is seen when it reads beyond the claim and the
        guard band, which takes the uncertainty in.

    Raises
    ------
    SpcError
        A number is not finite or out of range, or the suspect class not the wider.

    Examples
    --------
    >>> sample_of(1000.0, uncertainty_ppm=60.0).parts
    5
    >>> sample_of(1000.0, uncertainty_ppm=60.0, suspect_ppm=2500.0).parts
    15
    >>> sample_of(1000.0, suspect_ppm=2500.0, rejected=0, judged=40).parts
    5
    """
    positive("tolerance_ppm", tolerance_ppm)
    not_negative("uncertainty_ppm", uncertainty_ppm)
    share("risk", risk)
    count("rejected", rejected, at_least=0)
    count("judged", judged, at_least=rejected)
    if suspect_ppm is None:
        suspect_ppm = SUSPECT_FACTOR * tolerance_ppm
    positive("suspect_ppm", suspect_ppm)
    if suspect_ppm <= tolerance_ppm:
        raise OutOfRangeError(
            argument="suspect_ppm", value=suspect_ppm, allowed="> tolerance_ppm"
        )
    bad = (rejected + BEFORE) / (judged + 2 * BEFORE)
    inside = _reads_inside(tolerance_ppm, suspect_ppm, uncertainty_ppm)
    most_missed = risk * (1 - bad) / (bad * (1 - risk))
    needed = FEWEST_PARTS
    if most_missed < 1.0:
        needed = max(needed, ceil(log(most_missed) / log(inside)))
    missed = inside ** min(needed, MOST_PARTS)
    return Sample(
        parts=needed if needed <= MOST_PARTS else None,
        tolerance_ppm=tolerance_ppm,
        suspect_ppm=suspect_ppm,
        judged=judged,
        missed=missed,
        bad_before=bad,
        bad_after=bad * missed / (bad * missed + 1 - bad),
    )


def _reads_inside(limit: float, suspect: float, uncertainty: float) -> float:
    """Return how likely a part of the suspect class reads inside, 0 to below 1."""
    sigma = hypot(suspect / FILLED_SIGMAS, uncertainty)
    reach = (limit + COVERAGE * uncertainty) / sigma
    inside = 1.0 - 2.0 * float(scipy.special.ndtr(-reach))
    return min(max(inside, 1e-12), 1.0 - 1e-12)


class Receipt(StrEnum):
    """What becomes of a reel."""

    ACCEPTED = "accepted"
    REJECTED = "rejected"
    UNDECIDED = "undecided"


class Open(StrEnum):
    """Why a reel is undecided."""

    FEW = "few"
    NEAR = "near"
    POOR = "poor"
    UNLIKE = "unlike"


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """What loose parts say of a reel.

    Attributes
    ----------
    receipt : Receipt
    open : Open or None
        Why it is undecided.
    more : int
        Parts to measure beside those.
    uncertainty_ppm, needed_ppm : float
        Standard uncertainty of each reading, and the largest with which parts are
        accepted.
    check : ClaimCheck
        Part by part.
    claim : ReelClaim
        Which class the parts look like.
    """

    receipt: Receipt
    open: Open | None
    more: int
    uncertainty_ppm: float
    needed_ppm: float
    check: ClaimCheck
    claim: ReelClaim

    @property
    def label_ppm(self) -> float:
        """Probability that the reel is of the claimed class or a finer one, 0 to 1."""
        return sum(
            one.probability
            for one in self.claim.classes
            if one.tolerance_ppm <= self.claim.tolerance_ppm
        )


def received(
    deviations_ppm: ArrayLike,
    tolerance_ppm: float,
    *,
    uncertainty_ppm: float,
    wanted: int = FEWEST_PARTS,
    classes_ppm: Sequence[float] = CLASSES_PPM,
) -> Received:
    """Accept or reject a reel by loose parts, or say what is lacking.

    Rejected where a part is outside by more than its expanded uncertainty (k = 2).
    Accepted where `wanted` parts are inside by as much, and do not look like parts of
    a wider class.

    Parameters
    ----------
    deviations_ppm : array_like, shape (n,), n >= 2
        Of each part from nominal, ppm.
    tolerance_ppm : float
        Claimed.
    uncertainty_ppm : float
        Standard uncertainty (k = 1) of each reading, above zero.
    wanted : int
        Parts that are needed to accept, from `sample_of`.
    classes_ppm : sequence of float
        Classes to weigh against one another; the claimed one is added.

    Returns
    -------
    Received

    Raises
    ------
    SpcError
        For fewer than two parts, or a number out of its range.

    Examples
    --------
    >>> five = [2600.0, 3100.0, 3500.0, 2900.0, 800.0]
    >>> received(five, 1000.0, uncertainty_ppm=60.0).receipt.value
    'rejected'
    >>> good = [100.0, -50.0, 30.0, 80.0, 10.0]
    >>> received(good, 1000.0, uncertainty_ppm=60.0).receipt.value
    'accepted'
    >>> wide = [900.0, -780.0, 640.0, -150.0, -820.0]
    >>> found = received(wide, 1000.0, uncertainty_ppm=20.0)
    >>> found.receipt.value, found.open.value, found.more
    ('undecided', 'unlike', 5)
    """
    values = finite_array("deviations_ppm", deviations_ppm, at_least=2)
    positive("uncertainty_ppm", uncertainty_ppm)
    count("wanted", wanted, at_least=2)
    check = against_claim(values, tolerance_ppm, uncertainty_ppm=uncertainty_ppm)
    n = len(values)
    spread = max(check.spread_ppm, 1e-3 * uncertainty_ppm, 1e-6 * tolerance_ppm)
    claim = reel_claim(
        size_ppm=check.mean_ppm,
        sigma_ppm=(spread**2 / n + uncertainty_ppm**2) ** 0.5,
        spread_ppm=spread,
        units=n,
        tolerance_ppm=tolerance_ppm,
        classes_ppm=sorted({*classes_ppm, tolerance_ppm}),
    )
    needed = POOREST * tolerance_ppm / COVERAGE
    found = Received(
        receipt=Receipt.REJECTED,
        open=None,
        more=0,
        uncertainty_ppm=uncertainty_ppm,
        needed_ppm=needed,
        check=check,
        claim=claim,
    )
    if check.verdict is Against.INCOMPATIBLE:
        return found
    why, more = None, 0
    if uncertainty_ppm > needed:
        why = Open.POOR
    elif check.verdict is Against.UNDECIDED:
        why, more = Open.NEAR, wanted
    elif n < wanted:
        why, more = Open.FEW, wanted - n
    elif found.label_ppm < UNLIKE:
        why, more = Open.UNLIKE, wanted
    return Received(
        receipt=Receipt.ACCEPTED if why is None else Receipt.UNDECIDED,
        open=why,
        more=more,
        uncertainty_ppm=uncertainty_ppm,
        needed_ppm=needed,
        check=check,
        claim=claim,
    )
