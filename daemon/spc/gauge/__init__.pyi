from .crossed import (
    AnovaRow as AnovaRow,
    AverageRangeStudy as AverageRangeStudy,
    CrossedStudy as CrossedStudy,
    GaugeSpread as GaugeSpread,
    average_range_study as average_range_study,
    crossed_study as crossed_study,
    distinct_categories as distinct_categories,
)
from .single import (
    BiasStudy as BiasStudy,
    LinearityStudy as LinearityStudy,
    StabilityStudy as StabilityStudy,
    Type1Study as Type1Study,
    bias_study as bias_study,
    linearity_study as linearity_study,
    stability_study as stability_study,
    type1_study as type1_study,
)
