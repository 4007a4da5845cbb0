"""What would settle a finding, and what each such measurement says about its causes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import exp, hypot, isfinite, log, pi, sqrt
from types import MappingProxyType

from daemon.spc.errors import NotFiniteError, OutOfRangeError

__all__ = [
    "CAUSES",
    "RESPONDS",
    "SETTLED",
    "Measured",
    "Way",
    "bayes_factors",
    "expected_largest",
    "settling",
    "update",
]

SLIP = 0.02
"""Share of measurements that are slips: a wrong reel, a digit lost, a poor contact."""
SLIP_WIDTH = 5.0
"""A slip lies anywhere within so many times the finding's size and its own scatter."""
SETTLED = 0.99
"""A cause this probable needs no further measurement."""


class Way(StrEnum):
    """A measurement that tells causes apart."""

    CHECK_STANDARD = "check standard"
    FOUR_WIRE = "four-wire"
    LOOSE_PARTS = "loose parts"
    OLDER_UNIT = "older unit"
    SECOND_METER = "second meter"


CAUSES = ("reel", "shared stage", "bench", "unit")

RESPONDS: Mapping[Way, frozenset[str]] = MappingProxyType(
    {
        Way.CHECK_STANDARD: frozenset({"bench"}),
        Way.FOUR_WIRE: frozenset({"reel", "unit"}),
        Way.LOOSE_PARTS: frozenset({"reel"}),
        Way.OLDER_UNIT: frozenset({"bench"}),
        Way.SECOND_METER: frozenset({"reel", "shared stage", "unit"}),
    }
)
"""Which causes make each measurement read off by the finding's size; with every
other cause it reads as if nothing had moved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One measurement, referred to what it reads when nothing has moved.

    Parameters
    ----------
    way : Way
        What was measured.
    off_ppm : float
        Mean of its readings from that value, ppm, in the finding's own sense: a
        part of which the range's transfer falls is given with its sign changed.
    readings : int
        How many things were read: parts, units.
    scatter_ppm : float
        Standard deviation between such things when nothing has moved, ppm.
    uncertainty_ppm : float
        Standard uncertainty that the readings share, ppm.
    """

    way: Way
    off_ppm: float
    readings: int
    scatter_ppm: float
    uncertainty_ppm: float

    def __post_init__(self) -> None:
        """Refuse what is no measurement."""
        for name in ("off_ppm", "scatter_ppm", "uncertainty_ppm"):
            value = getattr(self, name)
            if not isfinite(value):
                raise NotFiniteError(argument=name, value=value)
        if self.readings < 1:
            raise OutOfRangeError(
                argument="readings", value=self.readings, allowed=">= 1"
            )
        if self.scatter_ppm < 0:
            raise OutOfRangeError(
                argument="scatter_ppm", value=self.scatter_ppm, allowed=">= 0"
            )
        if self.uncertainty_ppm <= 0:
            raise OutOfRangeError(
                argument="uncertainty_ppm", value=self.uncertainty_ppm, allowed="> 0"
            )


def bayes_factors(
    measured: Measured, *, size_ppm: float, size_sd_ppm: float
) -> dict[str, float]:
    r"""Return how much more likely the measurement is under each cause than under none.

    With the finding's size d known to a standard deviation s_d, a measurement x of n
    things with scatter s between them and shared standard uncertainty u is

    .. math::

        x \sim N(d, s_d^2 + s^2 / n + u^2) \quad\text{when it responds to the cause,}
        \qquad x \sim N(0, s^2 / n + u^2) \quad\text{when not,}

    and in either case, with probability 0.02, a slip: uniform within five times
    |d| plus its own standard deviation. The factor of a cause is the ratio of its
    density to that of the second line, so it is 1 where the measurement does not
    respond, and no single measurement weighs more than its chance of a slip allows.

    Parameters
    ----------
    measured : Measured
        What was read.
    size_ppm, size_sd_ppm : float
        The finding's size and its standard deviation, ppm.

    Returns
    -------
    dict of str to float
        By cause, positive.

    Notes
    -----
    Bayes factors by Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773-795 (from
    memory); densities are of the normal and uniform distributions.

    Examples
    --------
    A check standard that reads right on the range speaks against the bench:

    >>> right = Measured(way=Way.CHECK_STANDARD, off_ppm=10.0, readings=1,
    ...     scatter_ppm=0.0, uncertainty_ppm=50.0)
    >>> found = bayes_factors(right, size_ppm=3000.0, size_sd_ppm=80.0)
    >>> found["bench"] < 0.01, found["reel"]
    (True, 1.0)
    """
    _require_size(size_ppm, size_sd_ppm)
    own_sd = hypot(
        measured.scatter_ppm / sqrt(measured.readings), measured.uncertainty_ppm
    )
    half_width = SLIP_WIDTH * (abs(size_ppm) + own_sd)
    slip = 1 / (2 * half_width)

    def density(mean: float, sd: float) -> float:
        normal = exp(-0.5 * ((measured.off_ppm - mean) / sd) ** 2)
        return (1 - SLIP) * normal / (sd * sqrt(2 * pi)) + SLIP * slip

    moved = density(size_ppm, hypot(own_sd, size_sd_ppm))
    still = density(0.0, own_sd)
    responds = RESPONDS[measured.way]
    return {cause: moved / still if cause in responds else 1.0 for cause in CAUSES}


