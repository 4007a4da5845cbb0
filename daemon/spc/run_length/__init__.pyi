from .distribution import RunLength as RunLength, geometric as geometric
from .of_cusum import (
    CusumDesign as CusumDesign,
    cusum_interval as cusum_interval,
    cusum_run_length as cusum_run_length,
    design_cusum as design_cusum,
)
from .of_ewma import (
    EwmaDesign as EwmaDesign,
    design_ewma as design_ewma,
    ewma_run_length as ewma_run_length,
    ewma_width as ewma_width,
)
from .of_mewma import (
    MewmaDesign as MewmaDesign,
    design_mewma as design_mewma,
    mewma_limit as mewma_limit,
    mewma_run_length as mewma_run_length,
)
from .of_rules import (
    FirstFiring as FirstFiring,
    first_firing as first_firing,
    ruled_run_length as ruled_run_length,
    ruled_widening as ruled_widening,
)
from .of_shewhart import (
    shewhart_run_length as shewhart_run_length,
    shewhart_size as shewhart_size,
    shewhart_width as shewhart_width,
    t2_limit as t2_limit,
    t2_run_length as t2_run_length,
    t2_size as t2_size,
)
