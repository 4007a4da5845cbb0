"""Acceptance sampling: how few units tell enough about a build."""

from daemon.spc.sampling.attributes import (
    DoublePlan,
    Outgoing,
    OutgoingLimit,
    SinglePlan,
    outgoing,
    outgoing_limit,
)
from daemon.spc.sampling.iso_2859 import (
    LETTERS,
    NORMAL_SIZES,
    QUALITY_LIMITS,
    REDUCED_SIZES,
    Inspection,
    Level,
    Severity,
    StandardPlan,
    code_letter,
    standard_plan,
    tabled_plan,
)
from daemon.spc.sampling.sequential_plan import SequentialPlan
from daemon.spc.sampling.two_points import (
    plan_by_two_points,
    zero_acceptance_size,
    zero_acceptance_size_of_build,
)
from daemon.spc.sampling.variables import (
    VariablesPlan,
    VariablesVerdict,
    Wallis,
    acceptability_constant,
    matched_to,
    variables_plan_by_two_points,
    wallis,
)

__all__ = [
    "LETTERS",
    "NORMAL_SIZES",
    "QUALITY_LIMITS",
    "REDUCED_SIZES",
    "DoublePlan",
    "Inspection",
    "Level",
    "Outgoing",
    "OutgoingLimit",
    "SequentialPlan",
    "Severity",
    "SinglePlan",
    "StandardPlan",
    "VariablesPlan",
    "VariablesVerdict",
    "Wallis",
    "acceptability_constant",
    "code_letter",
    "matched_to",
    "outgoing",
    "outgoing_limit",
    "plan_by_two_points",
    "standard_plan",
    "tabled_plan",
    "variables_plan_by_two_points",
    "wallis",
    "zero_acceptance_size",
    "zero_acceptance_size_of_build",
]
