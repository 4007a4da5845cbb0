"""Process capability and performance (ISO 22514)."""

from daemon.spc.capability.indices import (
    Indices,
    Specification,
    cp_interval,
    cpk_interval,
    cpm_interval,
    indices,
    one_sided_bound,
)
from daemon.spc.capability.nonconforming import (
    CountedShare,
    PredictedShare,
    counted_share,
    predicted_share,
)
from daemon.spc.capability.nonnormal import (
    Distribution,
    Family,
    Fit,
    Quantiles,
    best_fit,
    distribution_quantiles,
    fit,
    percentile_indices,
    predicted_share_of,
    sample_quantiles,
)
from daemon.spc.capability.of_builds import CapabilityStudy, Rated, capability_study

__all__ = [
    "CapabilityStudy",
    "CountedShare",
    "Distribution",
    "Family",
    "Fit",
    "Indices",
    "PredictedShare",
    "Quantiles",
    "Rated",
    "Specification",
    "best_fit",
    "capability_study",
    "counted_share",
    "cp_interval",
    "cpk_interval",
    "cpm_interval",
    "distribution_quantiles",
    "fit",
    "indices",
    "one_sided_bound",
    "percentile_indices",
    "predicted_share",
    "predicted_share_of",
    "sample_quantiles",
]
