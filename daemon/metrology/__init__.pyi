from .active_range import (
    Look as Look,
    Pair as Pair,
    Seen as Seen,
    active_range as active_range,
)
from .bench_differences import (
    BenchOrProduct as BenchOrProduct,
    BetweenBenches as BetweenBenches,
    StandardReading as StandardReading,
    bench_or_product as bench_or_product,
    between_benches as between_benches,
)
from .budget import Budget as Budget, BudgetLine as BudgetLine
from .conformity import (
    Conformity as Conformity,
    Outcome as Outcome,
    TwoParts as TwoParts,
    agreement as agreement,
    can_judge as can_judge,
    compare as compare,
    judge_between as judge_between,
    limits_at as limits_at,
)
from .correction import correction as correction
from .drift import (
    STEADY as STEADY,
    CheckPoint as CheckPoint,
    Drift as Drift,
    between_checks_ppm as between_checks_ppm,
    carried_ppm as carried_ppm,
    held_between as held_between,
    interpolated as interpolated,
)
from .errors import (
    MarkError as MarkError,
    MetrologyError as MetrologyError,
    NoSolutionError as NoSolutionError,
)
from .following import NEW_EACH_TIME as NEW_EACH_TIME, Following as Following
from .level_readings import Readings as Readings
from .loose_parts import (
    CONTACT_OHM as CONTACT_OHM,
    Between as Between,
    Circuit as Circuit,
    Heating as Heating,
    Share as Share,
    between_wires as between_wires,
    heating as heating,
    leak_ppm as leak_ppm,
    of_ratio as of_ratio,
    of_volts_amperes as of_volts_amperes,
    shares as shares,
    together_ppm as together_ppm,
    two_wire_refused as two_wire_refused,
)
from .range_error import (
    TEMPERATURE as TEMPERATURE,
    MeterSpecification as MeterSpecification,
    PointError as PointError,
    RangeError as RangeError,
    Temperature as Temperature,
    level_error as level_error,
    range_error as range_error,
    zero_error as zero_error,
)
from .resistors import (
    Trim as Trim,
    preferred_between as preferred_between,
    read_mark as read_mark,
    trim as trim,
)
from .resting_value import (
    FEWEST as FEWEST,
    FEWEST_TO_FIT as FEWEST_TO_FIT,
    MODEL_TRUST as MODEL_TRUST,
    Rest as Rest,
    fewest_readings as fewest_readings,
    rest_of as rest_of,
)
from .transfer import Transfer as Transfer, range_parts as range_parts
from .uncertainty import (
    Component as Component,
    Distribution as Distribution,
    half_width_component as half_width_component,
)
from .whose_drift import (
    Mover as Mover,
    StandardSeen as StandardSeen,
    WhoseDrift as WhoseDrift,
    whose_drift as whose_drift,
)
