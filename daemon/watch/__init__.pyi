from .events import (
    Accepted as Accepted,
    CheckErrors as CheckErrors,
    UnitErrors as UnitErrors,
)
from .fold import Fold as Fold
from .from_rows import (
    FromRows as FromRows,
    RunRows as RunRows,
    measured_again as measured_again,
    runs_after as runs_after,
    seated_again as seated_again,
)
from .next_build import (
    CHECKED as CHECKED,
    MISSED as MISSED,
    SHIFTS as SHIFTS,
    Outlook as Outlook,
    RangeOutlook as RangeOutlook,
    said_costs as said_costs,
    said_missed as said_missed,
    up_to as up_to,
)
from .own_limit import (
    CAN_BE_WORKED_OUT as CAN_BE_WORKED_OUT,
    StopError as StopError,
    calibrate_wanted as calibrate_wanted,
    in_words as in_words,
    limits_of as limits_of,
)
from .people import (
    PLACED_BY as PLACED_BY,
    Decided as Decided,
    decisions_of as decisions_of,
)
from .product_watch import ProductWatch as ProductWatch
from .suspects import Suspect as Suspect
from .watcher import (
    FindLimit as FindLimit,
    OwnLimit as OwnLimit,
    Watcher as Watcher,
    warm_up as warm_up,
)
from .what_settles import (
    PART_OF as PART_OF,
    UNITS as UNITS,
    Step as Step,
    checklist as checklist,
    narrowed as narrowed,
    next_step as next_step,
    part_to_read as part_to_read,
    probabilities as probabilities,
    replaced_parts as replaced_parts,
    sharpen as sharpen,
    sharpened as sharpened,
    shown as shown,
    taken_from as taken_from,
    unit_to_read as unit_to_read,
)
