"""Which letters our font has, and pictures without anything to see through."""

import re
import unicodedata
from base64 import b64encode
from functools import cache
from io import BytesIO

from PIL import Image as Raster, ImageFont, ImageOps, UnidentifiedImageError

from daemon.presentation import fonts
from daemon.presentation.documents.errors import FontMissingError, ImageError

WHITE = "#ffffff"
ABSENT = "\N{WHITE SQUARE}"
"""Stands for a letter that the font does not have."""
LARGEST_BYTES = 20_000_000
LONGEST_SIDE = 1_600
JPEG_QUALITY = 85
_PLAIN = re.compile(r"[\x20-\x7e]*")
_SEEN_THROUGH = re.compile(
    r'<(?P<tag>[\w]+)(?P<rest>[^<>]*?) (?:fill-|stroke-)?opacity="(?P<share>[\d.]+)"'
)
_COLOUR = re.compile(r'(?P<what>fill|stroke)="#(?P<rgb>[0-9a-fA-F]{6})"')


def settable(text: str) -> str:
    r"""Return a text as it can be set: what the font lacks becomes a square.

    Control and direction characters are no letters and would hide or turn others.

    >>> settable("R13 = 4.99 kΩ")
    'R13 = 4.99 kΩ'
    >>> settable("a\x07b")
    'a□b'
    """
    if _PLAIN.fullmatch(text):
        return text
    return "".join(
        " " if letter.isspace() else letter if _has(letter) else ABSENT
        for letter in unicodedata.normalize("NFC", text)
    )


@cache
def _has(letter: str) -> bool:
    if unicodedata.category(letter) in {"Cc", "Cf", "Cs", "Co", "Cn"}:
        return False
    drawn, absent = (bytes(_font().getmask(one)) for one in (letter, "\uffff"))
    return drawn != absent


@cache
def _font() -> ImageFont.FreeTypeFont:
    try:
        return ImageFont.truetype(fonts.PLAIN, size=40)
    except OSError as exc:
        raise FontMissingError(family=fonts.FAMILY, folder=str(fonts.FOLDER)) from exc


def opaque(svg: str, paper: str = WHITE) -> str:
    """Return a chart in which nothing can be seen through (PDF/A-1 forbids it).

    Each colour is mixed with the paper instead, as it looked where it lay on it.

    >>> opaque('<rect fill="#000000" opacity="0.25"/>', paper="#ffffff")
    '<rect fill="#bfbfbf"/>'
    """

    def mixed(match: re.Match[str]) -> str:
        share = float(match["share"])

        def mix(colour: re.Match[str]) -> str:
            over, under = (
                bytes.fromhex(one) for one in (colour["rgb"], paper.removeprefix("#"))
            )
            rgb = bytes(
                round(share * a + (1 - share) * b)
                for a, b in zip(over, under, strict=True)
            )
            return f'{colour["what"]}="#{rgb.hex()}"'

        return f"<{match['tag']}{_COLOUR.sub(mix, match['rest'])}"

    return _SEEN_THROUGH.sub(mixed, svg)


def photograph(data: bytes, *, name: str) -> bytes:
    """Return a photograph as a JPEG of moderate size.

    Whatever the camera wrote into the file, its place on earth too, is left behind.

    Raises
    ------
    ImageError
        The file is no picture, or too large.
    """
    if len(data) > LARGEST_BYTES:
        raise ImageError(
            name=name,
            reason=f"{len(data)} bytes; at most {LARGEST_BYTES} are taken",
        )
    try:
        with Raster.open(BytesIO(data)) as opened:
            turned = _turned(opened)
    except (
        UnidentifiedImageError,
        OSError,
        ValueError,
        SyntaxError,
        Raster.DecompressionBombError,
    ) as exc:
        raise ImageError(name=name, reason="it is no picture that can be read") from exc
    turned.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    sink = BytesIO()
    turned.save(sink, format="JPEG", quality=JPEG_QUALITY)
    return sink.getvalue()


def framed(data: bytes, *, name: str) -> str:
    """Return a photograph as a drawing that holds it: texts go to the page, not bytes.

    Raises
    ------
    ImageError
        The file is no picture, or too large.
    """
    taken = photograph(data, name=name)
    with Raster.open(BytesIO(taken)) as opened:
        width, height = opened.size
    code = b64encode(taken).decode()
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}"><image width="{width}" height="{height}" '
        f'href="data:image/jpeg;base64,{code}"/></svg>'
    )


def size_of(svg: str) -> tuple[float, float]:
    """Return width and height of a drawing, px.

    >>> size_of('<svg class="marks" width="820" height="130" viewBox="0 0 1 1">')
    (820.0, 130.0)
    """
    head = svg[: svg.index(">", svg.index("<svg"))]
    sides = dict(re.findall(r' (width|height)="([\d.]+)', head))
    return float(sides["width"]), float(sides["height"])


def _turned(opened: Raster.Image) -> Raster.Image:
    upright = ImageOps.exif_transpose(opened).convert("RGBA")
    paper = Raster.new("RGBA", upright.size, "white")
    return Raster.alpha_composite(paper, upright).convert("RGB")
