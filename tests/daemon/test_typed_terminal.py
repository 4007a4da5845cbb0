"""A person completes a four-range unit by hand, in a real terminal."""

import os
import pty
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from daemon.service.home import Home
from daemon.trials.stories.demo import lay_out
from storage.access import open_store
from storage.records import Build, Product
from tests.daemon.making import AT, demo_settings

PRODUCT = demo_settings().product
NAME = PRODUCT.name
CHECKS = """
[checks."supply current"]
kind = "supply current"
high = 0.012
"""
PATIENCE_S = 90.0
UNIT = (
    ("1 uA, source at zero. The reference reads", ""),
    ("1 uA, source at zero. The output reads", "0.1 mV"),
    ("1 uA, source at about 900 nA. The reference reads", "0.9u"),
    ("1 uA, source at about 900 nA. The output reads", "0.9001"),
    ("10 uA, source at zero. The reference reads", ""),
    ("10 uA, source at zero. The output reads", ""),
    ("10 uA, source at about 9 µA. The reference reads", "nine"),
    ("10 uA, source at about 9 µA. The reference reads", "9 uA"),
    ("10 uA, source at about 9 µA. The output reads", "900 mV"),
    ("100 uA, source at zero. The reference reads", ""),
    ("100 uA, source at zero. The output reads", ""),
    ("100 uA, source at about 90 µA. The reference reads", "90u"),
    ("100 uA, source at about 90 µA. The output reads", "9.004"),
    # It reads like another range, so it is asked again at once.
    ("100 uA, source at zero. The reference reads", ""),
    ("100 uA, source at zero. The output reads", ""),
    ("100 uA, source at about 90 µA. The reference reads", "90u"),
    ("100 uA, source at about 90 µA. The output reads", "0.8"),
    ("1 mA, source at zero. The reference reads", ""),
    ("1 mA, source at zero. The output reads", ""),
    ("1 mA, source at about 900 µA. The reference reads", "900u"),
    ("1 mA, source at about 900 µA. The output reads", "0.9"),
    ("Range to correct", "100uA"),
    ("100 uA, source at zero. The reference reads", ""),
    ("100 uA, source at zero. The output reads", ""),
    ("100 uA, source at about 90 µA. The reference reads", "90.00 uA"),
    ("100 uA, source at about 90 µA. The output reads", "900.09 mV"),
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
        self.shown = ""

    def read_until(self, text: str) -> None:
        """Read on until `text` stands there; then forget what came before."""
        deadline_s = time.monotonic() + PATIENCE_S
        while text not in self.shown:
            assert time.monotonic() < deadline_s, f"{text!r} is not in {self.shown}"
            if select.select([self._ours], [], [], 1.0)[0]:
                self.shown += os.read(self._ours, 4096).decode()
        self.shown = self.shown.partition(text)[2]

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
