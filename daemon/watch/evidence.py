"""What a finding rests on: kept with its signal, told by `sentences`."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from math import hypot, sqrt
from typing import NamedTuple

import numpy as np

from daemon.judging import ProductModel
from daemon.metrology import NoSolutionError, preferred_between
from daemon.spc import (
    Prediction,
    other_values,
    predicted_error,
    predicted_errors,
    reel_claim,
)
from daemon.spc.detector import TWO_SIDED_95, Baseline, Finding
from storage import Claim, Evidence, Label, Possible, Predicted, Reel

LEAST_CLASS_PROBABILITY = 0.01
PPM = 1e-6


class Off(NamedTuple):
    """How far off, ppm, with 95 %: of a range's own part as the range then reads."""

    size_ppm: float
    low_ppm: float
    high_ppm: float


def evidence_of(
    finding: Finding,
    product: ProductModel,
    baseline: Baseline,
    *,
    units: int,
    label: Reel | None,
) -> Evidence:
    """Return what a finding says beyond the columns of its signal.

    Parameters
    ----------
    finding
        Which one.
    product, baseline
        What the build is held against.
    units
        Units concerned so far.
    label
        The suspect reel as it was recorded; None where none is. Its claim is the one
        that is judged, else what is planned for the part.
    """
    index, place = finding.range_index, finding.culprit.place
    part = None if place is None else product.watched_parts[place]
    planned = None if part is None else product.settings.parts[part]
    said = Evidence(
        log_odds=round(finding.log_odds, 3),
        spread_factor=round(finding.spread_factor, 2),
        runners_up=tuple(
            (in_words(product, other.cause, other.range_index), other.probability)
            for other in finding.runners_up
        ),
        alike=finding.alike,
        mixed_share=finding.mixed_share,
        drift_ppm_per_unit=finding.drift_ppm_per_unit,
        range_title=None if index is None else product.ranges[index].title,
        tolerance_ppm=None if planned is None else planned.tolerance_ppm,
        nominal_ohm=None if planned is None else planned.nominal_ohm,
    )
    if finding.cause != "reel":
        return said
    if index is not None:
        foretold = _predicted(predicted_error(finding, baseline))
        said = replace(said, predicted_ppm=foretold)
    if part is None or place is None:
        return said
    spread_ppm = float(baseline.sigma_ppm[place]) * finding.spread_factor
    said = _of_part(
        said,
        finding,
        product,
        part,
        off_nominal(finding, product, baseline, part),
        units=units,
        spread_ppm=spread_ppm,
        label=label,
    )
    if index is not None:
        return said
    return replace(
        said,
        range_titles=tuple(one.title for one in product.ranges_of(part)),
        predicted_by_range={
            product.ranges[felt].title: _predicted(one)
            for felt, one in predicted_errors(finding, baseline).items()
        },
    )


def off_nominal(
    finding: Finding, product: ProductModel, baseline: Baseline, part: str
) -> Off:
    """Return how far a finding's part is off its nominal value.

    A finding says how far a reel lies from those before it, which are taken for
    nominal; how far they may be from that widens the interval. It is known from the
    parts list (a tolerance t is a standard deviation t / sqrt(3), JCGM 100:2008, 4.3.7)
    and from the ranges, each of which tells the sum of its parts (least squares).

    Parameters
    ----------
    part
        The suspect one, or another that may be it.
    """
    index = finding.range_index
    effect = 1.0 if index is None else product.ranges[index].sensitivities[part]
    reach_ppm = abs(effect) * TWO_SIDED_95 * _usual_ppm(product, baseline, part)
    middle_ppm = finding.size_ppm
    return Off(
        size_ppm=middle_ppm,
        low_ppm=middle_ppm - hypot(middle_ppm - finding.low_ppm, reach_ppm),
        high_ppm=middle_ppm + hypot(finding.high_ppm - middle_ppm, reach_ppm),
    )


def _usual_ppm(product: ProductModel, baseline: Baseline, part: str) -> float:
    """Return how far a part of ordinary reels may be off nominal, root mean square."""
    parts = sorted({one for own in product.ranges for one in own.sensitivities})
    effects = np.array(
        [[own.sensitivities.get(one, 0.0) for one in parts] for own in product.ranges]
    )
    tolerances = [product.settings.parts[one].tolerance_ppm for one in parts]
    prior = np.diag(np.square(tolerances) / 3.0)
    seen = effects @ prior @ effects.T + np.diag(baseline.mean_variance_ppm2)
    gain = np.linalg.solve(seen, effects @ prior).T
    at = parts.index(part)
    variance = (prior - gain @ effects @ prior)[at, at]
    return hypot(float(gain[at] @ baseline.mean_ppm), sqrt(max(variance, 0.0)))


