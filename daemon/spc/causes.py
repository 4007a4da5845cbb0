"""What would settle a finding, and what each such measurement says about its causes."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import combinations, product
from math import exp, hypot, isfinite, log, pi, sqrt
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

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
    "update_parts",
]

SLIP = 0.02
"""Share of measurements that are slips: a wrong reel, a digit lost, a poor contact."""
SLIP_WIDTH = 5.0
"""A slip lies anywhere within so many times the finding's size and its own scatter."""
SETTLED = 0.99
"""A cause this probable needs no further measurement."""
TELLS = 1e-3
"""By how much a measurement raises the largest probability, to be worth making."""
SLIPS_OF_GROUP = 2
"""Of a group of measurements so many at most are slips by themselves."""
LEAST_KEPT = 2
MOST_TOGETHER = 512
"""So many ways in which groups may be sound or slips are weighed together."""
POINTS_NEAR = 161
POINTS_FAR = 401
LARGEST_PPM = 1e12
"""Beyond this nothing is a measurement."""
LARGEST_LOG = 700.0
FloatArray = NDArray[np.float64]


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
        Standard uncertainty that its readings share and no other measurement does,
        ppm. Above 0.
    shared : mapping of str to float
        What it has in common with other measurements that name the same: a meter, the
        level of a reel. Standard uncertainty of each, ppm.
    part : str, optional
        Which part was read, where the finding may be of one of several.
    """

    way: Way
    off_ppm: float
    readings: int
    scatter_ppm: float
    uncertainty_ppm: float
    shared: Mapping[str, float] = field(default_factory=dict)
    part: str | None = None

    def __post_init__(self) -> None:
        """Refuse what is no measurement."""
        for name in ("off_ppm", "scatter_ppm", "uncertainty_ppm"):
            _require_within(name, getattr(self, name))
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
        for name, value in self.shared.items():
            _require_within(name, value)
            if value < 0:
                raise OutOfRangeError(argument=name, value=value, allowed=">= 0")

    @property
    def own_variance(self) -> float:
        """What no other measurement shares, ppm^2."""
        return self.scatter_ppm**2 / self.readings + self.uncertainty_ppm**2

    @property
    def sd_ppm(self) -> float:
        """Standard deviation of the whole when nothing has moved, ppm."""
        return hypot(sqrt(self.own_variance), *self.shared.values())


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
    causes = [_Hypothesis(cause) for cause in CAUSES]
    logs = _log_likelihoods([measured], [*causes, _STILL], size_ppm, size_sd_ppm)
    return {
        one.cause: exp(_finite_log(float(logs[one] - logs[_STILL]))) for one in causes
    }


def update(
    prior: Mapping[str, float],
    measured: Sequence[Measured],
    *,
    size_ppm: float,
    size_sd_ppm: float,
    parts: Sequence[str] = (),
) -> dict[str, float]:
    """Return the probability of each cause once these measurements are in.

    Parameters
    ----------
    prior : mapping
        Probability by cause, of the finding itself; what it leaves out is not
        considered. Need not add to one.
    measured : sequence of Measured
        In any order. What they share counts once: the same meter used again tells
        no more than the meter itself allows.
    size_ppm, size_sd_ppm : float
        The finding's size and its standard deviation, ppm.
    parts : sequence of str
        Parts of which nothing so far tells which one is off: a cause that is in a part
        is the mixture over them, all alike beforehand. What was measured on one speaks
        of that one alone.

    Raises
    ------
    OutOfRangeError
        An unknown cause, or no cause with a probability above 0.

    Notes
    -----
    Given a cause the measurements are jointly normal: the size is one for all of them,
    and what two name in common is one for both. Measurements of one way that share all
    that they share are one group, which may be a slip as a whole (a wrong reel, a
    meter on the wrong range), and in which one or two may be slips by themselves.

    Examples
    --------
    >>> good_bench = Measured(way=Way.CHECK_STANDARD, off_ppm=0.0, readings=1,
    ...     scatter_ppm=0.0, uncertainty_ppm=50.0)
    >>> found = update({"reel": 0.5, "bench": 0.5}, [good_bench],
    ...     size_ppm=3000.0, size_sd_ppm=80.0)
    >>> found["reel"] > 0.99
    True
    """
    found = _updated(prior, measured, size_ppm, size_sd_ppm, parts)
    return _by_cause(found, prior)


def update_parts(
    prior: Mapping[str, float],
    measured: Sequence[Measured],
    *,
    size_ppm: float,
    size_sd_ppm: float,
    parts: Sequence[str],
) -> dict[str, float]:
    """Return how probable each of several parts is, given that it is one of them.

    Parameters and errors are those of `update`.

    Examples
    --------
    >>> good = Measured(way=Way.FOUR_WIRE, off_ppm=0.0, readings=1, scatter_ppm=0.0,
    ...     uncertainty_ppm=50.0, part="R4")
    >>> found = update_parts({"reel": 0.9, "bench": 0.1}, [good],
    ...     size_ppm=3000.0, size_sd_ppm=80.0, parts=("R3", "R4"))
    >>> found["R3"] > 0.98
    True
    """
    found = _updated(prior, measured, size_ppm, size_sd_ppm, parts)
    shares = {
        part: sum(p for one, p in found.items() if one.part == part) for part in parts
    }
    total = sum(shares.values())
    if total <= 0.0:
        return dict.fromkeys(parts, 1.0 / len(parts))
    return {part: share / total for part, share in shares.items()}


@dataclass(frozen=True, slots=True)
class _Hypothesis:
    """A cause, and in which part it is where it may be in one of several."""

    cause: str
    part: str | None = None

    def moves(self, one: Measured) -> bool:
        """Whether a measurement reads off by the finding's size."""
        same = self.part is None or one.part is None or self.part == one.part
        return same and self.cause in RESPONDS[one.way]


