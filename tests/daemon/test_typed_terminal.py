"""A person completes a four-range unit by hand, in a real terminal."""

import os
import pty
import re
import select
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.service.home import Home
from daemon.trials.stories.demo import lay_out
from storage.access import open_store
from storage.endpoint import is_running, read
from storage.records import (
    Build,
    Configuration,
    Product,
    Run,
    RunKind,
    Session,
    Unit,
)
from tests.daemon.commanding import holdpoint
from tests.daemon.making import AT, demo_settings
from tests.storage.samples import results, unit

PRODUCT = demo_settings().product
NAME = PRODUCT.name
CHECKS = """
[checks."supply current"]
kind = "supply current"
high = 0.012
"""
PATIENCE_S = 300.0
LATER = AT + timedelta(days=1)
UNIT: tuple[tuple[str, str | None], ...] = (
    ("1 µA, source at zero. The reference reads", ""),
    ("1 µA, source at zero. The output reads", "0.1 mV"),
    ("1 µA, source at about 900 nA. The reference reads", "0.9u"),
    ("1 µA, source at about 900 nA. The output reads", "0.9001"),
    ("10 µA, source at zero. The reference reads", ""),
    ("10 µA, source at zero. The output reads", "?"),
    ("Enter means that it was not read", None),
    ("10 µA, source at zero. The output reads", ""),
    ("10 µA, source at about 9 µA. The reference reads", "nine"),
    # A prefix that was left out is said of its own reading.
    ("10 µA, source at about 9 µA. The reference reads", "9"),
    ("9 A is too much; full scale is 10 µA. Is a prefix missing", None),
    ("10 µA, source at about 9 µA. The reference reads", "9 uA"),
    ("10 µA, source at about 9 µA. The output reads", "900 mV"),
    ("100 µA, source at zero. The reference reads", ""),
    ("100 µA, source at zero. The output reads", ""),
    ("100 µA, source at about 90 µA. The reference reads", "90u"),
    ("100 µA, source at about 90 µA. The output reads", "9.004"),
    # It reads like another range, so it is asked again at once.
    ("100 µA, source at zero. The reference reads", ""),
    ("100 µA, source at zero. The output reads", ""),
    ("100 µA, source at about 90 µA. The reference reads", "90u"),
    ("100 µA, source at about 90 µA. The output reads", "0.8"),
    ("1 mA, source at zero. The reference reads", "0.9"),
    ("900 mA is no zero; full scale is 1 mA", None),
    ("1 mA, source at zero. The reference reads", ""),
    ("1 mA, source at zero. The output reads", ""),
    ("1 mA, source at about 900 µA. The reference reads", "900u"),
    ("1 mA, source at about 900 µA. The output reads", "0.9"),
    ("Range to correct", "2 mA"),
    ("must be one of 1 µA, 10 µA, 100 µA, 1 mA, or nothing", None),
    ("Range to correct", "100 uA"),
    ("100 µA, source at zero. The reference reads", ""),
    ("100 µA, source at zero. The output reads", ""),
    ("100 µA, source at about 90 µA. The reference reads", "90.00 uA"),
    ("100 µA, source at about 90 µA. The output reads", "900.09 mV"),
    ("Range to correct", ""),
    ("supply current, in A", "11 mA"),
)


class Terminal:
    """A command at a terminal of its own."""

    def __init__(self, *arguments: str) -> None:
        self._ours, theirs = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daemon.commands.cli", *arguments],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            close_fds=True,
        )
        os.close(theirs)
        self.shown = self.before = ""

    def read_until(self, text: str) -> None:
        """Read on until `text` stands there; then forget what came before."""
        deadline_s = time.monotonic() + PATIENCE_S
        while text not in self.shown:
            assert time.monotonic() < deadline_s, f"{text!r} is not in {self.shown}"
            if select.select([self._ours], [], [], 1.0)[0]:
                self.shown += os.read(self._ours, 4096).decode()
        self.before, _, self.shown = self.shown.partition(text)

    def type(self, text: str) -> None:
        """Type a line."""
        os.write(self._ours, f"{text}\n".encode())

    def rest(self) -> str:
        """Return all that is said to the end."""
        while True:
            try:
                more = os.read(self._ours, 4096)
            except OSError:  # the other end is closed
                break
            if not more:
                break
            self.shown += more.decode()
        os.close(self._ours)
        return self.shown


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """Return a home with one build open and a check in the plan."""
    one = lay_out(tmp_path / "home")
    plan = one.folder / "plan.toml"
    plan.write_text(plan.read_text() + CHECKS)
    one.data.mkdir(parents=True)
    with open_store(one.data) as store:
        store.keep(Product(product=NAME, title=PRODUCT.title))
        store.keep(Build(build="B-1", product=NAME, planned_units=2, opened_at=AT))
    return one


