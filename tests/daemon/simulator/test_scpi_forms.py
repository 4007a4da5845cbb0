"""Short forms and number forms against published facts."""

import re

import pytest

from daemon.simulator.meters import Meter, Thermometer
from daemon.simulator.scpi import Instrument
from daemon.simulator.sources import Selector, Source
from tests.reference_values import Entry

KINDS = (Instrument, Meter, Thermometer, Source, Selector)


def short_form(keyword: str) -> str:
    """Return a keyword's short form by the rule: four letters, or three."""
    if len(keyword) > 4 and keyword[3] in "AEIOU":
        return keyword[:3]
    return keyword[:4]


@pytest.mark.reference("14_scpi_ieee488", "scpi.data_formats")
def test_every_header_is_shortened_by_the_published_rule(entry: Entry) -> None:
    keywords = [keyword.upper() for keyword in entry.inputs["keywords"]]
    entry.check("short_forms", [short_form(keyword) for keyword in keywords])
    nodes = {
        node
        for kind in KINDS
        for name in dir(kind)
        for header in getattr(getattr(kind, name), "headers", ())
        for node in re.findall(r"[A-Za-z]+", header)
        if not node.isupper()
    }
    assert len(nodes) > 10
    for node in nodes:
        capitals = "".join(letter for letter in node if letter.isupper())
        assert capitals == short_form(node.upper()), node
