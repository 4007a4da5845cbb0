"""Gauge studies: how much of the scatter is the measurement's own."""

from daemon.spc.gauge.crossed import (
    AnovaRow,
    AverageRangeStudy,
    CrossedStudy,
    GaugeSpread,
    average_range_study,
    crossed_study,
    distinct_categories,
)
from daemon.spc.gauge.single import (
    BiasStudy,
    LinearityStudy,
    StabilityStudy,
    Type1Study,
    bias_study,
    linearity_study,
    stability_study,
    type1_study,
)

__all__ = [
    "AnovaRow",
    "AverageRangeStudy",
    "BiasStudy",
    "CrossedStudy",
    "GaugeSpread",
    "LinearityStudy",
    "StabilityStudy",
    "Type1Study",
    "average_range_study",
    "bias_study",
    "crossed_study",
    "distinct_categories",
    "linearity_study",
    "stability_study",
    "type1_study",
]
