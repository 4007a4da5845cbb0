from .active_range import (
    Look as Look,
    Pair as Pair,
    Seen as Seen,
    active_range as active_range,
)
from .conformity import (
    Conformity as Conformity,
    agreement as agreement,
    can_judge as can_judge,
    compare as compare,
    judge as judge,
    limit_ppm as limit_ppm,
)
from .correction import correction as correction
from .drift import (
    STEADY as STEADY,
    CheckPoint as CheckPoint,
    Drift as Drift,
    carried_ppm as carried_ppm,
    interpolated as interpolated,
)
from .errors import (
    MarkError as MarkError,
    MetrologyError as MetrologyError,
    NoSolutionError as NoSolutionError,
)
from .level_readings import Readings as Readings
from .range_error import (
    MeterSpecification as MeterSpecification,
    RangeError as RangeError,
    Temperature as Temperature,
    range_error as range_error,
)
from .resistors import (
    Trim as Trim,
    preferred_between as preferred_between,
    read_mark as read_mark,
    trim as trim,
)
from .resting_value import (
    FEWEST as FEWEST,
    MODEL_TRUST as MODEL_TRUST,
    Rest as Rest,
    fewest_readings as fewest_readings,
    rest_of as rest_of,
)
from .transfer import Transfer as Transfer, range_parts as range_parts
from .uncertainty import Component as Component, Distribution as Distribution
