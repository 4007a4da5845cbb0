from . import archive as archive, endpoint as endpoint
from .access import open_store as open_store
from .amending import row_text as row_text
from .answers import (
    AlertDue as AlertDue,
    AlertState as AlertState,
    BuildState as BuildState,
    BuildYield as BuildYield,
    CheckRow as CheckRow,
    Decided as Decided,
    DecidedRow as DecidedRow,
    DoubtState as DoubtState,
    HoldState as HoldState,
    KnownBuilds as KnownBuilds,
    KnownUnits as KnownUnits,
    LatestResult as LatestResult,
    LatestRun as LatestRun,
    Mark as Mark,
    RangeRow as RangeRow,
    Rejudged as Rejudged,
    ReworkOf as ReworkOf,
    RunInDoubt as RunInDoubt,
    ShipmentState as ShipmentState,
    UnitRow as UnitRow,
    Untold as Untold,
    finding_of as finding_of,
    meant as meant,
    proofs_on as proofs_on,
    reel_of as reel_of,
)
from .benches import (
    BenchCheck as BenchCheck,
    BenchDifference as BenchDifference,
    Benches as Benches,
    BenchState as BenchState,
    BenchUnit as BenchUnit,
    BenchWork as BenchWork,
    FindingSeen as FindingSeen,
    SeenAt as SeenAt,
    Whose as Whose,
)
from .door import require_id as require_id
from .endpoint import Endpoint as Endpoint, is_running as is_running, read as read
from .engine import StoreLimits as StoreLimits
from .errors import (
    BusyError as BusyError,
    ConflictError as ConflictError,
    MemoryLimitError as MemoryLimitError,
    NotFoundError as NotFoundError,
    RefusedValueError as RefusedValueError,
    RoleError as RoleError,
    StorageError as StorageError,
    UnreachableError as UnreachableError,
)
from .evidence import (
    Claim as Claim,
    Evidence as Evidence,
    Label as Label,
    LimitIs as LimitIs,
    Possible as Possible,
    Predicted as Predicted,
    refused as refused,
)
from .exchanging import Exchanged as Exchanged, exchange as exchange
from .history import write_history as write_history
from .holding import concerns as concerns
from .kept import Row as Row
from .ledger import (
    LedgerRow as LedgerRow,
    Restored as Restored,
    note_restore as note_restore,
    standing as standing,
    undecided as undecided,
    verify as verify,
)
from .limits import http_server as http_server
from .line import line_to as line_to
from .local import LocalStore as LocalStore
from .points import (
    NOT_READ as NOT_READ,
    JudgedPoint as JudgedPoint,
    text_of as text_of,
    worst as worst,
)
from .postgres import PostgresStore as PostgresStore
from .records import (
    SPEAKS_FOR as SPEAKS_FOR,
    BenchInstrument as BenchInstrument,
    Build as Build,
    Calibration as Calibration,
    Cause as Cause,
    CheckResult as CheckResult,
    Configuration as Configuration,
    CrossCheck as CrossCheck,
    Decision as Decision,
    Disposal as Disposal,
    Doubt as Doubt,
    DoubtCause as DoubtCause,
    DoubtEnd as DoubtEnd,
    Evaluation as Evaluation,
    Fitting as Fitting,
    Hold as Hold,
    HoldEnd as HoldEnd,
    Product as Product,
    Proof as Proof,
    ProofKind as ProofKind,
    RangeResult as RangeResult,
    Reel as Reel,
    ReelCheck as ReelCheck,
    Rejudgement as Rejudgement,
    Run as Run,
    RunKind as RunKind,
    Scope as Scope,
    Session as Session,
    Signal as Signal,
    StandardCheck as StandardCheck,
    StandardValue as StandardValue,
    Unit as Unit,
    Verdict as Verdict,
    WholeRun as WholeRun,
)
from .records_alerts import (
    Acknowledgement as Acknowledgement,
    Alert as Alert,
    Delivery as Delivery,
    Severity as Severity,
)
from .records_amending import Amended as Amended, Amendment as Amendment
from .records_gauge import (
    FEWEST_REFERENCES as FEWEST_REFERENCES,
    FEWEST_TIMES as FEWEST_TIMES,
    GaugeKind as GaugeKind,
    GaugeReading as GaugeReading,
    GaugeStudy as GaugeStudy,
)
from .records_line import (
    KeptLine as KeptLine,
    LineBench as LineBench,
    LineMark as LineMark,
    LinePiece as LinePiece,
    LineSegment as LineSegment,
)
from .records_sharing import NotShared as NotShared, SharedView as SharedView
from .records_shipping import (
    ContainmentStep as ContainmentStep,
    PastShipment as PastShipment,
    ReelReceipt as ReelReceipt,
    Rework as Rework,
    ReworkKind as ReworkKind,
    SampleRule as SampleRule,
    Shipment as Shipment,
    ShipRule as ShipRule,
    Step as Step,
    UnitReturn as UnitReturn,
)
from .remote import RemoteStore as RemoteStore
from .roles import GIVEN as GIVEN, Role as Role
from .seals import Unlike as Unlike, at_rest as at_rest, unlike as unlike
from .serials import (
    SerialRangeError as SerialRangeError,
    begins as begins,
    counted_runs as counted_runs,
    counted_serials as counted_serials,
    reels_of as reels_of,
    serial_order as serial_order,
    takes_over as takes_over,
)
from .server import application as application, listen as listen
from .shipping import AWAY as AWAY, FINAL as FINAL, HELD as HELD, held_for as held_for
from .statements import schema_version as schema_version
from .store import LATEST as LATEST, Store as Store
from .tokens import (
    Token as Token,
    caller_of as caller_of,
    give_token as give_token,
    given_tokens as given_tokens,
    revoke_token as revoke_token,
)
from .typed import plain_rows as plain_rows, typed as typed
from .ways import Way as Way