_STILL = _Hypothesis("nothing")
"""What moves no measurement."""


def _hypotheses(
    prior: Mapping[str, float], parts: Sequence[str]
) -> dict[_Hypothesis, float]:
    """Return what may be, with its probability beforehand; nothing impossible."""
    found = {}
    for cause, p in prior.items():
        if p <= 0:
            continue
        within = parts if parts and cause in RESPONDS[Way.FOUR_WIRE] else (None,)
        for part in within:
            found[_Hypothesis(cause, part)] = p / len(within)
    return found


def _updated(
    prior: Mapping[str, float],
    measured: Sequence[Measured],
    size_ppm: float,
    size_sd_ppm: float,
    parts: Sequence[str],
) -> dict[_Hypothesis, float]:
    _require_causes(prior)
    _require_size(size_ppm, size_sd_ppm)
    before = _hypotheses(prior, parts)
    logs = _log_likelihoods(measured, before, size_ppm, size_sd_ppm)
    weights = {one: log(before[one]) + float(log_) for one, log_ in logs.items()}
    largest = max(weights.values())
    shares = {one: exp(w - largest) for one, w in weights.items()}
    total = sum(shares.values())
    return {one: share / total for one, share in shares.items()}


def _by_cause(
    found: Mapping[_Hypothesis, float], causes: Iterable[str]
) -> dict[str, float]:
    return {
        cause: sum(p for one, p in found.items() if one.cause == cause)
        for cause in causes
    }


