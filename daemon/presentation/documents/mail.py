"""A paper as one HTML page for a mail: plain tables, colours in place, no links."""

from base64 import b64encode
from html import escape

import vl_convert

from daemon.presentation.colours import LIGHT
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
from daemon.presentation.documents.glyphs import photograph
from daemon.presentation.documents.setting import SVG
from daemon.presentation.figures import day_of

FONT = "font-family:'DejaVu Sans',Verdana,sans-serif"
CELL = "padding:4px 8px;vertical-align:top;border-bottom:1px solid #d9d5cb"
QUIET = f"color:{LIGHT.quiet}"


def as_html(paper: Paper) -> str:
    """Return a paper as HTML; every text in it is escaped."""
    parts = "\n".join(_block(one) for one in paper.blocks)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>{escape(paper.title)} {escape(paper.number)}</title></head>\n"
        f'<body style="{FONT};font-size:14px;color:{LIGHT.ink};background:'
        f'{LIGHT.paper};max-width:760px;margin:24px auto;padding:0 16px">\n'
        f'<h1 style="font-size:24px;margin:0">{escape(paper.title)}</h1>\n'
        f'<p style="{QUIET};margin:4px 0 16px">{escape(paper.about)}<br>'
        f"{escape(paper.number)}, issued {day_of(paper.issued_at)}, "
        f"{'<br>'.join(escape(one) for one in paper.issuer.splitlines())}</p>\n"
        f"{parts}\n</body></html>\n"
    )


def _block(block: Block) -> str:  # noqa: PLR0911 -- one a kind
    match block:
        case Heading(text=text):
            return f'<h2 style="font-size:16px;margin:24px 0 8px">{escape(text)}</h2>'
        case Prose(text=text, tone=tone):
            styles = {
                "strong": f"font-weight:bold;font-size:16px;border-left:4px solid "
                f"{LIGHT.ink};padding-left:10px",
                "quiet": f"{QUIET};font-size:12px",
            }
            return f'<p style="{styles.get(tone, "")}">{escape(text)}</p>'
        case Listed(items=items):
            rows = "".join(f"<li>{escape(one)}</li>" for one in items)
            return f'<ul style="padding-left:20px">{rows}</ul>'
        case Facts():
            return _table(
                [
                    f'<td style="{CELL};{QUIET}">{escape(name)}</td>'
                    f'<td style="{CELL}">{escape(said)}</td>'
                    for name, said in block.told
                ]
            )
        case Grid():
            return _grid(block)
        case Pictures(images=images):
            return "".join(_picture(one) for one in images)
        case Signature():
            return ""


def _grid(grid: Grid) -> str:
    sides = ["right" if one.number else "left" for one in grid.columns]
    head = "".join(
        f'<th style="{CELL};{QUIET};text-align:{side};font-weight:normal">'
        f"{escape(one.heading)}</th>"
        for one, side in zip(grid.columns, sides, strict=True)
    )
    rows = [
        "".join(
            f'<td style="{CELL};text-align:{side}">{escape(cell)}</td>'
            for cell, side in zip(row, sides, strict=True)
        )
        for row in grid.rows
    ]
    return f'<div style="overflow-x:auto">{_table([head, *rows])}</div>'


def _table(rows: list[str]) -> str:
    body = "".join(f"<tr>{row}</tr>" for row in rows)
    return f'<table style="border-collapse:collapse;font-size:13px">{body}</table>'


def _picture(image: Image) -> str:
    """Return a picture inside the page: mail programs show no drawings."""
    if SVG in image.data[:400]:
        kind, data = "png", vl_convert.svg_to_png(image.data.decode(), scale=1.5)
    else:
        kind, data = "jpeg", photograph(image.data, name=image.caption or "attached")
    words = escape(image.words or image.caption)
    return (
        f'<figure style="margin:12px 0"><img alt="{words}"'
        f' style="max-width:100%" src="data:image/{kind};base64,'
        f'{b64encode(data).decode()}"><figcaption style="{QUIET};font-size:12px">'
        f"{escape(image.caption)}</figcaption></figure>"
    )
