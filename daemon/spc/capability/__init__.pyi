from .indices import (
    Indices as Indices,
    Specification as Specification,
    cp_interval as cp_interval,
    cpk_interval as cpk_interval,
    cpm_interval as cpm_interval,
    indices as indices,
    one_sided_bound as one_sided_bound,
)
from .nonconforming import (
    CountedShare as CountedShare,
    PredictedShare as PredictedShare,
    counted_share as counted_share,
    predicted_share as predicted_share,
)
from .nonnormal import (
    Distribution as Distribution,
    Family as Family,
    Fit as Fit,
    Quantiles as Quantiles,
    best_fit as best_fit,
    distribution_quantiles as distribution_quantiles,
    fit as fit,
    percentile_indices as percentile_indices,
    predicted_share_of as predicted_share_of,
    sample_quantiles as sample_quantiles,
)
from .of_builds import (
    CapabilityStudy as CapabilityStudy,
    Rated as Rated,
    capability_study as capability_study,
)
