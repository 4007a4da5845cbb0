from . import instruments as instruments, standard_values as standard_values
from .amending import (
    changes_in_words as changes_in_words,
    correct as correct,
    reel_changes as reel_changes,
)
from .containment import (
    CLEAR as CLEAR,
    COLUMNS as COLUMNS,
    Concerned as Concerned,
    Containment as Containment,
    contain as contain,
    records_about as records_about,
)
from .held import Held as Held, holds_of as holds_of, kept_units as kept_units
from .ledger_words import decided_on as decided_on
from .recall_sheets import cards as cards, page as page, table as table
from .recall_steps import note as note
from .reel_story import (
    SHARED as SHARED,
    SeenInUnits as SeenInUnits,
    seen_in_units as seen_in_units,
    told_by_units as told_by_units,
)
from .rework import (
    SERIES as SERIES,
    HeldReelError as HeldReelError,
    Replaced as Replaced,
    TrimPlan as TrimPlan,
    good_again as good_again,
    replace_part as replace_part,
    reworked_since as reworked_since,
    trim_plan as trim_plan,
)
from .several_benches import (
    benches_of as benches_of,
    seen_by_benches as seen_by_benches,
)
from .ship_gate import (
    BY_PLAN as BY_PLAN,
    Gate as Gate,
    came_back as came_back,
    orders_of as orders_of,
    require_listed as require_listed,
)
from .tracing import (
    ContradictionError as ContradictionError,
    Place as Place,
    Records as Records,
    Trace as Trace,
    leftover as leftover,
    trace as trace,
)
from .who_left import Away as Away, suspects_away as suspects_away