def test_slips_are_caught_at_once_and_a_range_is_corrected_before_it_is_kept(
    home: Home,
) -> None:
    terminal = Terminal(
        "--home", str(home.folder), "measure", "PA-0001", "--typed", "--new-setup"
    )
    for question, answer in UNIT:
        terminal.read_until(question)
        if answer is None:
            continue
        if question == "Range to correct" and answer != "100 uA":
            before = terminal.before
            # Whoever looks for a slip sees what each range comes to.
            assert re.search(
                r"1 mA +900 µA +900 mV +0\.000 % +±0\.5 % +conforming", before
            )
        terminal.type(answer)
    said = terminal.rest()
    assert terminal.process.wait(PATIENCE_S) == 0, said
    assert said.count("conforming") == 5
    with open_store(home.data) as store:
        rows = store.frame("unit_runs", serial="PA-0001").set_index("range")
        runs = store.frame("range_rows", product=NAME, after=0, kind="unit")
        (check,) = store.table("check_results", product=NAME, after=0).to_pylist()
    assert set(rows["origin"]) == {"typed"}
    assert set(runs["set_up"]) == {True}
    assert rows.loc["100uA", "error_ppm"] == pytest.approx(100.0, abs=1.0)
    assert rows.loc["1uA", "offset_ppm"] == pytest.approx(100.0, abs=1.0)
    assert check["value"] == 0.011


def refused(home: Home, *arguments: str) -> str:
    """Return what is said by a command that refuses before it asks for a reading."""
    done = holdpoint("measure", "--typed", *arguments, home=home.folder)
    said = done.stdout + done.stderr
    assert done.returncode == 1, said
    assert "reads" not in said
    return said


def test_what_cannot_be_kept_is_refused_before_the_first_reading(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first in a terminal; the others here, as if a person could be asked."""
    monkeypatch.setattr("daemon.commands.measure.interactive", lambda: True)
    with open_store(home.data) as store:
        store.keep(Build(build="B-2", product=NAME, planned_units=2, opened_at=LATER))
        store.keep(Unit(serial="PA-0009", product=NAME, build="B-1"))
        store.keep(Configuration(configuration="c", body="{}", stored_at=AT))
        store.keep(Session(session="s", bench="b", opened_at=AT, configuration="c"))
        first = Run(
            run="first", kind=RunKind.UNIT, product=NAME, serial="PA-0001",
            build="B-1", session="s", origin="typed", started_at=AT, finished_at=AT,
            configuration="c", ambient_c=None,
        )  # fmt: skip
        store.record_run(first, results(first, tuple(PRODUCT.ranges)), unit(first))
    terminal = Terminal("--home", str(home.folder), "measure", "--typed", "PA-0001")
    said = terminal.rest()
    assert terminal.process.wait(PATIENCE_S) == 1, said
    assert "reads" not in said
    assert "Nothing was ordered. To measure them again, say --rerun" in said
    # Of several the ones that were measured are named.
    said = refused(home, "PA-0002", "PA-0001")
    assert "measured before: PA-0001. Nothing was ordered." in said
    assert "or leave them out" in said
    said = refused(home, "PA-0009", "--build", "B-2")
    assert "unit PA-0009 is of build B-1, not B-2" in said
    assert "unknown build 'B-3'" in refused(home, "PA-0002", "--build", "B-3")
    assert "must not begin or end with a blank" in refused(home, " PA-0002")


def typed_in(terminal: Terminal) -> None:
    """Type a unit that conforms, up to its last question."""
    for level in ("0.9u", "9u", "90u", "900u"):
        for answer in ("", "", level, "0.9"):
            terminal.read_until("reads")
            terminal.type(answer)
    terminal.read_until("Range to correct")
    terminal.type("")
    terminal.read_until("supply current, in A")


def test_two_terminals_share_one_daemon_and_the_first_may_end_it_not(
    home: Home,
) -> None:
    """One of them types two units with one command, the other one unit."""
    one = Terminal("--home", str(home.folder), "measure", "--typed")
    other = Terminal("--home", str(home.folder), "measure", "PA-0002", "--typed")
    one.read_until("Serial")
    one.type("PA-0001")
    typed_in(one)
    typed_in(other)
    one.type("11 mA")
    one.read_until("PA-0001: conforming")
    one.read_until("Serial")
    one.type("PA-0001")
    one.read_until("was measured before")
    one.read_until("Serial")
    one.type("PA-0003")
    typed_in(one)
    one.type("11 mA")
    one.read_until("Serial")
    one.type("")
    assert re.search(r"PA-0001 +conforming\s+PA-0003 +conforming", one.rest())
    assert one.process.wait(PATIENCE_S) == 0
    found = read(home.data)
    assert found is not None
    assert is_running(found.pid), "the other still needs the daemon"
    other.type("11 mA")
    assert "conforming" in other.rest()
    assert other.process.wait(PATIENCE_S) == 0
    deadline_s = time.monotonic() + PATIENCE_S
    while (last := read(home.data)) is not None and is_running(last.pid):
        assert time.monotonic() < deadline_s, "nobody needs it, and it does not end"
        time.sleep(0.1)
    with open_store(home.data) as store:
        kept = {one.serial for one in store.rows(Unit)}
    assert kept == {"PA-0001", "PA-0002", "PA-0003"}
