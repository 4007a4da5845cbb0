from .content import (
    Board as Board,
    BuildRelease as BuildRelease,
    BuildSheet as BuildSheet,
    CheckLine as CheckLine,
    Correction as Correction,
    CustomerNotice as CustomerNotice,
    Document as Document,
    FittedReel as FittedReel,
    HoldLine as HoldLine,
    Image as Image,
    InstrumentLine as InstrumentLine,
    JudgedBefore as JudgedBefore,
    RangeCapability as RangeCapability,
    RangeLine as RangeLine,
    Sample as Sample,
    SupplierReport as SupplierReport,
    ToleranceClass as ToleranceClass,
    UnitRecord as UnitRecord,
)
from .drawing import PAPER as PAPER, WIDTH_PX as WIDTH_PX, drawn as drawn
from .errors import (
    FontMissingError as FontMissingError,
    ImageError as ImageError,
    LayoutError as LayoutError,
    NoSupplierError as NoSupplierError,
    ReportError as ReportError,
)
from .making import html as html, pdf as pdf, png as png