def update(
    prior: Mapping[str, float],
    measured: Sequence[Measured],
    *,
    size_ppm: float,
    size_sd_ppm: float,
) -> dict[str, float]:
    """Return the probability of each cause once these measurements are in.

    Parameters
    ----------
    prior : mapping
        Probability by cause, of the finding itself; what it leaves out is not
        considered. Need not add to one.
    measured : sequence of Measured
        In any order; taken as independent given the cause.
    size_ppm, size_sd_ppm : float
        The finding's size and its standard deviation, ppm.

    Raises
    ------
    OutOfRangeError
        An unknown cause, or no cause with a probability above 0.

    Examples
    --------
    >>> good_bench = Measured(way=Way.CHECK_STANDARD, off_ppm=0.0, readings=1,
    ...     scatter_ppm=0.0, uncertainty_ppm=50.0)
    >>> found = update({"reel": 0.5, "bench": 0.5}, [good_bench],
    ...     size_ppm=3000.0, size_sd_ppm=80.0)
    >>> found["reel"] > 0.99
    True
    """
    _require_causes(prior)
    weights = {cause: log(p) for cause, p in prior.items() if p > 0}
    for one in measured:
        factors = bayes_factors(one, size_ppm=size_ppm, size_sd_ppm=size_sd_ppm)
        for cause in weights:
            weights[cause] += log(factors[cause])
    largest = max(weights.values())
    shares = {cause: exp(w - largest) for cause, w in weights.items()}
    total = sum(shares.values())
    return {cause: shares.get(cause, 0.0) / total for cause in prior}


def expected_largest(
    prior: Mapping[str, float],
    way: Way,
    *,
    size_ppm: float,
    size_sd_ppm: float,
    scatter_ppm: float = 0.0,
    uncertainty_ppm: float,
) -> float:
    """Return how probable the most probable cause will be after one measurement.

    The mean over the causes, each with its probability, of the largest probability
    after the measurement has read what that cause lets it read. The largest of
    `prior` is the least it can be: then the measurement tells nothing.

    Examples
    --------
    >>> settles = expected_largest({"reel": 0.5, "bench": 0.5}, Way.CHECK_STANDARD,
    ...     size_ppm=3000.0, size_sd_ppm=80.0, uncertainty_ppm=50.0)
    >>> settles > 0.99
    True
    """
    _require_causes(prior)
    total = sum(prior.values())
    mean = 0.0
    for cause, probability in prior.items():
        seen = Measured(
            way=way,
            off_ppm=size_ppm if cause in RESPONDS[way] else 0.0,
            readings=1,
            scatter_ppm=scatter_ppm,
            uncertainty_ppm=uncertainty_ppm,
        )
        after = update(prior, [seen], size_ppm=size_ppm, size_sd_ppm=size_sd_ppm)
        mean += probability / total * max(after.values())
    return mean


def settling(
    prior: Mapping[str, float],
    ways: Mapping[Way, tuple[float, float]],
    *,
    size_ppm: float,
    size_sd_ppm: float,
    settled: float = SETTLED,
) -> list[tuple[Way, float]]:
    """Return the ways that tell something, best first, with what they promise.

    Parameters
    ----------
    ways : mapping
        Those that can be gone, each with the scatter between things and the standard
        uncertainty of its readings, ppm.
    settled : float
        A cause this probable needs no further measurement.

    Returns
    -------
    list of (Way, float)
        With `expected_largest` of each. Empty once a cause is settled.

    Examples
    --------
    >>> ways = {Way.LOOSE_PARTS: (150.0, 100.0), Way.CHECK_STANDARD: (0.0, 50.0)}
    >>> best = settling({"reel": 0.6, "bench": 0.1, "unit": 0.3}, ways,
    ...     size_ppm=3000.0, size_sd_ppm=80.0)
    >>> best[0][0].value
    'loose parts'
    """
    _require_causes(prior)
    largest = max(prior.values()) / sum(prior.values())
    if largest >= settled:
        return []
    promised = [
        (
            way,
            expected_largest(
                prior,
                way,
                size_ppm=size_ppm,
                size_sd_ppm=size_sd_ppm,
                scatter_ppm=scatter_ppm,
                uncertainty_ppm=uncertainty_ppm,
            ),
        )
        for way, (scatter_ppm, uncertainty_ppm) in ways.items()
    ]
    telling = [one for one in promised if one[1] > largest + 1e-6]
    return sorted(telling, key=lambda one: -one[1])


def _require_size(size_ppm: float, size_sd_ppm: float) -> None:
    for what, value in (("size_ppm", size_ppm), ("size_sd_ppm", size_sd_ppm)):
        if not isfinite(value):
            raise NotFiniteError(argument=what, value=value)
    if size_sd_ppm < 0:
        raise OutOfRangeError(argument="size_sd_ppm", value=size_sd_ppm, allowed=">= 0")


def _require_causes(prior: Mapping[str, float]) -> None:
    for cause, probability in prior.items():
        if cause not in CAUSES:
            raise OutOfRangeError(
                argument="cause", value=cause, allowed=f"one of {', '.join(CAUSES)}"
            )
        if not isfinite(probability) or probability < 0:
            raise OutOfRangeError(argument=cause, value=probability, allowed=">= 0")
    if not any(probability > 0 for probability in prior.values()):
        raise OutOfRangeError(
            argument="prior", value=dict(prior), allowed="one cause above 0 at least"
        )
