from . import model as model
from .bench import (
    BY_HAND as BY_HAND,
    COMPLIANCE_DEFAULT_MAX_V as COMPLIANCE_DEFAULT_MAX_V,
    Bench as Bench,
    CheckStandard as CheckStandard,
    Instrument as Instrument,
    KnownStandard as KnownStandard,
    MeterRange as MeterRange,
)
from .check import check as check, limit_words as limit_words, summary as summary
from .detector import Detector as Detector
from .dialogue import (
    Back as Back,
    Dialogue as Dialogue,
    integer as integer,
    number as number,
    text as text,
)
from .errors import (
    ConfigError as ConfigError,
    HoldpointError as HoldpointError,
    QuantityError as QuantityError,
)
from .exchange import Exchange as Exchange
from .files import (
    FILE_MODE as FILE_MODE,
    FOLDER_MODE as FOLDER_MODE,
    FileError as FileError,
    being_written as being_written,
    keep_to_owner as keep_to_owner,
    open_log as open_log,
    private_folder as private_folder,
    rotate as rotate,
    sync as sync,
    write_whole as write_whole,
)
from .form import Field as Field
from .frames import Frame as Frame
from .handheld import (
    USUAL_METERS as USUAL_METERS,
    accuracy as accuracy,
    accuracy_words as accuracy_words,
    handhelds as handhelds,
    meters_words as meters_words,
)
from .influences import Influences as Influences
from .load import (
    fingerprint as fingerprint,
    load as load,
    load_profile as load_profile,
    load_with_plan as load_with_plan,
    profile_names as profile_names,
)
from .mapping import (
    SheetMapping as SheetMapping,
    load_mapping as load_mapping,
)
from .model import Settings as Settings
from .names import has_invisible as has_invisible, has_odd_blank as has_odd_blank
from .plan import (
    Alerts as Alerts,
    Beside as Beside,
    Channel as Channel,
    Judging as Judging,
    Reading as Reading,
    StoreUse as StoreUse,
    linearity_of as linearity_of,
)
from .product import (
    ErrorLimit as ErrorLimit,
    LimitParts as LimitParts,
    LimitSpan as LimitSpan,
    Part as Part,
    Product as Product,
    Range as Range,
)
from .profile import (
    TYPED as TYPED,
    Kind as Kind,
    Profile as Profile,
    SerialLine as SerialLine,
)
from .quantity import (
    PERCENT_FROM_PPM as PERCENT_FROM_PPM,
    Unit as Unit,
    parse as parse,
    spell as spell,
)
from .registers import (
    Access as Access,
    Modbus as Modbus,
    access_of as access_of,
    wrong_access as wrong_access,
)
from .sharing import Sharing as Sharing
from .wizard import (
    Filled as Filled,
    answers_of as answers_of,
    filled as filled,
    init as init,
    write_anew as write_anew,
)
