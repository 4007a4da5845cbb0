"""Where rows meet statistics: units in, signals out.

One `BuildWatch` a build holds a detector that starts from what the earlier builds
taught. Units enter it in the order of their serials, because a reel change is
recorded from a serial on while units may be tested in any order; a unit that comes
out of order, is run again, or whose reels are recorded late has the build folded
anew. The state can always be rebuilt from the rows.
"""

from daemon.watch.build import BuildWatch, OwnLimit
from daemon.watch.entering import CheckErrors, UnitErrors
from daemon.watch.suspects import Suspect
from daemon.watch.watcher import REMEMBERED_BUILDS, FindLimit, Watcher, warm_up

__all__ = [
    "REMEMBERED_BUILDS",
    "BuildWatch",
    "CheckErrors",
    "FindLimit",
    "OwnLimit",
    "Suspect",
    "UnitErrors",
    "Watcher",
    "warm_up",
]
