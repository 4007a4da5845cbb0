from .intervals import (
    Interval as Interval,
    MeanSquare as MeanSquare,
    sum_interval as sum_interval,
    variance_interval as variance_interval,
)
from .nested import (
    INNERMOST as INNERMOST,
    NestedComponents as NestedComponents,
    NestedLevel as NestedLevel,
    nested_components as nested_components,
)
from .one_way import (
    OneWayComponents as OneWayComponents,
    one_way_components as one_way_components,
)
from .reml import (
    RemlComponents as RemlComponents,
    RemlLevel as RemlLevel,
    reml_components as reml_components,
)
