"""What all tests share: published check values, the count per source, what is off.

A test that asks for `entry` and is marked `reference(file, *ids)` runs once for
each id; its own id names the published source and the provenance mark.
"""

from collections import Counter
from collections.abc import Generator

import pytest
from hypothesis import settings

from tests.reference_values import COMPARISONS, entries, table

PASSED_SOURCES: Counter[str] = Counter()
FIGURES: list[tuple[str, str, object]] = []
"""What a test measured with `record_property`: its name, which figure, the figure."""

# The same examples on every run, and no deadline: a busy machine is no defect.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Offer the table of published values beside ours."""
    parser.addoption(
        "--reference-table",
        action="store_true",
        help="print every published value beside ours",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Declare the marker that picks published entries."""
    config.addinivalue_line(
        "markers",
        "reference(file, *ids): run once for each entry (no ids: every entry) of "
        "tests/reference/FILE.json, given to the test as `entry`",
    )


def pytest_collection_modifyitems(
    config: pytest.Config, items: list[pytest.Item]
) -> None:
    """Leave out what needs real instruments or minutes, unless `-m` asks for it."""
    if config.getoption("markexpr"):
        return
    off = [
        item
        for item in items
        if item.get_closest_marker("bench") or item.get_closest_marker("hardware")
    ]
    if off:
        config.hook.pytest_deselected(items=off)
        items[:] = [item for item in items if item not in off]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Give each marked test its entries, the source in the test's id."""
    if "entry" not in metafunc.fixturenames:
        return
    rows = []
    for mark in metafunc.definition.iter_markers("reference"):
        file, *ids = mark.args
        for key in ids or entries(file):
            one = entries(file)[key]
            rows.append(
                pytest.param(
                    one,
                    id=f"{key}: {one.source}; {one.provenance}",
                    marks=pytest.mark.source(one.source),
                )
            )
    metafunc.parametrize("entry", rows)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Count the passed tests of each source."""
    report = yield
    if report.when == "call" and report.passed:
        for mark in item.iter_markers("source"):
            PASSED_SOURCES[mark.args[0]] += 1
    if report.when == "call":
        FIGURES.extend((item.name, *figure) for figure in report.user_properties)
    return report


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """Print how many tests passed against each published source."""
    if PASSED_SOURCES:
        terminalreporter.section("tests passed per published source")
        for source, count in sorted(PASSED_SOURCES.items()):
            terminalreporter.write_line(f"{count:5d}  {source}")
    if FIGURES:
        terminalreporter.section("figures measured")
        for test, name, figure in FIGURES:
            terminalreporter.write_line(f"{figure!s:>10} {name}  {test}")
    if config.getoption("--reference-table"):
        terminalreporter.section("published values beside ours")
        for line in table(COMPARISONS):
            terminalreporter.write_line(line)
