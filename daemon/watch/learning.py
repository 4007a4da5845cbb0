"""What earlier builds teach about the next: levels, scatter, effect of temperature."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from daemon.product import ProductModel
from daemon.spc.baseline import Baseline, Segment, fit_baseline_of
from daemon.spc.temperature import TemperatureEffect, fit_temperature
from daemon.watch.entering import Errors, UnitErrors

SQRT_3 = 3.0**0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Learnt:
    """What a build is held against.

    Attributes
    ----------
    baseline : Baseline
        Of errors referred to one temperature, as it holds at the build's own.
    effect : TemperatureEffect or None
        None where a unit's temperature was not recorded: nothing is referred then.
    ambient_c : float
        Of the build's own units; NaN without an effect.
    """

    baseline: Baseline
    effect: TemperatureEffect | None = None
    ambient_c: float = float("nan")

    def referred(self, unit: UnitErrors) -> tuple[Errors, Errors | None]:
        """Return a unit's errors, ppm, and their variance, as the baseline has them.

        What the coefficients may be off by counts as the unit's own; the share that
        all units of the build have in common is the baseline's already.
        """
        if self.effect is None or unit.ambient_c is None:
            return unit.errors_ppm, unit.variance_ppm2
        errors = self.effect.referred(
            unit.errors_ppm[None], np.array([unit.ambient_c])
        )[0]
        away = self.effect.sigma_ppm_per_k * (unit.ambient_c - self.ambient_c)
        own = 0.0 if unit.variance_ppm2 is None else unit.variance_ppm2
        return errors, own + away**2

    def segments(self, segments: Sequence[Segment]) -> list[Segment]:
        """Return segments with their errors as the baseline has them."""
        if self.effect is None:
            return list(segments)
        effect = self.effect
        return [
            one
            if one.ambient_c is None
            else replace(one, errors_ppm=effect.referred(one.errors_ppm, one.ambient_c))
            for one in segments
        ]


def learn(
    earlier: Sequence[Segment], product: ProductModel, own: Sequence[Segment] = ()
) -> Learnt:
    """Return what a build is held against.

    Parameters
    ----------
    earlier
        Of other builds, without what moved.
    product
        Whose builds they are; its parts bound the effect of temperature.
    own
        The build's own units so far. They tell of the effect of temperature, never of
        levels: those are what is watched.
    """
    bounds = [list(one.tempco_ppm_per_k.values()) for one in product.ranges]
    effect = fit_temperature(
        [*earlier, *own],
        product.layout,
        sigma_ppm_per_k=np.array([np.linalg.norm(one) / SQRT_3 for one in bounds]),
        bound_ppm_per_k=np.array([sum(one) for one in bounds]),
    )
    bare = Learnt(baseline=fit_baseline_of(earlier, product.layout))
    if effect is None:
        return bare
    known = replace(bare, effect=effect)
    baseline = fit_baseline_of(known.segments(earlier), product.layout)
    warmth = [one.ambient_c for one in own if one.ambient_c is not None]
    if not warmth:
        return replace(known, baseline=baseline, ambient_c=effect.at_c)
    ambient = float(np.concatenate(warmth).mean())
    return replace(known, baseline=effect.widened(baseline, ambient), ambient_c=ambient)


def segments_of(
    units: Sequence[UnitErrors],
    errors: Errors,
    reels: Sequence[tuple[str, ...]],
    build: str,
) -> tuple[Segment, ...]:
    """Return units of a build, in the order of serials, cut where reels change.

    Parameters
    ----------
    units
        Whose temperatures count.
    errors
        What is told of each, ppm, a row a unit; the rest of the units are left out.
    reels
        Of each unit.
    build
        Its name.
    """
    count = len(errors)
    cuts = [i for i in range(1, count) if reels[i] != reels[i - 1]]
    made = []
    for a, b in pairwise([0, *cuts, count] if count else []):
        ambient = [one.ambient_c for one in units[a:b] if one.ambient_c is not None]
        made.append(
            Segment(
                errors_ppm=errors[a:b],
                build=build,
                reels=reels[a],
                ambient_c=np.array(ambient) if len(ambient) == b - a else None,
            )
        )
    return tuple(made)
