from .blocks import SIMULATED as SIMULATED, Document as Document, filed as filed
from .content import (
    Board as Board,
    BudgetLine as BudgetLine,
    CheckLine as CheckLine,
    Correction as Correction,
    FailureLine as FailureLine,
    FittedReel as FittedReel,
    HoldLine as HoldLine,
    Image as Image,
    InstrumentLine as InstrumentLine,
    JudgedBefore as JudgedBefore,
    RangeCapability as RangeCapability,
    RangeLine as RangeLine,
    RangeToConnect as RangeToConnect,
    Sample as Sample,
    StandardLine as StandardLine,
    ToleranceClass as ToleranceClass,
    UnitValue as UnitValue,
)
from .drawing import PAPER as PAPER, WIDTH_PX as WIDTH_PX, drawn as drawn
from .errors import (
    FontMissingError as FontMissingError,
    ImageError as ImageError,
    LayoutError as LayoutError,
    NoSupplierError as NoSupplierError,
    ReportError as ReportError,
    WithdrawnError as WithdrawnError,
)
from .making import html as html, pdf as pdf, png as png
