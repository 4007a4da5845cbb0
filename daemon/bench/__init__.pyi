from .bench import Bench as Bench, cautions as cautions, identify as identify
from .check_standard import (
    AgainstSource as AgainstSource,
    against_source as against_source,
    check_range as check_range,
    hidden_between_ppm as hidden_between_ppm,
    moved_alike_ppm as moved_alike_ppm,
    reference_beside_ppm as reference_beside_ppm,
    reference_moved_ppm as reference_moved_ppm,
)
from .clock import (
    Clock as Clock,
    ScaledClock as ScaledClock,
    VirtualClock as VirtualClock,
)
from .connection import Connect as Connect
from .describing import describe as describe, talk as talk
from .driver import Binding as Binding, Meter as Meter
from .errors import (
    AbsentError as AbsentError,
    BenchError as BenchError,
    GuardLostError as GuardLostError,
    InstrumentError as InstrumentError,
    NoRangeError as NoRangeError,
    NotSwitchedError as NotSwitchedError,
    OutputLostError as OutputLostError,
    OutputNotOffError as OutputNotOffError,
    OverrangeError as OverrangeError,
    StoppedError as StoppedError,
    WrongIdentityError as WrongIdentityError,
)
from .guard import (
    OFF_PATIENCE_S as OFF_PATIENCE_S,
    TAKE_AS_LIVE as TAKE_AS_LIVE,
    Orders as Orders,
    turn_off as turn_off,
)
from .hand_switch import HandTold as HandTold, HandTurned as HandTurned
from .measuring_plan import (
    RangeSetup as RangeSetup,
    levels_of as levels_of,
    range_setups as range_setups,
    smallest_range as smallest_range,
)
from .pace import (
    RangePace as RangePace,
    Taken as Taken,
    learned as learned,
    model as model,
    spent as spent,
)
from .readings import Point as Point, RangeReadings as RangeReadings
from .retry import USUAL as USUAL
from .sequence import Progress as Progress, measure as measure
from .series import (
    SETTLING_OF_ZERO as SETTLING_OF_ZERO,
    Series as Series,
    further_series as further_series,
    linearity_ppm as linearity_ppm,
    read_in_a_row as read_in_a_row,
    series_of as series_of,
)
from .trying import Found as Found, Tried as Tried, find as find, try_out as try_out
from .visa import (
    connect as connect,
    overhear as overhear,
    registers as registers,
    resources as resources,
)
from .wire import by_address as by_address