def in_words(product: ProductModel, cause: str, index: int | None) -> str:
    """Return a cause with its range."""
    if index is None:
        return "reel of a part that some ranges share" if cause == "reel" else cause
    return f"{cause}, range {product.ranges[index].title}"


def _of_part(
    said: Evidence,
    finding: Finding,
    product: ProductModel,
    part: str,
    off: Off,
    *,
    units: int,
    spread_ppm: float,
    label: Reel | None,
) -> Evidence:
    """Return it with what the parts of the suspect reel are, and should be.

    The size of a part that some ranges share is the part's, that of a range's own part
    is the range's.
    """
    planned = product.settings.parts[part]
    nominal_ohm, size_ppm, effect = planned.nominal_ohm, off.size_ppm, 1.0
    ends_ppm = off.low_ppm, off.high_ppm
    low_ohm, high_ohm = (nominal_ohm * (1.0 + one * PPM) for one in ends_ppm)
    implied: list[float | None] = [low_ohm, high_ohm]
    alike = (
        () if finding.range_index is None else product.ranges[finding.range_index].alike
    )
    if low_ohm > 0.0 and not alike:
        likely = preferred_between(low_ohm, high_ohm)
        others = other_values(nominal_ohm, finding, likely)
        said = replace(said, other_values_ohm=others)
    if finding.range_index is not None:
        own = product.ranges[finding.range_index]
        effect = abs(own.sensitivities[part])
        size_ppm = off.size_ppm / own.sensitivities[part]
        implied = [product.implied_ohm(own.key, one) for one in ends_ppm]
    tolerance_ppm = planned.tolerance_ppm
    if label is not None:
        # How far parts are from their label, given how far from the plan.
        value_ohm = nominal_ohm * (1.0 + size_ppm * PPM)
        size_ppm = (value_ohm / label.nominal_ohm - 1.0) / PPM
        tolerance_ppm = label.tolerance_ppm
        said = replace(
            said,
            label=Label(
                label_ohm=label.nominal_ohm,
                label_ppm=label.tolerance_ppm,
                planned_ohm=nominal_ohm,
                planned_ppm=planned.tolerance_ppm,
            ),
        )
    if alike:
        # What the reel's parts are, no reading tells while another may be off.
        return replace(
            said,
            tolerance_ppm=tolerance_ppm,
            implied_low_ohm=implied[0],
            implied_high_ohm=implied[1],
        )
    claim = reel_claim(
        size_ppm=size_ppm,
        sigma_ppm=(off.high_ppm - off.low_ppm) / (2.0 * TWO_SIDED_95) / effect,
        spread_ppm=spread_ppm / effect,
        units=units,
        tolerance_ppm=tolerance_ppm,
    )
    return replace(
        said,
        tolerance_ppm=tolerance_ppm,
        claim=Claim(
            tolerance_ppm=tolerance_ppm,
            incompatible=round(claim.incompatible, 4),
            classes=tuple(
                (one.tolerance_ppm, round(one.probability, 4))
                for one in claim.classes
                if one.probability >= LEAST_CLASS_PROBABILITY
            ),
        ),
        implied_low_ohm=implied[0],
        implied_high_ohm=implied[1],
    )


def possible_parts(
    product: ProductModel,
    key: str,
    off: Mapping[str, Off] | Off,
    *,
    reels: Sequence[str] = (),
    seen_right: Collection[str] = (),
) -> tuple[Possible, ...]:
    """Return the parts of a range of which its readings cannot tell which is off.

    Parameters
    ----------
    key
        Of the range.
    off
        How far it reads off where it is one part or another; of one unit alone, for
        each the same.
    reels
        Of each of the range's parts that are `alike`, "" unknown; left out, of none.
    seen_right
        Parts whose reel units before had too, that read as they should.

    Returns
    -------
    tuple of Possible
        Each with the value that explains the size, were it the one. Parts that no
        value of theirs can explain are left out; empty where one at most is left.
    """
    found = []
    for place, part in enumerate(product.range(key).alike):
        one = off if isinstance(off, Off) else off[part]
        try:
            low, middle, high = (
                product.implied_ohm(key, ppm, part) or 0.0
                for ppm in (one.low_ppm, one.size_ppm, one.high_ppm)
            )
        except NoSolutionError:
            continue
        found.append(
            Possible(
                part=part,
                ohm=middle,
                low_ohm=min(low, high),
                high_ohm=max(low, high),
                reel=(reels[place] if reels else "") or None,
                seen_right=part in seen_right,
            )
        )
    return tuple(found) if len(found) > 1 else ()


def _predicted(one: Prediction) -> Predicted:
    return Predicted(*(round(e, 1) for e in (one.mean_ppm, one.low_ppm, one.high_ppm)))
