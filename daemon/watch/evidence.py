"""What a finding rests on, as plain values: kept with its signal, told by `words`."""

from collections.abc import Sequence
from typing import Any

from config import Part
from daemon.judging import ProductModel
from daemon.metrology import preferred_between
from daemon.spc import (
    Prediction,
    ReelClaim,
    other_values,
    predicted_error,
    predicted_errors,
    reel_claim,
)
from daemon.spc.detector import TWO_SIDED_95, Baseline, Finding
from storage import Reel

LEAST_CLASS_PROBABILITY = 0.01
PPM = 1e-6


def evidence_of(
    finding: Finding,
    product: ProductModel,
    baseline: Baseline,
    *,
    units: int,
    label: Reel | None,
) -> dict[str, Any]:
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

    Returns
    -------
    dict
        For JSON. `runners_up` are pairs of words and probability; `alike` causes that
        nothing measured so far could tell from this one. With the reel of a range:
        `predicted_ppm`, what a unit that carries it and was not measured will read,
        and the ends of its 95 % interval; with that of a part which some ranges share
        `predicted_by_range`, the same by range. With the own part of a range:
        `claim` (tolerance, probability that the reel does not keep it, classes of
        IEC 60062 with their probabilities under the model of `spc.reel_claim`),
        `implied_low_ohm`, `implied_high_ohm`, and `other_values_ohm`, preferred values
        that would explain the size. With a recorded reel: `label`, what it says beside
        what is planned for the part, as `words.off_plan` takes it.
    """
    evidence: dict[str, Any] = {
        "log_odds": round(finding.log_odds, 3),
        "spread_factor": round(finding.spread_factor, 2),
        "runners_up": [
            (in_words(product, other.cause, other.range_index), other.probability)
            for other in finding.runners_up
        ],
        "alike": list(finding.alike),
        "mixed_share": finding.mixed_share,
        "drift_ppm_per_unit": finding.drift_ppm_per_unit,
        "range_title": None,
        "tolerance_ppm": None,
        "nominal_ohm": None,
    }
    if finding.range_index is not None:
        evidence |= _of_part(finding, product, baseline, units, label)
    elif finding.part_index is not None:
        evidence |= _of_common_part(finding, product, baseline, units, label)
    return evidence


def in_words(product: ProductModel, cause: str, index: int | None) -> str:
    """Return a cause with its range."""
    if index is None:
        return "reel of a part that some ranges share" if cause == "reel" else cause
    return f"{cause}, range {product.ranges[index].title}"


def _of_part(
    finding: Finding,
    product: ProductModel,
    baseline: Baseline,
    units: int,
    label: Reel | None,
) -> dict[str, Any]:
    index = finding.range_index
    if index is None:
        return {}
    own = product.ranges[index]
    said: dict[str, Any] = {"range_title": own.title}
    if finding.cause == "reel":
        said["predicted_ppm"] = _foretold(predicted_error(finding, baseline))
    if own.part is None:
        return said
    nominal = product.nominal_ohm[own.part]
    planned = product.settings.parts[own.part]
    said |= {"tolerance_ppm": planned.tolerance_ppm, "nominal_ohm": nominal}
    if finding.cause != "reel":
        return said
    said |= _labelled(label, planned)
    effect = abs(own.sensitivities[own.part])
    sigma = (finding.high_ppm - finding.low_ppm) / (2.0 * TWO_SIDED_95)
    claim = reel_claim(
        size_ppm=_from_label_ppm(finding.level_ppm / effect, label, nominal),
        sigma_ppm=sigma / effect,
        spread_ppm=float(baseline.sigma_ppm[index]) * finding.spread_factor / effect,
        units=units,
        tolerance_ppm=said["tolerance_ppm"],
    )
    implied = [product.implied_ohm(own.key, e) for e in _interval(finding)]
    return said | {
        "claim": _claimed(claim),
        "implied_low_ohm": implied[0],
        "implied_high_ohm": implied[1],
        "other_values_ohm": list(_other_values(nominal, finding)),
    }


def _of_common_part(
    finding: Finding,
    product: ProductModel,
    baseline: Baseline,
    units: int,
    label: Reel | None,
) -> dict[str, Any]:
    """Return what is said of a part that some ranges share: its size is the part's."""
    index = finding.part_index
    name = None if index is None else product.watched_parts[index]
    if index is None or name is None:
        return {}
    nominal = product.nominal_ohm[name]
    planned = product.settings.parts[name]
    said = {"tolerance_ppm": planned.tolerance_ppm} | _labelled(label, planned)
    claim = reel_claim(
        size_ppm=_from_label_ppm(finding.size_ppm, label, nominal),
        sigma_ppm=(finding.high_ppm - finding.low_ppm) / (2.0 * TWO_SIDED_95),
        spread_ppm=float(baseline.sigma_ppm[index]) * finding.spread_factor,
        units=units,
        tolerance_ppm=said["tolerance_ppm"],
    )
    return said | {
        "range_titles": [one.title for one in product.ranges_of(name)],
        "predicted_by_range": {
            product.ranges[place].title: _foretold(one)
            for place, one in predicted_errors(finding, baseline).items()
        },
        "nominal_ohm": nominal,
        "claim": _claimed(claim),
        "implied_low_ohm": nominal * (1.0 + finding.low_ppm * PPM),
        "implied_high_ohm": nominal * (1.0 + finding.high_ppm * PPM),
        "other_values_ohm": list(_other_values(nominal, finding)),
    }


def _labelled(label: Reel | None, planned: Part) -> dict[str, Any]:
    """Return the claim of a recorded reel, and its label beside what is planned."""
    if label is None:
        return {}
    return {
        "tolerance_ppm": label.tolerance_ppm,
        "label": {
            "label_ohm": label.nominal_ohm,
            "label_ppm": label.tolerance_ppm,
            "planned_ohm": planned.nominal_ohm,
            "planned_ppm": planned.tolerance_ppm,
        },
    }


def _from_label_ppm(size_ppm: float, label: Reel | None, nominal_ohm: float) -> float:
    """Return how far parts are from their label, given how far from the plan."""
    if label is None:
        return size_ppm
    return (nominal_ohm * (1.0 + size_ppm * PPM) / label.nominal_ohm - 1.0) / PPM


def _foretold(one: Prediction) -> list[float]:
    return [round(value, 1) for value in (one.mean_ppm, one.low_ppm, one.high_ppm)]


def _claimed(claim: ReelClaim) -> dict[str, Any]:
    return {
        "tolerance_ppm": claim.tolerance_ppm,
        "incompatible": round(claim.incompatible, 4),
        "classes": [
            (one.tolerance_ppm, round(one.probability, 4))
            for one in claim.classes
            if one.probability >= LEAST_CLASS_PROBABILITY
        ],
    }


def _interval(finding: Finding) -> Sequence[float]:
    return finding.low_ppm, finding.high_ppm


def _other_values(nominal_ohm: float, finding: Finding) -> tuple[float, ...]:
    low, high = (nominal_ohm * (1.0 + e * PPM) for e in _interval(finding))
    if low <= 0.0:
        return ()
    return other_values(nominal_ohm, finding, preferred_between(low, high))
