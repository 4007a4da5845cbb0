from .causes import (
    CAUSES as CAUSES,
    SETTLED as SETTLED,
    Measured as Measured,
    Way as Way,
    settling as settling,
    update as update,
    update_parts as update_parts,
)
from .check_standard_limits import own_limits as own_limits
from .control_limits import (
    Limits as Limits,
    limits_from_baseline as limits_from_baseline,
)
from .earlier_builds import Compared as Compared, against_earlier as against_earlier
from .errors import (
    NoSpreadError as NoSpreadError,
    SpcError as SpcError,
    TooFewError as TooFewError,
)
from .machine_code import compiled_anew as compiled_anew
from .predicted_units import (
    Prediction as Prediction,
    other_values as other_values,
    predicted_error as predicted_error,
    predicted_errors as predicted_errors,
)
from .receiving import (
    Open as Open,
    Receipt as Receipt,
    Received as Received,
    Sample as Sample,
    received as received,
    sample_of as sample_of,
)
from .reel_claim import (
    Against as Against,
    ClaimCheck as ClaimCheck,
    ReelClaim as ReelClaim,
    against_claim as against_claim,
    reel_claim as reel_claim,
)
from .spot_check import (
    LARGEST_BUILD as LARGEST_BUILD,
    Costs as Costs,
    SpotCheck as SpotCheck,
    cheapest as cheapest,
    expected_cost as expected_cost,
)
