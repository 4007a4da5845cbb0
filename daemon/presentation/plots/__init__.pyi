from .at_rest import coming_to_rest as coming_to_rest
from .budget import shares_of_budget as shares_of_budget
from .by_builds import (
    NARROW as NARROW,
    WIDE as WIDE,
    Form as Form,
    ranges_by_builds as ranges_by_builds,
)
from .by_limit import units_by_limit as units_by_limit
from .check_standard import (
    check_frame as check_frame,
    checks_in_words as checks_in_words,
    checks_of_range as checks_of_range,
    standards_of_range as standards_of_range,
)
from .claim import parts_against_claim as parts_against_claim
from .gauge import readings_of_gauge as readings_of_gauge
from .gauge_references import (
    bias_by_reference as bias_by_reference,
    readings_in_order as readings_in_order,
    reference_by_day as reference_by_day,
)
from .marks import (
    BUILD_OPENED as BUILD_OPENED,
    CELL_OPENED as CELL_OPENED,
    FONT as FONT,
    OPENED as OPENED,
    RANGE_OPENED as RANGE_OPENED,
    SPAN_PICKED as SPAN_PICKED,
    UNIT_OPENED as UNIT_OPENED,
)
from .missed import missed_by_shift as missed_by_shift
from .one_range import (
    Baseline as Baseline,
    as_shown as as_shown,
    baseline_of as baseline_of,
    individuals as individuals,
    moving_ranges as moving_ranges,
)
from .one_unit import shares_of_limits as shares_of_limits
from .places import (
    MOST_DOTS as MOST_DOTS,
    columns as columns,
    ends_between as ends_between,
    laid_out as laid_out,
    reel_changes as reel_changes,
    span_of as span_of,
    thinned as thinned,
)
from .range_charts import (
    averages as averages,
    between_and_within as between_and_within,
    distribution as distribution,
    story as story,
    sums as sums,
)
from .row_scale import RowScale as RowScale
from .traced import segments as segments, traced as traced
