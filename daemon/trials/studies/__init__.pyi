from .detection import (
    RATES as RATES,
    SIMPLEST as SIMPLEST,
    WAYS as WAYS,
    FalseHolds as FalseHolds,
    Study as Study,
    run as run,
)
from .facts import facts as facts
from .goals import goals as goals
from .many_demos import summary as summary, tell_many as tell_many
from .tally import Tally as Tally, tally as tally
from .year import Year as Year
from .years import live_many as live_many
