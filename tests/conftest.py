"""What all tests share: published check values, the count per source, what is off.

A test that asks for `entry` and is marked `reference(file, *ids)` runs once for
each id; its own id names the published source and the provenance mark.

Each file's tests run in one process, the files side by side. What a test says besides
whether it passed goes with its report, so that the process that prints it has it.
"""

import gc
import random
import sys
from collections import Counter
from collections.abc import Generator, Iterator
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from tests import bytecode, compiling
from tests.reference_values import COMPARISONS, HEADING, entries, line

if TYPE_CHECKING:
    from tests.storage.postgres_server import Databases

bytecode.keep()
pytest_plugins = ["tests.left_behind"]

WORKERS_A_CORE = 2
"""Half of the time a test waits: for a daemon, a browser, a bench that settles."""
MOST_WORKERS = 4
"""More would start daemons, browsers and simulated benches faster than they answer."""
LONG = (
    "tests/browser/", "tests/studies/", "tests/dashboard/", "tests/daemon/watch/",
    "tests/storage/test_sharing", "tests/storage/test_history", "tests/test_examples",
)  # fmt: skip
"""What goes first: one long file at the end would be waited for by all."""
OURSELVES = sys.modules["__main__"]
IN_ORDER, REVERSED = "written", "reversed"

PASSED_SOURCES: Counter[str] = Counter()
FIGURES: list[tuple[str, str, object]] = []
"""What a test measured with `record_property`: its name, which figure, the figure."""
COMPARED: list[str] = []

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
    parser.addoption(
        "--order",
        default=IN_ORDER,
        help="run files, and the tests of each, as written, reversed, or at random by "
        "this number: no test may need another to have run",
    )


@pytest.hookimpl(wrapper=True, optionalhook=True)
def pytest_xdist_auto_num_workers(
    config: pytest.Config,
) -> Generator[None, int, int]:
    """Share files between cores, but neither a single file nor what measures pace."""
    cores = yield
    asked = {argument.partition("::")[0] for argument in config.args}
    one_file = len(asked) == 1 and asked.pop().endswith(".py")
    alone = one_file or config.option.markexpr in {"bench", "endurance"}
    return 0 if alone else min(WORKERS_A_CORE * cores, MOST_WORKERS)


def pytest_configure(config: pytest.Config) -> None:
    """Declare the marker that picks published entries."""
    config.addinivalue_line(
        "markers",
        "reference(file, *ids): run once for each entry (no ids: every entry) of "
        "tests/reference/FILE.json, given to the test as `entry`",
    )


@pytest.hookimpl(tryfirst=True)
def pytest_sessionstart(session: pytest.Session) -> None:
    """Compile the detector, if need be, before several processes do so at once."""
    option = session.config.option
    if getattr(option, "numprocesses", 0) and not option.collectonly:
        compiling.compile_once()


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None]:
    """Have nobody look for garbage in all that was loaded, now or after each page.

    The library of the screens has the whole memory looked through each time that it
    has shown a page: a third of a second, where all tests are loaded.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_collection_modifyitems(
    config: pytest.Config, items: list[pytest.Item]
) -> None:
    """Leave out what needs real instruments or minutes, unless `-m` asks for it."""
    put_in_order(items, config.getoption("--order"))
    if config.getoption("markexpr"):
        return
    off = [
        item
        for item in items
        if any(map(item.get_closest_marker, ("bench", "endurance", "hardware")))
    ]
    if off:
        config.hook.pytest_deselected(items=off)
        items[:] = [item for item in items if item not in off]


def pytest_sessionfinish() -> None:
    """End the process that daemons were forked from, where a test has asked for any."""
    if starting := sys.modules.get("tests.daemon.starting"):
        starting.end()


def put_in_order(items: list[pytest.Item], order: str) -> None:
    """Put files in another order, and the tests of each; a file stays together."""
    if order == IN_ORDER:
        items.sort(key=lambda item: not item.nodeid.startswith(LONG))
        return
    files: dict[str, list[pytest.Item]] = {}
    for item in items:
        files.setdefault(item.nodeid.partition("::")[0], []).append(item)
    groups = list(files.values())
    if order == REVERSED:
        items.reverse()
        return
    chance = random.Random(int(order))  # noqa: S311 -- an order, no secret
    chance.shuffle(groups)
    for group in groups:
        chance.shuffle(group)
    items[:] = [item for group in groups for item in group]


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


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown() -> None:
    """Be ourselves again: a page that a test has shown is `__main__` from then on."""
    sys.modules["__main__"] = OURSELVES


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Let the report say which sources the test is of, and what it compared."""
    report = yield
    if report.when == "call":
        sources = [mark.args[0] for mark in item.iter_markers("source")]
        compared = [line(row) for row in COMPARISONS]
        vars(report).update(sources=sources, compared=compared)
        COMPARISONS.clear()
    return report


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Count the passed tests of each source; keep what was measured and compared."""
    if report.when != "call":
        return
    said = vars(report)
    if report.passed:
        PASSED_SOURCES.update(said["sources"])
    name = report.nodeid.partition("::")[2]
    FIGURES.extend((name, *figure) for figure in report.user_properties)
    COMPARED.extend(said["compared"])


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
        for one in (*HEADING, *COMPARED):
            terminalreporter.write_line(one)


@pytest.fixture(scope="session")
def databases() -> Iterator["Databases"]:
    """Return what gives databases of a PostgreSQL server of the tests' own."""
    from tests.storage.postgres_server import Databases  # noqa: PLC0415 -- few ask

    with ExitStack() as held:
        yield Databases(held)
