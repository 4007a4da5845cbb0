from .attributes import (
    DoublePlan as DoublePlan,
    Outgoing as Outgoing,
    OutgoingLimit as OutgoingLimit,
    SinglePlan as SinglePlan,
    outgoing as outgoing,
    outgoing_limit as outgoing_limit,
)
from .iso_2859 import (
    LETTERS as LETTERS,
    NORMAL_SIZES as NORMAL_SIZES,
    QUALITY_LIMITS as QUALITY_LIMITS,
    RECENT_BUILDS as RECENT_BUILDS,
    REDUCED_SIZES as REDUCED_SIZES,
    REJECTED_TO_STOP as REJECTED_TO_STOP,
    REJECTED_TO_TIGHTEN as REJECTED_TO_TIGHTEN,
    SCORE_SMALL as SCORE_SMALL,
    SCORE_TO_REDUCE as SCORE_TO_REDUCE,
    Inspection as Inspection,
    Level as Level,
    Severity as Severity,
    StandardPlan as StandardPlan,
    code_letter as code_letter,
    standard_plan as standard_plan,
    tabled_plan as tabled_plan,
)
from .sequential_plan import SequentialPlan as SequentialPlan
from .two_points import (
    plan_by_two_points as plan_by_two_points,
    zero_acceptance_size as zero_acceptance_size,
    zero_acceptance_size_of_build as zero_acceptance_size_of_build,
)
from .variables import (
    VariablesPlan as VariablesPlan,
    VariablesVerdict as VariablesVerdict,
    Wallis as Wallis,
    acceptability_constant as acceptability_constant,
    matched_to as matched_to,
    variables_plan_by_two_points as variables_plan_by_two_points,
    wallis as wallis,
)
