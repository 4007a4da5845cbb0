"""What can be done to one unit: another part, another limit, or a trimming resistor."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, sqrt

from daemon.judging import ProductModel
from daemon.metrology import NoSolutionError, Trim, trim

PPM = 1e-6
SERIES = ("E24", "E96", "E192")
"""Preferred values that are tried, of IEC 60063; the first that is near enough."""
NEAR_ENOUGH = 0.1
"""Remaining error as a share of the error limit at which a coarser series will do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimPlan:
    """What a trimming resistor makes of a range.

    Attributes
    ----------
    error_ppm : float
        What remains of the range error.
    tolerance_ppm : float
        Standard uncertainty of it from the trimming resistor's tolerance (rectangular)
        and the measured error.
    tempco_ppm_per_k : float
        Largest temperature coefficient of the range: the trimming resistor's share
        added to what was there.
    """

    range: str
    part: str
    series: str
    trim: Trim
    before_ppm: float
    error_ppm: float
    tolerance_ppm: float
    tempco_ppm_per_k: float


def trim_plan(
    product: ProductModel,
    range_: str,
    *,
    error_ppm: float,
    uncertainty_ppm: float,
    limit_ppm: float,
    series: str | None = None,
    tolerance_ppm: float = 10_000.0,
    tempco_ppm_per_k: float = 100.0,
) -> TrimPlan:
    """Return the preferred value that brings a range back.

    The range's own part is taken to carry the whole error, which is what a finding on
    its reel says.

    Parameters
    ----------
    error_ppm, uncertainty_ppm : float
        Of the range as measured, standard uncertainty.
    limit_ppm : float
        Error limit; decides whether a coarser series is near enough.
    series : str, optional
        One of `SERIES`; the coarsest that is near enough when left out.
    tolerance_ppm, tempco_ppm_per_k : float
        Of the trimming resistor.

    Raises
    ------
    daemon.metrology.errors.NoSolutionError
        The range has no part of its own, or no such resistor can be had.
    """
    one = product.range(range_)
    actual_ohm = product.implied_ohm(range_, error_ppm)
    if one.part is None or actual_ohm is None:
        raise NoSolutionError(
            subject=f"range {one.title}", reason="it has no part of its own to trim"
        )
    wanted_ohm = product.nominal_ohm[one.part]
    best: TrimPlan | None = None
    for name in SERIES if series is None else (series,):
        made = trim(actual_ohm, wanted_ohm, series=name)
        best = _plan(product, range_, one.part, name, made, error_ppm,
                     uncertainty_ppm, tolerance_ppm, tempco_ppm_per_k)  # fmt: skip
        if abs(best.error_ppm) <= NEAR_ENOUGH * limit_ppm:
            break
    if best is None:
        raise NoSolutionError(subject=f"range {one.title}", reason="no series is named")
    return best


def _plan(
    product: ProductModel,
    range_: str,
    part: str,
    series: str,
    trim: Trim,
    before_ppm: float,
    uncertainty_ppm: float,
    tolerance_ppm: float,
    tempco_ppm_per_k: float,
) -> TrimPlan:
    one = product.range(range_)
    ohm: Mapping[str, float] = {**product.nominal_ohm, part: trim.result_ohm}
    after_ppm = (one.transfer.value(ohm) / one.nominal_transfer - 1) / PPM
    reach = abs(one.sensitivities[part]) * trim.sensitivity
    return TrimPlan(
        range=range_,
        part=part,
        series=series,
        trim=trim,
        before_ppm=before_ppm,
        error_ppm=after_ppm,
        tolerance_ppm=hypot(uncertainty_ppm, reach * tolerance_ppm / sqrt(3)),
        tempco_ppm_per_k=sum(one.tempco_ppm_per_k.values()) + reach * tempco_ppm_per_k,
    )
