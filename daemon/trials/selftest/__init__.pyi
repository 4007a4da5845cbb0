from .campaign import (
    Campaign as Campaign,
    KindRow as KindRow,
    run as run,
    side_by_side as side_by_side,
)
from .coverage import (
    ALLOWED as ALLOWED,
    benches_covered as benches_covered,
    summary as summary,
)
from .pace import FASTER as FASTER, WITHIN as WITHIN, paced as paced
from .safe_trials import few_trials as few_trials, trials as trials
