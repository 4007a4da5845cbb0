"""One finding has one number, one limit one text: on pages, papers, in commands.

A story is lived through once, all that the program says of it is collected, and what
names the size of its finding, or the error limit of its ranges, is compared.
"""

import json
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest

from daemon.alerts.who_hears import of_finding
from daemon.presentation import sentences
from daemon.service.home import Home
from storage.access import open_store
from storage.records import Signal
from tests.daemon.commanding import holdpoint
from tests.daemon.seeded import BAD_FROM, BAD_REEL
from tests.dashboard.test_pages import opened, said

FINDING = "B-3-F1"
FIRST = f"PA-300{BAD_FROM}"
SIZE = "+0.30 %"
AS_SET = "±(0.45 % of reading + 0.045 % of full scale)"
LIMITS = {AS_SET, "±0.5 %"}
"""As it is set, and what that comes to where a range is read."""

AMOUNT = "([+\N{MINUS SIGN}][0-9.]+ (?:%|ppm))"
SIZES = [
    re.compile(rf"reads {AMOUNT} since unit {FIRST}"),
    re.compile(rf"since unit {FIRST}: {AMOUNT}"),
    re.compile(rf"moved by {AMOUNT}"),
    re.compile(rf"The move is {AMOUNT}"),
]
LIMIT = re.compile(r"limit[^.±]{0,30}(±\([^)]*\)|±[0-9.]+ (?:%|ppm))")
PAGES = ("today", "holds", "range", "units", "recall", "standard", "packing",
         "finding", "build", "budget")  # fmt: skip
COMMANDS = (
    ("status",),
    ("hold", "list"),
    ("contain", FINDING),
    ("trace", FIRST),
    ("trace", BAD_REEL),
    ("ship", FIRST, "--check", "--person", "Ada Moreno"),
    ("config", "check"),
    ("whatif",),
    ("capability",),
    ("card", FIRST),
    ("budget",),
)
PAPERS = {
    "unit": FIRST,
    "build": "B-3",
    "sheet": "B-3",
    "supplier": FINDING,
    "customer": FIRST,
}


def plain(html: str) -> str:
    """Return the words of a page, without its tags, in one line."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", html)))


def pages() -> Iterator[tuple[str, str]]:
    """Yield each page's words, and what stands in its charts."""
    for name in PAGES:
        app = opened(name)
        words = [said(app), *(one.value for one in app.markdown)]
        words += [json.dumps(json.loads(one.proto.spec), ensure_ascii=False)
                  for one in app.get("vega_lite_chart")]  # fmt: skip
        yield f"page {name}", plain(" ".join(words))


def commands(home: Path) -> Iterator[tuple[str, str]]:
    """Yield what each command answers."""
    for words in COMMANDS:
        done = holdpoint(*words, home=home)
        assert done.stdout, (words, done.stderr)
        yield " ".join(words), re.sub(r"\s+", " ", done.stdout)


def papers(home: Path, into: Path) -> Iterator[tuple[str, str]]:
    """Yield each paper's words."""
    for kind, subject in PAPERS.items():
        done = holdpoint(
            "report", kind, subject, "--as", "html", "--into", str(into), home=home
        )
        assert done.returncode == 0, done.stderr
        (path,) = (Path(one) for one in done.stdout.split())
        yield f"report {kind}", plain(path.read_text(encoding="utf-8"))


def messages(home: Home) -> Iterator[tuple[str, str]]:
    """Yield what is told of the finding."""
    with open_store(home.data) as store:
        product = store.frame("builds", product="photodiode-amplifier")
        assert not product.empty
        (found,) = store.rows(Signal, "signals", product="photodiode-amplifier")
    saying = sentences.finding(found)
    told = of_finding(found, headline=saying.headline, lines=saying.lines, told=None)
    assert told is not None
    yield "message", " ".join((told.title, *told.lines))


def none_of(found: dict[str, set[str]]) -> dict[str, set[str]]:
    """Return that nobody says anything else."""
    return {where: set() for where in found}


@pytest.fixture
def everything(held: Home, tmp_path: Path) -> dict[str, str]:
    """Return all that is said of the story, by who says it."""
    return {
        **dict(pages()),
        **dict(commands(held.folder)),
        **dict(papers(held.folder, tmp_path)),
        **dict(messages(held)),
    }


def test_one_finding_has_one_number_and_one_limit_one_text(
    everything: dict[str, str],
) -> None:
    sizes = {
        where: {one for pattern in SIZES for one in pattern.findall(text)}
        for where, text in everything.items()
    }
    told = {where: found for where, found in sizes.items() if found}
    assert {where: found - {SIZE} for where, found in told.items()} == none_of(told)
    assert {
        "page today", "page holds", "page range", "status", "hold list",
        f"ship {FIRST} --check --person Ada Moreno", "report unit", "report build",
        "report supplier", "message",
    } <= set(told)  # fmt: skip
    limits = {where: {*LIMIT.findall(text)} for where, text in everything.items()}
    bounded = {where: found for where, found in limits.items() if found}
    others = {where: found - LIMITS for where, found in bounded.items()}
    assert others == none_of(bounded)
    assert {"config check", "report unit", "report build"} <= set(bounded)
    assert AS_SET in everything["report sheet"]
    for where, text in everything.items():
        for other in ("0.495", "0.55 %", "4950", "5000 ppm", "\N{PLUS-MINUS SIGN}5000"):
            assert other not in text, (where, other)
    # A unit's own error is one text wherever a person reads it.
    unit = {
        where: {*re.findall(r"\+0\.3[0-9]+(?= %)|\+0\.3[0-9]{2,}", text)}
        for where, text in everything.items()
        if where in ("report customer", f"card {FIRST}")
    }
    assert unit["report customer"] == unit[f"card {FIRST}"]
