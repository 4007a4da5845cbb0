from .blocks import Document as Document
from .build import BuildRelease as BuildRelease
from .content import (
    Board as Board,
    CheckLine as CheckLine,
    Correction as Correction,
    FittedReel as FittedReel,
    HoldLine as HoldLine,
    Image as Image,
    InstrumentLine as InstrumentLine,
    JudgedBefore as JudgedBefore,
    RangeCapability as RangeCapability,
    RangeLine as RangeLine,
    Sample as Sample,
    ToleranceClass as ToleranceClass,
)
from .customer import CustomerNotice as CustomerNotice
from .drawing import PAPER as PAPER, WIDTH_PX as WIDTH_PX, drawn as drawn
from .errors import (
    FontMissingError as FontMissingError,
    ImageError as ImageError,
    LayoutError as LayoutError,
    NoSupplierError as NoSupplierError,
    ReportError as ReportError,
)
from .making import html as html, pdf as pdf, png as png
from .supplier import SupplierReport as SupplierReport
from .unit import BuildSheet as BuildSheet, UnitRecord as UnitRecord