def expected_largest(
    prior: Mapping[str, float],
    further: Measured,
    *,
    size_ppm: float,
    size_sd_ppm: float,
    measured: Sequence[Measured] = (),
    parts: Sequence[str] = (),
) -> float:
    """Return how probable the most probable cause will be after one more measurement.

    The mean of the largest probability over all that the measurement may read, slips
    among it, given what was measured so far. It is never less than now; equal to that
    the measurement tells nothing.

    Parameters
    ----------
    prior : mapping
        Probability by cause before anything was measured.
    further : Measured
        As it will be; what it is off by does not matter.
    size_ppm, size_sd_ppm : float
        The finding's size and its standard deviation, ppm.
    measured : sequence of Measured
        Made already; what they share with the further one is no news.
    parts : sequence of str
        As in `update`. Where the further one reads one of them, a cause in one part is
        another than the same cause in another.

    Examples
    --------
    >>> check = Measured(way=Way.CHECK_STANDARD, off_ppm=0.0, readings=1,
    ...     scatter_ppm=0.0, uncertainty_ppm=50.0)
    >>> settles = expected_largest({"reel": 0.5, "bench": 0.5}, check,
    ...     size_ppm=3000.0, size_sd_ppm=80.0)
    >>> round(settles, 2)
    0.99
    """
    _require_causes(prior)
    _require_size(size_ppm, size_sd_ppm)
    read_ppm = _readable(further, measured, size_ppm, size_sd_ppm)
    before = _hypotheses(prior, parts)
    now = _log_likelihoods(measured, before, size_ppm, size_sd_ppm)
    then = _log_likelihoods(
        measured, before, size_ppm, size_sd_ppm, further=(further, read_ppm)
    )
    logs = np.array([log(p) + then[one] for one, p in before.items()])
    shift = max(log(p) + float(now[one]) for one, p in before.items())
    joint = np.exp(logs - shift)
    if parts and further.part is None:
        causes = np.array([one.cause for one in before])
        joint = np.array([joint[causes == one].sum(axis=0) for one in {*causes}])
    return float(
        np.trapezoid(joint.max(axis=0), read_ppm)
        / np.trapezoid(joint.sum(axis=0), read_ppm)
    )


def settling(
    prior: Mapping[str, float],
    ways: Iterable[Measured],
    *,
    size_ppm: float,
    size_sd_ppm: float,
    measured: Sequence[Measured] = (),
    settled: float = SETTLED,
    parts: Sequence[str] = (),
) -> list[tuple[Way, float]]:
    """Return the ways that tell something, best first, with what they promise.

    Parameters
    ----------
    prior : mapping
        Probability by cause before anything was measured.
    ways : iterable of Measured
        Those that can be gone, one each, as the measurement will be.
    measured : sequence of Measured
        Made already.
    settled : float
        A cause this probable needs no further measurement.
    parts : sequence of str
        As in `expected_largest`; ways that tell them apart come first.

    Returns
    -------
    list of (Way, float)
        With `expected_largest` of each. Empty once a cause is settled.

    Examples
    --------
    >>> ways = [
    ...     Measured(way=way, off_ppm=0.0, readings=1, scatter_ppm=0.0,
    ...         uncertainty_ppm=100.0)
    ...     for way in (Way.LOOSE_PARTS, Way.CHECK_STANDARD)
    ... ]
    >>> best = settling({"reel": 0.6, "bench": 0.1, "unit": 0.3}, ways,
    ...     size_ppm=3000.0, size_sd_ppm=80.0)
    >>> best[0][0].value
    'loose parts'
    """
    known = {"size_ppm": size_ppm, "size_sd_ppm": size_sd_ppm}
    found = _updated(prior, measured, size_ppm, size_sd_ppm, parts)
    now = _by_cause(found, prior)
    likeliest = max(now, key=lambda cause: now[cause])

    def largest(one: Measured) -> float:
        return max((now if one.part is None else found).values())

    promised = [
        (
            one,
            expected_largest(prior, one, measured=measured, parts=parts, **known),
        )
        for one in ways
        if largest(one) < settled
    ]
    telling = [
        (one, promise) for one, promise in promised if promise > largest(one) + TELLS
    ]

    # Of two that promise as much, the one that reads the likeliest cause alone.
    def rank(told: tuple[Measured, float]) -> tuple[bool, float, bool, int]:
        one, promise = told
        responds = RESPONDS[one.way]
        return (
            one.part is None,
            -round(promise, 2),
            likeliest not in responds,
            len(responds),
        )

    return [(one.way, promise) for one, promise in sorted(telling, key=rank)]


