from . import gauge_shown as gauge_shown
from .bench_changes import (
    bench_name as bench_name,
    rests_on_another as rests_on_another,
    to_repeat as to_repeat,
)
from .bench_drift import drifts_of as drifts_of
from .budget import (
    NoBudgetError as NoBudgetError,
    budgets_of_bench as budgets_of_bench,
    budgets_of_run as budgets_of_run,
)
from .capability import (
    MeasuredRuns as MeasuredRuns,
    RangeCapability as RangeCapability,
    RangeVariation as RangeVariation,
)
from .gauge import (
    TIMES as TIMES,
    TRIALS as TRIALS,
    Cell as Cell,
    Gauge as Gauge,
    GaugeError as GaugeError,
    again as again,
    number as number,
    planned as planned,
    width_between as width_between,
)
from .inspections import (
    ANSWERS as ANSWERS,
    YES_OR_NO as YES_OR_NO,
    AnswerError as AnswerError,
    answered as answered,
    asked as asked,
    failing as failing,
    linearity as linearity,
    question as question,
    results as results,
    spelled as spelled,
)
from .instruments import (
    TITLES as TITLES,
    due_remark as due_remark,
    line_of as line_of,
    meet as meet,
    remark_on as remark_on,
    remarks as remarks,
    standards_past_due as standards_past_due,
)
from .product import ProductModel as ProductModel, RangeModel as RangeModel
from .prospects import (
    meters_needed as meters_needed,
    too_poor_for as too_poor_for,
    too_poor_on as too_poor_on,
)
from .resolution import resolution_ppm2 as resolution_ppm2
from .standards import (
    InForce as InForce,
    StandardsThen as StandardsThen,
    WrittenOtherwise as WrittenOtherwise,
    in_force as in_force,
    values_of as values_of,
)
from .verdict import (
    Judge as Judge,
    KnownGood as KnownGood,
    Measured as Measured,
    row as row,
)
from .wrong_decade import wrong_decades as wrong_decades
