"""Where rows meet statistics: events in, findings out.

`Fold` takes units, runs of the check standard and decisions in the order of their run
numbers, live and from rows alike; `Watcher` compares what stands in it with what was
said, and returns what is to be said next.
"""

from daemon.watch.events import Accepted, CheckErrors, UnitErrors
from daemon.watch.fold import Fold
from daemon.watch.suspects import Suspect
from daemon.watch.watcher import FindLimit, OwnLimit, Watcher, warm_up

__all__ = [
    "Accepted",
    "CheckErrors",
    "FindLimit",
    "Fold",
    "OwnLimit",
    "Suspect",
    "UnitErrors",
    "Watcher",
    "warm_up",
]