def _readable(
    further: Measured, measured: Sequence[Measured], size_ppm: float, size_sd_ppm: float
) -> FloatArray:
    """Return what a measurement may read, close together where that is likely, ppm."""
    half_width = _slip_width(further, size_ppm)
    centres = [0.0, size_ppm]
    # What was read by what it shares has moved where it will read.
    centres += [
        one.off_ppm for one in measured if one.shared.keys() & further.shared.keys()
    ]
    near = np.linspace(-8.0, 8.0, POINTS_NEAR)
    widths = (sqrt(further.own_variance), hypot(further.sd_ppm, size_sd_ppm))
    parts = [centre + near * width for centre in centres for width in widths]
    parts.append(np.linspace(-half_width, half_width, POINTS_FAR))
    read_ppm = np.unique(np.concatenate(parts))
    return read_ppm[np.abs(read_ppm) <= half_width]


def _slip_width(measured: Measured, size_ppm: float) -> float:
    """Return how far from nothing a slip may lie, ppm."""
    return SLIP_WIDTH * (abs(size_ppm) + measured.sd_ppm)


def _log_likelihoods(
    measured: Sequence[Measured],
    causes: Iterable[_Hypothesis],
    size_ppm: float,
    size_sd_ppm: float,
    further: tuple[Measured, FloatArray] | None = None,
) -> dict[_Hypothesis, FloatArray]:
    """Return by cause the logarithm of the density of all that was read.

    With `further` it is an array: one for each value that this one may read.
    """
    read = [(one, np.asarray(one.off_ppm)) for one in measured]
    if further is not None:
        read.append(further)
    groups = _grouped(read)
    most = max(LEAST_KEPT, int(MOST_TOGETHER ** (1.0 / max(len(groups), 1))))
    kept = [_ways_it_may_be(group, size_ppm)[:most] for group in groups]
    shared = [_shared(group) for group in groups]
    # Many causes move the same of what was read: then all of it is alike for them.
    alike: dict[tuple[bool, ...], FloatArray] = {}
    found = {}
    for cause in causes:
        responds = tuple(cause.moves(group[0][0]) for group in groups)
        if responds not in alike:
            alike[responds] = _log_likelihood(
                kept, shared, responds, size_ppm, size_sd_ppm
            )
        found[cause] = alike[responds]
    return found


def _log_likelihood(
    kept: Sequence[Sequence["_May"]],
    shared: Sequence[Mapping[str, float]],
    responds: Sequence[bool],
    size_ppm: float,
    size_sd_ppm: float,
) -> FloatArray:
    """Return the logarithm of the density of all that was read, where it is so.

    Parameters
    ----------
    kept, shared, responds
        By group of measurements, what it may be, what it shares with others, and
        whether it reads off by the finding's size.
    """
    total: FloatArray | None = None
    for together in product(*kept):
        weight = np.asarray(sum(one.log_weight for one in together))
        sound = [place for place, one in enumerate(together) if not one.slipped]
        if sound:
            weight = weight + _log_normal(
                [together[place] for place in sound],
                [shared[place] for place in sound],
                np.array([float(responds[place]) for place in sound]),
                size_ppm,
                size_sd_ppm,
            )
        total = weight if total is None else np.asarray(np.logaddexp(total, weight))
    return np.zeros(()) if total is None else total


@dataclass(frozen=True, slots=True, kw_only=True)
class _May:
    """What a group may be: all of it a slip, or sound but for some of its members."""

    log_weight: FloatArray
    mean_ppm: FloatArray
    variance: float
    slipped: bool


def _grouped(
    read: Sequence[tuple[Measured, FloatArray]],
) -> list[list[tuple[Measured, FloatArray]]]:
    """Return measurements of one way that share all that they share, together."""
    groups: dict[object, list[tuple[Measured, FloatArray]]] = {}
    for place, (one, off_ppm) in enumerate(read):
        key = (one.way, one.part, frozenset(one.shared)) if one.shared else place
        groups.setdefault(key, []).append((one, off_ppm))
    return list(groups.values())


