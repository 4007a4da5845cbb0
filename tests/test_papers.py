"""What the papers name is there: files, commands, pages."""

import re
import shlex
import tomllib
from collections.abc import Iterator
from importlib import import_module
from itertools import takewhile
from pathlib import Path

import click
import pytest

ROOT = Path(__file__).parents[1]
PAPERS = sorted(
    path.relative_to(ROOT)
    for path in ROOT.rglob("*.md")
    if not any(one.startswith(".") for one in path.relative_to(ROOT).parts)
)
FENCE = re.compile(r"^ *```(\w*)\n(.*?)^ *```", re.MULTILINE | re.DOTALL)
SPAN = re.compile(r"`([^`\n]+)`")
LINK = re.compile(r"\]\(([^)#:]+)\)")
PATH = re.compile(r"[\w./*-]*(?:/|\.(?:py|md|toml|sql|typ|json|txt|html)\b)[\w./*-]*")
MADE_BY_THE_MAKER = re.compile(
    r"(?:product|bench|plan|alerts|sharing)\.toml|profiles|data/\w+|.*NAME.*"
)
"""Files in the maker's own folder, and whatever is to be named by who adds it."""
DECISION = re.compile(r"^\d+\. .*\(20\d\d-\d\d")
"""Begins a decision, which is never edited: what it names may be gone."""
DECLARED = "report"
"""Its commands are the documents, which declare themselves: the README names it alone,
its own help every document."""
LONGEST = 500
"""Characters of a paragraph: five lines."""


def entry() -> tuple[click.Group, str]:
    """Return the command as it is installed, and its name."""
    scripts = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["scripts"]
    ((name, target),) = scripts.items()
    group = getattr(import_module(target.partition(":")[0]), name)
    assert isinstance(group, click.Group)
    return group, name


def text_of(paper: Path) -> str:
    return (ROOT / paper).read_text(encoding="utf-8")


def standing(paper: Path) -> list[str]:
    """Return the lines of a paper but its decisions."""
    return [one for one in text_of(paper).splitlines() if not DECISION.match(one)]


def commands_in(text: str) -> Iterator[str]:
    """Yield whatever is told to be typed."""
    for kind, block in FENCE.findall(text):
        if kind == "sh":
            yield from block.splitlines()
    yield from SPAN.findall(FENCE.sub("", text))


def typed(line: str) -> list[str]:
    """Return the words after the program's name; none for another program."""
    line = line.strip().removeprefix("uv run ")
    return shlex.split(line, comments=True)[1:] if line.startswith("holdpoint ") else []


@pytest.mark.parametrize("paper", PAPERS, ids=str)
def test_every_file_that_a_paper_names_is_there(paper: Path) -> None:
    prose = FENCE.sub("", "\n".join(standing(paper)))
    named = [one for one in SPAN.findall(prose) if PATH.fullmatch(one)]
    near = (ROOT / paper).parent
    absent = [
        one
        for one in named + LINK.findall(prose)
        if not MADE_BY_THE_MAKER.fullmatch(one)
        and not any(list(place.glob(one.rstrip("/"))) for place in (near, ROOT))
    ]
    assert not absent


def told() -> list[str]:
    """Return every command that a paper tells to type."""
    texts = ["\n".join(standing(paper)) for paper in PAPERS]
    lines = [line for text in texts for line in commands_in(text)]
    return sorted({one for one in lines if typed(one)})


@pytest.mark.parametrize("line", told())
def test_every_command_in_a_paper_is_understood(line: str) -> None:
    command: click.Command = entry()[0]
    words = typed(line)
    while words and not words[0].isupper():
        _, words, _ = command.make_parser(
            click.Context(command, resilient_parsing=True)
        ).parse_args(words)
        if not isinstance(command, click.Group):
            assert not words, "more than it takes"
        elif words and not words[0].isupper():
            found = command.get_command(click.Context(command), words[0])
            assert found is not None, f"no command {words[0]!r}"
            command, words = found, words[1:]


def leaves(group: click.Group, *words: str) -> Iterator[tuple[str, str]]:
    """Yield every command with its first sentence."""
    context = click.Context(group)
    for name in group.list_commands(context):
        one = group.get_command(context, name)
        assert one is not None
        if isinstance(one, click.Group) and name != DECLARED:
            yield from leaves(one, *words, name)
        else:
            yield " ".join((*words, name)), (one.help or "").partition("\n")[0]


def test_the_readme_lists_every_command_with_what_its_help_says() -> None:
    group, name = entry()
    rows = re.findall(
        r"^\| `holdpoint ([^`]+)` \| (.*) \|$", text_of(Path("README.md")), re.MULTILINE
    )
    assert rows == [(one, says) for one, says in leaves(group)]
    assert name == "holdpoint"


def test_paragraphs_for_people_are_short() -> None:
    text = FENCE.sub("", text_of(Path("README.md")))
    blocks = [
        block
        for block in re.split(r"\n\s*\n|\n(?=\d+\. |- )", text)
        if not block.lstrip().startswith(("|", "#", "!", "<"))
    ]
    assert max(len(" ".join(block.split())) for block in blocks) <= LONGEST


def test_pages_that_papers_name_are_pages() -> None:
    app = (ROOT / "dashboard" / "app.py").read_text(encoding="utf-8")
    pages = {*re.findall(r'title="([^"]+)"', app), *re.findall(r'"(\w+)": \[', app)}
    lines = text_of(Path("README.md")).splitlines()
    named = {
        page
        for line in takewhile(lambda one: one != "## Cautions", lines)
        for page in re.findall(r"pages? \*([^*]+)\*", line)
    }
    assert named <= pages
    assert len(named) > 3
