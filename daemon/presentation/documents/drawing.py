"""Charts as drawings that can stand on paper: our own letters, nothing seen through."""

import json
from dataclasses import replace
from functools import cache

import altair as alt
import vl_convert

from daemon.presentation import fonts
from daemon.presentation.colours import LIGHT
from daemon.presentation.documents.content import Image
from daemon.presentation.documents.errors import FontMissingError
from daemon.presentation.plots.marks import FONT

WIDTH_PX = 760.0
PAPER = replace(LIGHT, paper="#ffffff")
"""Colours of charts on paper, which is white."""


def drawn(chart: alt.TopLevelMixin, *, caption: str, words: str) -> Image:
    """Return a chart as a drawing of the width of a page.

    Parameters
    ----------
    chart
        From `daemon.presentation.plots`, in the colours of `PAPER`.
    caption, words
        What stands under it; what it shows, for who cannot see it.
    """
    _know_letters()
    spec = json.loads(
        json.dumps(chart.to_dict(validate=False)).replace(
            json.dumps(FONT)[1:-1], fonts.FAMILY
        )
    )
    spec["width"] = WIDTH_PX
    svg = vl_convert.vegalite_to_svg(spec)
    return Image(data=svg.encode(), caption=caption, words=words)


def begin() -> None:
    """Start what draws, which takes as long as all charts of a document."""
    vl_convert.vegalite_to_svg({"data": {"values": []}, "mark": "point"})


@cache
def _know_letters() -> None:
    """Let texts be measured by the letters they are set in, else they are cut off."""
    if not fonts.PLAIN.exists():
        raise FontMissingError(family=fonts.FAMILY, folder=str(fonts.FOLDER))
    vl_convert.register_font_directory(str(fonts.FOLDER))