def _shared(group: Sequence[tuple[Measured, FloatArray]]) -> dict[str, float]:
    """Return what a group shares with others, the least favourable of its members."""
    return {
        name: max(one.shared[name] for one, _ in group) for name in group[0][0].shared
    }


def _ways_it_may_be(
    group: Sequence[tuple[Measured, FloatArray]], size_ppm: float
) -> list[_May]:
    """Return what a group may be, the likeliest first."""
    one_slip = [log(SLIP) - log(2 * _slip_width(one, size_ppm)) for one, _ in group]
    found = []
    places = range(len(group))
    alone = 0 if len(group) == 1 else min(SLIPS_OF_GROUP, len(group) - 1)
    for count in range(alone + 1):
        for slips in combinations(places, count):
            sound = [group[place] for place in places if place not in slips]
            inverse = np.array([1.0 / one.own_variance for one, _ in sound])
            variance = float(1.0 / inverse.sum())
            mean = sum(w * off for w, (_, off) in zip(inverse, sound, strict=True))
            mean = np.asarray(mean * variance)
            # What the readings say of each other, whatever their common value is.
            among = 0.5 * log(2 * pi * variance) - sum(
                0.5 * (off - mean) ** 2 * w + 0.5 * log(2 * pi / w)
                for w, (_, off) in zip(inverse, sound, strict=True)
            )
            weight = among + sum(one_slip[place] for place in slips)
            if len(group) > 1:
                weight = weight + len(sound) * log(1 - SLIP)
            found += [
                _May(
                    log_weight=np.asarray(weight + log(1 - SLIP)),
                    mean_ppm=mean,
                    variance=variance,
                    slipped=False,
                ),
                _May(
                    log_weight=np.asarray(weight + min(one_slip)),
                    mean_ppm=mean,
                    variance=variance,
                    slipped=True,
                ),
            ]
    return sorted(found, key=lambda one: -float(np.max(one.log_weight)))


def _log_normal(
    sound: Sequence[_May],
    shared: Sequence[Mapping[str, float]],
    responds: FloatArray,
    size_ppm: float,
    size_sd_ppm: float,
) -> FloatArray:
    """Return the logarithm of the joint normal density of the groups' means."""
    covariance = np.diag([one.variance for one in sound])
    covariance += size_sd_ppm**2 * np.outer(responds, responds)
    for name in {name for one in shared for name in one}:
        felt = np.array([one.get(name, 0.0) for one in shared])
        covariance += np.outer(felt, felt)
    off = [one.mean_ppm - size_ppm * r for one, r in zip(sound, responds, strict=True)]
    residual = np.stack(np.broadcast_arrays(*off))
    low = np.linalg.cholesky(covariance)
    flat = np.linalg.solve(low, residual.reshape(len(sound), -1))
    squares = np.sum(flat**2, axis=0).reshape(residual.shape[1:])
    logdet = float(np.sum(np.log(np.diag(low))))
    return np.asarray(-0.5 * squares - logdet - 0.5 * len(sound) * log(2 * pi))


def _finite_log(value: float) -> float:
    """Return a logarithm of which the number is finite and above 0."""
    return min(max(value, -LARGEST_LOG), LARGEST_LOG)


def _require_within(name: str, value: float) -> None:
    if not isfinite(value):
        raise NotFiniteError(argument=name, value=value)
    if abs(value) > LARGEST_PPM:
        raise OutOfRangeError(
            argument=name,
            value=value,
            allowed=f">= {-LARGEST_PPM:g} and <= {LARGEST_PPM:g}",
        )


def _require_size(size_ppm: float, size_sd_ppm: float) -> None:
    for what, value in (("size_ppm", size_ppm), ("size_sd_ppm", size_sd_ppm)):
        _require_within(what, value)
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
