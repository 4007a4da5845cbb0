"""A capability study of builds, and why it must not be quoted where it must not."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from daemon.spc.anova import one_way
from daemon.spc.capability.across_builds import across_builds
from daemon.spc.capability.indices import (
    Indices,
    Specification,
    cp_interval,
    cpk_interval,
    indices,
    one_sided_bound,
)
from daemon.spc.capability.nonconforming import (
    CountedShare,
    PredictedShare,
    counted_share,
    predicted_share,
)
from daemon.spc.checks import Floats, finite_array
from daemon.spc.control_limits import rate_per_chart, width_for_rate
from daemon.spc.errors import NoSpreadError, ShapeError, TooFewError
from daemon.spc.moments import moments
from daemon.spc.normality import AndersonDarling, anderson_darling
from daemon.spc.variance.intervals import Interval
from daemon.spc.variance.one_way import one_way_components

_SURE = 0.01
"""Risk of calling a stable process unstable, for each of the study's own tests."""

_NORMAL = 0.05
"""Usual level of a test of normality; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rated:
    """Indices with what the sample leaves open.

    Of one build `cp_interval` is exact and `cpk_interval` Bissell's approximation; of
    several all three hold over builds still to be made. `cpk_bound` is the lower bound
    that holds at least as surely as said. `degrees` are those of `s`.
    """

    s: float
    degrees: int
    indices: Indices
    cp_interval: Interval | None
    cpk_interval: Interval
    cpk_bound: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CapabilityStudy:
    """What a set of builds says about a specification.

    `inside` rests on the pooled standard deviation inside builds (sigma-hat with
    subscript w, from the mean of the variances; gives Cp, Cpk), `overall` on that of
    all units together (S with subscript t; gives Pp, Ppk). `s_across` is the standard
    deviation from build to build, None for a single build. `predicted` uses the
    overall one. `normality` is None below eight units in builds of three or more.
    `reasons` says why the capability must not be quoted; the performance of what was
    made may be.
    """

    n: int
    builds: int
    mean: float
    inside: Rated
    overall: Rated
    s_across: float | None
    predicted: PredictedShare
    counted: CountedShare
    normality: AndersonDarling | None
    reasons: tuple[str, ...]

    @property
    def quotable(self) -> bool:
        """Whether the capability may be quoted."""
        return not self.reasons


def capability_study(
    builds: Sequence[ArrayLike],
    *,
    specification: Specification,
    names: Sequence[str] | None = None,
    signals: Sequence[str] = (),
    confidence: float = 0.95,
) -> CapabilityStudy:
    """Return capability and performance of builds, with reasons against quoting.

    Parameters
    ----------
    builds : sequence of array_like, shapes (n_1,), (n_2,), ...
        Units of each build in the order they were made; together at least three, and
        one build with two.
    specification : Specification
        One limit or two, in the unit of the values.
    names : sequence of str, length k, or None
        What to call each build in the reasons; None counts them from 1.
    signals : sequence of str
        What control charts of the same units say; each is a reason.
    confidence : float
        Of each interval, above 0 and below 1.

    Raises
    ------
    SpcError
        For too few units, values that are not finite or all the same, names that
        do not match the builds, or a confidence outside its bounds.

    Notes
    -----
    Besides the signals, the study itself looks for builds whose means differ (F
    test), for a drift or steps inside a build (ratio of successive differences), for
    a unit far from its build, and for values that are not normal, the first three at
    1 % each: a stable process is called unstable in about three studies of a hundred.

    References
    ----------
    ISO 22514-2:2017 and ISO 22514-4:2016 (capability presupposes a stable process);
    J. von Neumann, Annals of Mathematical Statistics 12 (1941) 367-395.

    Examples
    --------
    >>> study = capability_study(
    ...     [[9.9, 10.1, 10.0, 10.2], [10.0, 9.8, 10.1, 9.9], [13.0, 12.9, 13.1, 13.0]],
    ...     specification=Specification(lower=5.0, upper=15.0),
    ... )
    >>> study.quotable
    False
    >>> study.reasons[0]
    'build means differ by more than the units inside builds explain (p < 0.001)'
    """
    groups, labels = _checked(builds, names)
    everything = np.concatenate(groups)
    n, whole = len(everything), moments(everything)
    degrees = n - len(groups)
    s_inside = sqrt(sum(_squares(group) for group in groups) / degrees)
    if s_inside == 0.0:
        raise NoSpreadError(argument="spread inside builds", value=0.0, allowed="> 0")
    if len(groups) > 1:
        found = across_builds(
            groups, specification=specification, confidence=confidence
        )
        inside = Rated(
            s=s_inside,
            degrees=degrees,
            indices=indices(mean=whole.mean, s=s_inside, specification=specification),
            cp_interval=found.cp,
            cpk_interval=found.cpk,
            cpk_bound=found.cpk_bound,
        )
        overall = Rated(
            s=whole.s,
            degrees=n - 1,
            indices=indices(mean=whole.mean, s=whole.s, specification=specification),
            cp_interval=found.pp,
            cpk_interval=found.ppk,
            cpk_bound=found.ppk_bound,
        )
    else:
        inside = overall = _rated(
            whole.s,
            n - 1,
            mean=whole.mean,
            n=n,
            specification=specification,
            confidence=confidence,
        )
    normality = _normality(groups)
    return CapabilityStudy(
        n=n,
        builds=len(groups),
        mean=whole.mean,
        inside=inside,
        overall=overall,
        s_across=one_way_components(groups).s_across if len(groups) > 1 else None,
        predicted=predicted_share(
            mean=whole.mean, s=whole.s, specification=specification
        ),
        counted=counted_share(
            everything, specification=specification, confidence=confidence
        ),
        normality=normality,
        reasons=(
            *(f"a control chart signals: {signal}" for signal in signals),
            *_unstable(groups, labels, s_inside),
            *_not_normal(normality),
        ),
    )


def _checked(
    builds: Sequence[ArrayLike], names: Sequence[str] | None
) -> tuple[list[Floats], Sequence[str]]:
    groups = [
        finite_array(f"builds[{i}]", build, at_least=1)
        for i, build in enumerate(builds)
    ]
    if names is None:
        names = [str(i) for i in range(1, len(groups) + 1)]
    elif len(names) != len(groups):
        raise ShapeError(
            argument="len(names)", value=len(names), allowed=f"{len(groups)}"
        )
    n = sum(map(len, groups))
    if n < 3:
        raise TooFewError(argument="units in builds", value=n, allowed=">= 3")
    if np.ptp(np.concatenate(groups)) == 0.0:
        raise NoSpreadError(argument="spread of builds", value=0.0, allowed="> 0")
    if n == len(groups):
        raise TooFewError(
            argument="units in the largest build", value=1, allowed=">= 2"
        )
    return groups, names


def _rated(
    s: float,
    degrees: int,
    *,
    mean: float,
    n: int,
    specification: Specification,
    confidence: float,
) -> Rated:
    found = indices(mean=mean, s=s, specification=specification)
    return Rated(
        s=s,
        degrees=degrees,
        indices=found,
        cp_interval=None
        if found.cp is None
        else cp_interval(found.cp, degrees=degrees, confidence=confidence),
        cpk_interval=cpk_interval(
            found.cpk, n=n, degrees=degrees, confidence=confidence
        ),
        cpk_bound=one_sided_bound(
            found.cpk, n=n, degrees=degrees, confidence=confidence
        ),
    )


def _squares(group: Floats) -> float:
    return moments(group).s ** 2 * (len(group) - 1) if len(group) > 1 else 0.0


def _unstable(
    groups: Sequence[Floats], names: Sequence[str], s_inside: float
) -> list[str]:
    reasons = []
    if len(groups) > 1:
        p = one_way(groups).p
        if p < _SURE:
            reasons.append(
                "build means differ by more than the units inside builds explain "
                f"({_p_value(p)})"
            )
    for name, group in zip(names, groups, strict=True):
        if len(group) < 8 or np.ptp(group) == 0.0:
            continue
        p = _drift_p(group)
        if p < _SURE / len(groups):
            place = "the units" if len(groups) == 1 else f"the units of build {name}"
            reasons.append(f"{place} drift or move in steps ({_p_value(p)})")
    n = sum(map(len, groups))
    far = width_for_rate(rate_per_chart(any_alarm=_SURE, charts=n))
    worst = max(float(np.max(np.abs(group - group.mean()))) for group in groups)
    if worst > far * s_inside:
        reasons.append(
            f"one unit lies {worst / s_inside:.1f} standard deviations from its build"
        )
    return reasons


def _p_value(p: float) -> str:
    """Write a p-value: how far below a thousandth says nothing more."""
    return "p < 0.001" if p < 1e-3 else f"p = {p:.2g}"


def _drift_p(group: Floats) -> float:
    """One-sided p-value of too small successive differences (normal approximation)."""
    n = len(group)
    half = float(np.sum(np.diff(group) ** 2)) / (2.0 * (n - 1))
    z = (half / moments(group).s ** 2 - 1.0) / sqrt((n - 2) / (n * n - 1.0))
    return float(ndtr(z))


def _normality(groups: Sequence[Floats]) -> AndersonDarling | None:
    """Test the units around their build's mean, stretched to one common variance.

    A build of two says nothing here: its units lie symmetrically in any case.
    """
    longer = [group for group in groups if len(group) > 2]
    if sum(map(len, longer)) < 8:
        return None
    around = [
        (group - group.mean()) * sqrt(len(group) / (len(group) - 1)) for group in longer
    ]
    return anderson_darling(np.concatenate(around))


def _not_normal(normality: AndersonDarling | None) -> list[str]:
    if normality is None:
        return [
            "too few units in builds of three or more to tell whether they are normal"
        ]
    if normality.p < _NORMAL:
        return [f"the units are not normal ({_p_value(normality.p)}): use percentiles"]
    return []
