"""Components of variance: how much scatter lies at which level.

One-way for builds and the units inside them; nested for any number of levels, by the
analysis of variance or by restricted maximum likelihood.
"""

from daemon.spc.variance.intervals import (
    Interval,
    MeanSquare,
    sum_interval,
    variance_interval,
)
from daemon.spc.variance.nested import (
    INNERMOST,
    NestedComponents,
    NestedLevel,
    nested_components,
)
from daemon.spc.variance.one_way import OneWayComponents, one_way_components
from daemon.spc.variance.reml import RemlComponents, RemlLevel, reml_components

__all__ = [
    "INNERMOST",
    "Interval",
    "MeanSquare",
    "NestedComponents",
    "NestedLevel",
    "OneWayComponents",
    "RemlComponents",
    "RemlLevel",
    "nested_components",
    "one_way_components",
    "reml_components",
    "sum_interval",
    "variance_interval",
]
