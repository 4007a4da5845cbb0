from . import loose_parts as loose_parts, policy as policy
from .doubts import (
    END_DOUBT as END_DOUBT,
    by_reason as by_reason,
    doubted as doubted,
    ending as ending,
)
from .loose_parts import (
    checks_of as checks_of,
    incoming as incoming,
    judged as judged,
    told as told,
)
from .offers import offered_ends as offered_ends
from .policy import (
    NotAllowedError as NotAllowedError,
    end_offer as end_offer,
    require_decision as require_decision,
)
from .proofs import (
    FARTHEST as FARTHEST,
    USUAL_METER_PPM as USUAL_METER_PPM,
    NoProofError as NoProofError,
    limits_of_meter_ppm as limits_of_meter_ppm,
    not_by_bench as not_by_bench,
    of_bench as of_bench,
    older_units as older_units,
    part_and_subject as part_and_subject,
    replaced_in as replaced_in,
    replaced_on as replaced_on,
    sharpened_now as sharpened_now,
    taken as taken,
)
from .replay_said import Tried as Tried
from .replayed import (
    Checked as Checked,
    NoPastError as NoPastError,
    Past as Past,
    Replay as Replay,
)
