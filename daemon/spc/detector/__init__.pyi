from . import state as state
from .assumptions import WALK_OF_NOISE as WALK_OF_NOISE, Assumptions as Assumptions
from .baseline import Baseline as Baseline
from .calibrate import (
    BUILD_UNITS as BUILD_UNITS,
    FEWEST_EXCEEDING as FEWEST_EXCEEDING,
    calibrate as calibrate,
    limit_until_own as limit_until_own,
)
from .concerned import concerned as concerned
from .finding import (
    BENCH as BENCH,
    LIKELIER_THAN_NOT as LIKELIER_THAN_NOT,
    REEL as REEL,
    SHARED_STAGE as SHARED_STAGE,
    TWO_SIDED_95 as TWO_SIDED_95,
    Culprit as Culprit,
    Finding as Finding,
    ended as ended,
    find as find,
)
from .following import (
    ASKED_BELOW as ASKED_BELOW,
    ODD as ODD,
    asks_again as asks_again,
    follow as follow,
)
from .layout import CommonPart as CommonPart, Layout as Layout, layout_of as layout_of
from .limit import Limit as Limit
from .line import (
    REFERENCE_C as REFERENCE_C,
    Boundary as Boundary,
    KnownReel as KnownReel,
    Line as Line,
    MeasuredReel as MeasuredReel,
)
from .state import State as State
