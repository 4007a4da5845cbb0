"""How long a chart runs until it signals, without and with a shift.

Each chart has a function that returns the distribution of its run length, an
inverse that returns the limit for a wanted average run length in control, and a
design for a wanted shift: the subgroup, the weight or the reference value.
Parameters are taken as known; a run length is counted in plotted points.
"""

from daemon.spc.run_length.distribution import RunLength, geometric
from daemon.spc.run_length.of_cusum import (
    CusumDesign,
    cusum_interval,
    cusum_run_length,
    design_cusum,
)
from daemon.spc.run_length.of_ewma import (
    EwmaDesign,
    design_ewma,
    ewma_run_length,
    ewma_width,
)
from daemon.spc.run_length.of_mewma import (
    MewmaDesign,
    design_mewma,
    mewma_limit,
    mewma_run_length,
)
from daemon.spc.run_length.of_rules import (
    FirstFiring,
    first_firing,
    ruled_run_length,
    ruled_widening,
)
from daemon.spc.run_length.of_shewhart import (
    shewhart_run_length,
    shewhart_size,
    shewhart_width,
    t2_limit,
    t2_run_length,
    t2_size,
)

__all__ = [
    "CusumDesign",
    "EwmaDesign",
    "FirstFiring",
    "MewmaDesign",
    "RunLength",
    "cusum_interval",
    "cusum_run_length",
    "design_cusum",
    "design_ewma",
    "design_mewma",
    "ewma_run_length",
    "ewma_width",
    "first_firing",
    "geometric",
    "mewma_limit",
    "mewma_run_length",
    "ruled_run_length",
    "ruled_widening",
    "shewhart_run_length",
    "shewhart_size",
    "shewhart_width",
    "t2_limit",
    "t2_run_length",
    "t2_size",
]
