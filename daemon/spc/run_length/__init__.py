"""How long a chart runs until it signals, without and with a shift.

Each chart has a function that returns the distribution of its run length, an
inverse that returns the limit for a wanted average run length in control, and a
design for a wanted shift: the subgroup, the weight or the reference value.
Parameters are taken as known; a run length is counted in plotted points.
"""

from daemon.spc.run_length.cusum import (
    CusumDesign,
    cusum_interval,
    cusum_run_length,
    design_cusum,
    siegmund_arl,
)
from daemon.spc.run_length.distribution import RunLength, geometric
from daemon.spc.run_length.ewma import (
    EwmaDesign,
    design_ewma,
    ewma_run_length,
    ewma_width,
)
from daemon.spc.run_length.mewma import (
    MewmaDesign,
    design_mewma,
    mewma_limit,
    mewma_run_length,
)
from daemon.spc.run_length.ruled import ruled_run_length, ruled_widening
from daemon.spc.run_length.shewhart import (
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
    "MewmaDesign",
    "RunLength",
    "cusum_interval",
    "cusum_run_length",
    "design_cusum",
    "design_ewma",
    "design_mewma",
    "ewma_run_length",
    "ewma_width",
    "geometric",
    "mewma_limit",
    "mewma_run_length",
    "ruled_run_length",
    "ruled_widening",
    "shewhart_run_length",
    "shewhart_size",
    "shewhart_width",
    "siegmund_arl",
    "t2_limit",
    "t2_run_length",
    "t2_size",
]
