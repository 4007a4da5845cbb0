from . import (
    budgets as budgets,
    builds as builds,
    figures as figures,
    gauges as gauges,
    loose_parts as loose_parts,
    points as points,
    ranges as ranges,
    screens as screens,
    sentences as sentences,
    standards as standards,
    to_copy as to_copy,
    today as today,
)
from .colours import DARK as DARK, LIGHT as LIGHT, Look as Look
from .figures import (
    MINUS as MINUS,
    PPM_PER_PERCENT as PPM_PER_PERCENT,
    capital as capital,
    counted as counted,
    money as money,
    ohm as ohm,
    percent as percent,
    share as share,
    shown_value as shown_value,
)
from .file_names import file_name as file_name
from .labels import (
    LabelError as LabelError,
    Tape as Tape,
    as_png as as_png,
    as_svg as as_svg,
    code_of as code_of,
)
from .plants import planted as planted
from .sentences import (
    NO_STANDARD as NO_STANDARD,
    concerns_nobody as concerns_nobody,
    held as held,
    off_plan as off_plan,
    why_held as why_held,
    withdrawn as withdrawn,
)
from .serials import spans as spans
from .shared_record import (
    DIFFERENCES as DIFFERENCES,
    NO_DAEMON as NO_DAEMON,
    beside as beside,
    difference_rows as difference_rows,
    held_where as held_where,
    measured_where as measured_where,
    seen_elsewhere as seen_elsewhere,
    sharing as sharing,
    unheard as unheard,
    untold as untold,
)
from .spreadsheet import as_csv as as_csv, neutral as neutral
from .today import Concerning as Concerning
from .versions import differences as differences
from .waiting import (
    SHORT_ID as SHORT_ID,
    Waiting as Waiting,
    before_it_leaves as before_it_leaves,
    hold_names as hold_names,
    hold_order as hold_order,
    left_to_measure as left_to_measure,
    waits as waits,
)
