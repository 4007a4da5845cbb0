from .asking import not_allowed as not_allowed
from .bench_book import (
    MovedAlikeError as MovedAlikeError,
    NoStandardError as NoStandardError,
    OutOfControlError as OutOfControlError,
)
from .by_hand import ByHand as ByHand, asked_of as asked_of, typed_value as typed_value
from .check_standard import check_point as check_point
from .cycle import Cycle as Cycle, Recorded as Recorded
from .desk import (
    CATCHING_UP as CATCHING_UP,
    Desk as Desk,
    DroppedError as DroppedError,
    Shared as Shared,
)
from .import_sheet import (
    READERS as READERS,
    REJECTED as REJECTED,
    Imported as Imported,
    Rejected as Rejected,
    Row as Row,
    SheetError as SheetError,
    Understood as Understood,
    rejected_of as rejected_of,
    take as take,
    understood as understood,
    write_rejected as write_rejected,
)
from .inbox import Inbox as Inbox
from .orders import (
    MOST_PARTS as MOST_PARTS,
    Order as Order,
    ReadAgain as ReadAgain,
    RefusedError as RefusedError,
    Ticket as Ticket,
    TypedCheck as TypedCheck,
    TypedReading as TypedReading,
)
from .proof_runs import Prober as Prober
from .rejudging import OpenRun as OpenRun, judged_again as judged_again
from .session import AmbientError as AmbientError, Station as Station
from .time_of_unit import (
    NoBenchError as NoBenchError,
    last_unit as last_unit,
    paces as paces,
)
from .typed_readings import (
    NEW_SETUP as NEW_SETUP,
    TypedError as TypedError,
    readings_of as readings_of,
    require_on_range as require_on_range,
)
from .vitals import Vitals as Vitals, give_sign as give_sign
from .which_unit import (
    require_all_measurable as require_all_measurable,
    require_measurable as require_measurable,
)
