"""One instrument's readings of a level between two zeros, and their scatter."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import hypot, inf, sqrt
from statistics import fmean

from daemon.metrology.checks import not_zero, sample
from daemon.metrology.following import NEW_EACH_TIME, Following, mean_of
from daemon.metrology.uncertainty import Component, Distribution, type_a

UNSEEN = 1.15
"""By how much the scatter of a single reading is widened.

Satterthwaite's degrees of freedom are too many where two numbers alone tell them. Of
two meters that scatter alike, beside other lines a third as large to as large, 93.5 to
95.1 % were covered where 95 % was stated; so widened 95.0 to 96.0 %. The project's own,
by simulation."""


@dataclass(frozen=True, kw_only=True)
class Readings:
    """One instrument's readings: source at zero, at the level, at zero again.

    Each has one element a reading, at least one. Where reference and output
    have equally many at the level they are taken as pairs, so that a noise of
    the source that both saw counts for nothing.

    With `reversed_` the level stands between readings of the opposite level instead:
    half the swing counts, and an offset cancels. Without a `zero_after` nothing is
    known of a drift. `following` is what is known of how far the instrument's readings
    follow one another.
    """

    zero_before: Sequence[float]
    level: Sequence[float]
    zero_after: Sequence[float]
    reversed_: bool = False
    following: Following = NEW_EACH_TIME

    def __post_init__(self) -> None:
        least = {"zero_before": 1, "level": 1, "zero_after": 0 if self.reversed_ else 1}
        for name, at_least in least.items():
            sample(f"{name} readings", getattr(self, name), at_least=at_least)

    @cached_property
    def bases(self) -> tuple[Sequence[float], ...]:
        """What the level is compared with: before, and after where there is one."""
        both = (self.zero_before, self.zero_after)
        return tuple(one for one in both if len(one))

    @cached_property
    def base(self) -> float:
        """What the level is compared with, at the time of the level."""
        return fmean(fmean(one) for one in self.bases)

    @property
    def share(self) -> float:
        """How much of the swing from base to level counts."""
        return 0.5 if self.reversed_ else 1.0

    @cached_property
    def zero(self) -> float:
        """Zero at the time of the level."""
        if self.reversed_:
            return (self.base + fmean(self.level)) / 2
        return self.base

    @cached_property
    def drift(self) -> float:
        """Base after minus base before."""
        if len(self.bases) == 1:
            return 0.0
        return fmean(self.zero_after) - fmean(self.zero_before)

    @cached_property
    def net_level(self) -> float:
        """Level less zero."""
        return (fmean(self.level) - self.base) * self.share

    @cached_property
    def zero_scatter(self) -> tuple[float, float]:
        """Standard deviation and degrees of freedom of a reading at zero.

        Pooled over both zeros; where each has one reading their difference is
        all that is known.
        """
        zeros = [type_a(zero) for zero in self.bases if len(zero) >= 2]
        if not zeros:
            return abs(self.drift) / sqrt(2), 1.0
        degrees = sum(zero.degrees_of_freedom for zero in zeros)
        squares = sum(zero.deviation**2 * zero.degrees_of_freedom for zero in zeros)
        return sqrt(squares / degrees), float(degrees)

    @cached_property
    def zero_counts(self) -> float:
        """The variance of the drift for a variance of one reading of 1.

        One over the number of readings of each zero, were each reading new; a meter
        that filters leaves more.
        """
        counts = 0.0
        for one in self.bases:
            if len(one) < 2 or not (plain := type_a(one)).standard:
                counts += 1 / len(one)
                continue
            wider = mean_of(one, self.following).standard / plain.standard
            counts += wider**2 / len(one)
        return counts

    @cached_property
    def drift_beyond_scatter(self) -> float:
        """The part of the drift that scatter of the zeros does not make."""
        by_scatter = self.zero_scatter[0] ** 2 * self.zero_counts
        return sqrt(max(self.drift**2 - by_scatter, 0.0))


def scatter_components(
    reference: Readings, output: Readings
) -> tuple[list[Component], float | None]:
    """Return what the scatter of the readings does to their ratio.

    Parameters
    ----------
    reference, output : Readings
        Each with a level that is not its zero.

    Returns
    -------
    list of Component
        Standard uncertainties of the ratio of the means, ppm of the ratio, with
        their degrees of freedom (JCGM 100, 4.2).
    float or None
        Standard deviation of a single ratio at the level, ppm; None where
        nothing was read twice there.

    Raises
    ------
    ArgumentError
        If a level equals its zero.

    Examples
    --------
    >>> still = Readings(zero_before=[0.0], level=[1.0, 1.0], zero_after=[0.0])
    >>> noisy = Readings(zero_before=[0.0], level=[0.999, 1.001], zero_after=[0.0])
    >>> lines, repeatability_ppm = scatter_components(still, noisy)
    >>> round(repeatability_ppm), [round(line.standard) for line in lines]
    (1414, [0, 0, 1000])
    """
    not_zero(
        **{
            "reference level - zero": reference.net_level,
            "output level - zero": output.net_level,
        }
    )
    roles = (("reference", reference), ("output", output))
    if len(reference.level) == len(output.level) >= 2:
        line, deviation_ppm = _of_pairs(reference, output)
        return [*(_of_zero(role, one) for role, one in roles), line], deviation_ppm
    # A single reading at the level rests on the scatter of zero: what is known of both
    # is one number, so they are one line.
    lines = [_of_zero(role, one) for role, one in roles if len(one.level) > 1]
    singles = [_of_level(role, one) for role, one in roles]
    lines += [line for line, _ in singles]
    if len(reference.level) == len(output.level) == 1:
        return lines, None
    return lines, hypot(*(deviation_ppm for _, deviation_ppm in singles))


def _of_zero(role: str, readings: Readings) -> Component:
    deviation, degrees = readings.zero_scatter
    return _line(
        f"{role}: scatter of zero",
        _relative_ppm(readings, deviation)
        * sqrt(readings.zero_counts)
        / len(readings.bases),
        degrees,
    )


def _of_pairs(reference: Readings, output: Readings) -> tuple[Component, float]:
    ratio = output.net_level / reference.net_level
    series = mean_of(
        [
            ((out - output.zero) / (true - reference.zero) / ratio - 1) * 1e6
            for true, out in zip(reference.level, output.level, strict=True)
        ],
        reference.following.beside(output.following, _scatter_share(reference, output)),
    )
    line = _line("scatter", series.standard * output.share, series.degrees_of_freedom)
    return line, series.deviation


def _scatter_share(reference: Readings, output: Readings) -> float:
    """Return what the reference makes of the variance of their ratios."""
    of_reference, of_output = (
        _relative_ppm(one, type_a(one.level).deviation) for one in (reference, output)
    )
    both = hypot(of_reference, of_output)
    if not 0 < both < inf:
        return 0.5  # nothing scatters, or beyond all numbers
    return (of_reference / both) ** 2


def _of_level(role: str, readings: Readings) -> tuple[Component, float]:
    if len(readings.level) >= 2:
        series = mean_of(readings.level, readings.following)
        deviation, standard = series.deviation, series.standard
        degrees = float(series.degrees_of_freedom)
    else:
        # One reading shows no scatter: that of zero stands in for it.
        deviation, degrees = readings.zero_scatter
        of_zero = readings.zero_counts / len(readings.bases) ** 2
        standard = UNSEEN * deviation * sqrt(1.0 + of_zero)
    return _line(
        f"{role}: scatter", _relative_ppm(readings, standard), degrees
    ), _relative_ppm(readings, deviation)


def _relative_ppm(readings: Readings, deviation: float) -> float:
    return deviation * readings.share / abs(readings.net_level) * 1e6


def _line(name: str, standard: float, degrees: float) -> Component:
    return Component(
        name=name,
        standard=standard,
        distribution=Distribution.STUDENT,
        degrees_of_freedom=degrees,
    )
