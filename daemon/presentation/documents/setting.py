"""Set a paper as PDF or PNG: the same bytes each time, from our own letters alone."""

import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import typst

from daemon.presentation import fonts
from daemon.presentation.documents.blocks import (
    Block,
    Facts,
    Grid,
    Heading,
    Listed,
    Paper,
    Pictures,
    Prose,
    Signature,
)
from daemon.presentation.documents.content import Image
from daemon.presentation.documents.errors import FontMissingError, LayoutError
from daemon.presentation.documents.glyphs import framed, opaque, settable, size_of
from daemon.presentation.figures import day_of

PAGE = Path(__file__).with_name("page.typ")
STANDARD = "a-1b"
"""ISO 19005-1, level B: what every archive takes."""
TALLEST_SHARE = 1.25
"""A taller picture is made smaller: height over width."""
SVG = b"<svg"
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|ppm|\xb0C|[kMmnp\xb5u]?[\u03a9AV])(?!\w))")


def set_pdf(paper: Paper) -> bytes:
    """Return a paper as PDF/A-1b.

    Raises
    ------
    ReportError
        Naming the font, the picture or the reason.
    """
    made = _compiled(paper, format="pdf", pdf_standards=STANDARD, pdf_tags=False)
    return made[0]


def set_png(paper: Paper, *, dots_per_inch: float = 110.0) -> tuple[bytes, ...]:
    """Return a paper as pictures, one a page.

    Raises
    ------
    ReportError
        Naming the font, the picture or the reason.
    """
    return _compiled(paper, format="png", ppi=dots_per_inch)


def _compiled(paper: Paper, **how: Any) -> tuple[bytes, ...]:
    compiler = typst.Compiler(font_paths=_letters(fonts.FOLDER))
    try:
        made = compiler.compile(
            PAGE.read_bytes(),
            sys_inputs={"paper": json.dumps(_spoken(paper))},
            # What the file says of itself must not differ between two makings.
            timestamp=int(paper.issued_at.timestamp()),
            **how,
        )
    except typst.TypstError as exc:
        raise LayoutError(document=paper.number, reason=str(exc)) from exc
    if made is None:
        raise LayoutError(document=paper.number, reason="no page was made")
    return tuple(made) if isinstance(made, list) else (made,)


def _whole(text: str) -> str:
    """Return text that can be set, in which no line parts a number from its unit."""
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", settable(text))


@cache
def _letters(folder: Path) -> typst.Fonts:
    """Return our own font and no other: labels set in another would be cut off."""
    found = typst.Fonts(
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=[str(folder)],
    )
    if fonts.FAMILY not in found.families():
        raise FontMissingError(family=fonts.FAMILY, folder=str(folder))
    return found


def _spoken(paper: Paper) -> Mapping[str, Any]:
    return {
        "title": _whole(paper.title),
        "about": _whole(paper.about),
        "number": _whole(paper.number),
        "issuer": [_whole(one) for one in paper.issuer.splitlines()],
        "issued": f"Issued {day_of(paper.issued_at)}",
        "footer": _whole(f"{paper.title} {paper.number}, {paper.about}"),
        "blocks": [_block(one) for one in paper.blocks],
    }


def _block(block: Block) -> dict[str, Any]:  # noqa: PLR0911 -- one a kind
    match block:
        case Heading(text=text):
            return {"kind": "heading", "text": _whole(text)}
        case Prose(text=text, tone=tone):
            return {"kind": "prose", "text": _whole(text), "tone": tone}
        case Listed(items=items):
            return {"kind": "listed", "items": [_whole(one) for one in items]}
        case Facts():
            rows = [[_whole(name), _whole(said)] for name, said in block.told]
            return {"kind": "facts", "rows": rows}
        case Grid(columns=columns, rows=rows_):
            return {
                "kind": "grid",
                "columns": [
                    {
                        "heading": _whole(one.heading),
                        "share": one.share,
                        "number": one.number,
                    }
                    for one in columns
                ],
                "rows": [[_whole(cell) for cell in row] for row in rows_],
            }
        case Pictures(images=images, beside=beside):
            return {
                "kind": "pictures",
                "beside": beside,
                "images": [_picture(one) for one in images],
            }
        case Signature(labels=labels):
            return {"kind": "signature", "labels": [_whole(one) for one in labels]}


def _picture(image: Image) -> dict[str, Any]:
    if SVG in image.data[:400]:
        svg = opaque(image.data.decode())
    else:
        svg = framed(image.data, name=image.caption or "attached")
    width, height = size_of(svg)
    return {
        "data": svg,
        "height-share": min(height / width, TALLEST_SHARE),
        "caption": _whole(image.caption),
        "words": _whole(image.words or image.caption),
    }
