"""Labels for units: the serial as a QR code (ISO/IEC 18004) and in plain letters.

Drawn dot by dot for a tape's width and a printer's resolution: a module of the code
is a whole number of dots, since a module that is now three, now four dots wide is what
scanners fail on.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from xml.sax.saxutils import escape

import segno
from PIL import Image, ImageDraw, ImageFont

from config import HoldpointError
from daemon.presentation import fonts
from storage import RefusedValueError, require_id

MM_PER_INCH = 25.4
QUIET_MODULES = 4
"""Light margin around the code that ISO/IEC 18004 asks for."""
LEAST_MODULE_MM = 0.25
"""Below this a hand scanner often fails (common practice, no source)."""
LETTERS_OF_CODE = 0.6
"""Height of the letters as a share of the code's."""
WIDTHS_MM = 3.0, 110.0
RESOLUTIONS = 100, 1200


class LabelError(HoldpointError, ValueError):
    """A label cannot be drawn; says which and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tape:
    """What a label is printed on.

    Attributes
    ----------
    width_mm
        Printable width across the tape.
    dots_per_inch
        The printer's resolution.
    """

    width_mm: float
    dots_per_inch: int

    def __post_init__(self) -> None:
        least, most = WIDTHS_MM
        if not least <= self.width_mm <= most:
            message = (
                f"tape of {self.width_mm:g} mm; {least:g} to {most:g} mm are possible"
            )
            raise LabelError(message)
        coarse, fine = RESOLUTIONS
        if not coarse <= self.dots_per_inch <= fine:
            message = (
                f"{self.dots_per_inch} dots per inch; {coarse} to {fine} are possible"
            )
            raise LabelError(message)

    @property
    def dots(self) -> int:
        """Dots across the tape."""
        return int(self.width_mm / MM_PER_INCH * self.dots_per_inch)

    def mm(self, dots: int) -> float:
        """Return the length of so many dots in mm."""
        return dots / self.dots_per_inch * MM_PER_INCH


def code_of(serial: str) -> segno.QRCode:
    """Return the code of a serial, with about 15 % of it recoverable (level M).

    Raises
    ------
    LabelError
        No unit can be called so.
    """
    try:  # what a unit may be called is one rule
        require_id("serial", serial)
    except RefusedValueError as exc:
        raise LabelError(str(exc)) from exc
    return segno.make_qr(serial, error="m", boost_error=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """Where things stand on a label, in the printer's dots."""

    code: segno.QRCode
    module: int
    above: int
    size: int
    letters: ImageFont.FreeTypeFont
    letters_at: tuple[int, float]
    letters_length: float
    length: int

    def dark(self) -> Iterator[tuple[int, int]]:
        """Yield the upper left dot of each dark module."""
        rows = self.code.matrix_iter(scale=1, border=QUIET_MODULES)
        for row, line in enumerate(rows):
            for column, dark in enumerate(line):
                if dark:
                    yield column * self.module, self.above + row * self.module


def _layout(serial: str, tape: Tape) -> _Layout:
    code = code_of(serial)
    modules = int(code.symbol_size(border=QUIET_MODULES)[0])
    dots = tape.dots // modules
    if dots == 0 or tape.mm(dots) < LEAST_MODULE_MM:
        needed_mm = modules * LEAST_MODULE_MM
        message = (
            f"serial {serial!r}: a tape of {tape.width_mm:g} mm at "
            f"{tape.dots_per_inch} dots per inch is too narrow for a code that "
            f"scanners read; it needs about {needed_mm:.1f} mm or a finer printer"
        )
        raise LabelError(message)
    size = modules * dots
    font = ImageFont.truetype(
        fonts.PLAIN, size=LETTERS_OF_CODE * (size - 2 * QUIET_MODULES * dots)
    )
    left, top, right, bottom = font.getbbox(serial)
    return _Layout(
        code=code,
        module=dots,
        above=(tape.dots - size) // 2,
        size=size,
        letters=font,
        letters_at=(size, (tape.dots - (bottom + top)) / 2),
        letters_length=right - left,
        length=int(size + right - left + QUIET_MODULES * dots),
    )


def draw(serial: str, tape: Tape) -> Image.Image:
    """Return a label as dots, black on white: the code, then the serial in letters.

    Raises
    ------
    LabelError
        The tape is too narrow for the serial's code, and how wide it must be.
    """
    at = _layout(serial, tape)
    label = Image.new("1", (at.length, tape.dots), color=1)
    ink = ImageDraw.Draw(label)
    for x, y in at.dark():
        ink.rectangle((x, y, x + at.module - 1, y + at.module - 1), fill=0)
    ink.text(at.letters_at, serial, font=at.letters, fill=0)
    return label


def as_png(serial: str, tape: Tape) -> bytes:
    """Return a label as PNG that says its resolution, the same bytes each time.

    Raises
    ------
    LabelError
        See `draw`.
    """
    sink = BytesIO()
    dpi = (tape.dots_per_inch, tape.dots_per_inch)
    draw(serial, tape).save(sink, format="PNG", dpi=dpi)
    return sink.getvalue()


def as_svg(serial: str, tape: Tape) -> str:
    """Return a label as SVG, sized in mm, with each module on the printer's dots.

    Raises
    ------
    LabelError
        See `draw`.
    """
    at = _layout(serial, tape)
    path = "".join(
        f"M{x} {y}h{at.module}v{at.module}h-{at.module}z" for x, y in at.dark()
    )
    x, y = at.letters_at
    baseline = y + at.letters.getmetrics()[0]
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" '
        f'width="{tape.mm(at.length):.3f}mm" height="{tape.mm(tape.dots):.3f}mm" '
        f'viewBox="0 0 {at.length} {tape.dots}">'
        f'<rect width="{at.length}" height="{tape.dots}" fill="#fff"/>'
        f'<path d="{path}" shape-rendering="crispEdges"/>'
        f'<text x="{x}" y="{baseline:.1f}" font-family="DejaVu Sans, sans-serif" '
        f'font-size="{at.letters.size:.1f}" textLength="{at.letters_length:.1f}" '
        f'lengthAdjust="spacingAndGlyphs">{escape(serial)}</text></svg>\n'
    )
