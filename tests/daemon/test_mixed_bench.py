"""Days at a bench of which a person reads the output, by our own commands."""

import re
import shutil
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from time import monotonic
from typing import Any

import pytest

from daemon.service.client import Client
from daemon.service.hands import Hands
from daemon.service.home import Home
from daemon.trials.stories.demo import write_addresses
from storage.access import open_store
from tests.daemon.commanding import holdpoint
from tests.daemon.making import DEMO
from tests.daemon.starting import running_daemon, simulated_bench

PATIENCE_S = 300.0
RANGES = ("1uA", "10uA")
PROMPT = re.compile(
    r"Range (?P<range>.+), source at (?P<level>[^.,]+)(?P<proves>, a small one that "
    r"proves the range)?\. Type what the output meter shows on its (?P<scale>\d+) V "
    r"range"
)


def until(wanted: Callable[[], bool]) -> None:
    """Wait for something to be so: a person's unit takes a busy machine minutes."""
    deadline_s = monotonic() + PATIENCE_S
    while not wanted():
        assert monotonic() < deadline_s


def lay_out(folder: Path) -> Home:
    """Write the demo's bench with its output meter read by a person."""
    folder.mkdir()
    for name in ("product.toml", "plan.toml"):
        shutil.copy(DEMO / name, folder)
    product = (folder / "product.toml").read_text(encoding="utf-8")
    # Nobody waits here for what a real range takes.
    quick = re.sub(r"settle_s = .+", "settle_s = 0.05", product)
    (folder / "product.toml").write_text(quick, encoding="utf-8")
    bench = (DEMO / "bench.toml").read_text(encoding="utf-8")
    bench = bench.replace("time_scale = 20.0\n", "")
    bench = re.sub(r"\[output\]\n.+\n.+\n", '[output]\nprofile = "typed"\n', bench)
    bench = re.sub(r"\[ambient\]\n(?:.+\n)+", "", bench)
    bench = re.sub(r"\[check_standard\]\n(?:.+\n?)+", "", bench)
    (folder / "bench.toml").write_text(bench, encoding="utf-8")
    return Home(folder)


class Person:
    """Reads the simulated meter's display, and types what it shows."""

    def __init__(self, address: str, client: Client, hands: Hands) -> None:
        self.asked: list[str] = []
        self.slips: dict[str, list[str]] = {}
        """What is typed first where a prompt holds this, in turn."""
        self.client = client
        self._hands = hands
        _, host, port, _ = re.split(r"::", address)
        self._line = socket.create_connection((host, int(port)))
        self._file = self._line.makefile("rw")

    def close(self) -> None:
        """Leave."""
        self._file.close()
        self._line.close()

    def order(self, serial: str, **how: Any) -> str:
        """Put a unit on the bench and order it; return the ticket."""
        self._hands.mount(serial)
        return self.client.measure(serial=serial, ranges=RANGES, build=None, **how)

    def measure(self, serial: str, **how: Any) -> dict[str, Any]:
        """Have a unit measured, answering what is asked; return what became of it."""
        ticket = self.order(serial, **how)
        seen: dict[str, Any] = {}

        def ended() -> bool:
            nonlocal seen
            seen = self.client.ticket(ticket, wait_s=0.05)
            if (prompt := self.client.state()["prompt"]) is not None:
                self.client.answer(prompt["prompt"], self._answer(prompt))
            return seen["state"] in {"done", "failed"}

        until(ended)
        return seen

    def waits_for(self) -> dict[str, Any]:
        """Return the next prompt, unanswered."""
        until(lambda: self.client.state()["prompt"] is not None)
        found: dict[str, Any] = self.client.state()["prompt"]
        return found

    def _answer(self, prompt: dict[str, Any]) -> str:
        self.asked.append(prompt["text"])
        for part, answers in self.slips.items():
            if part in prompt["text"] and answers:
                return answers.pop(0)
        if (asked := PROMPT.search(prompt["text"])) is None:
            return "done"
        self._file.write(f"CONF:VOLT:DC {asked['scale']}\nREAD?\n")
        self._file.flush()
        return f"{float(self._file.readline()) * 1e3:.4f} mV"


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as one:
        yield one


def test_a_person_reads_the_output_for_days_and_the_rest_goes_by_itself(
    tmp_path: Path, stack: ExitStack
) -> None:
    home = lay_out(tmp_path / "line")
    bench = stack.enter_context(simulated_bench(home, seed=3, units=4))
    said = bench[1]
    write_addresses(home.folder / "bench.toml", said["instruments"])
    hands = stack.enter_context(Hands(said["fixture"]["host"], said["fixture"]["port"]))
    builds = hands.scenario()["builds"]
    first, second = (one["serials"] for one in builds[:2])
    assert holdpoint("config", "check", home=home.folder).returncode == 0
    opened = holdpoint("build", "open", "B-1", "--units", "4", home=home.folder)
    assert opened.returncode == 0

    # The first day: a slip is doubted, and typed right.
    with running_daemon(home), Client.of(home.data) as client:
        person = Person(said["instruments"]["output"], client, hands)
        person.slips["source at 9 \N{MICRO SIGN}A"] = ["900.1"]
        done = person.measure(first[0])
        assert (done["state"], done["verdict"]) == ("done", "conforming")
        assert sum("cannot be there" in one for one in person.asked) == 1
        # Zero, level and zero of both, and what proves the coarser range.
        assert len(person.asked) == 2 * 3 + 1 + 1
        # It is evening: the daemon ends while it waits for a reading, the source off.
        person.order(first[1])
        assert "source at zero" in person.waits_for()["text"]
        assert hands.state()["source_on"]
        person.close()
    assert not hands.state()["source_on"]
    with open_store(home.data) as store:
        assert store.frame("unit_runs", serial=first[1]).empty

    # The next day: the unit again; a slip that looks like a reading has it read twice.
    with running_daemon(home), Client.of(home.data) as client:
        person = Person(said["instruments"]["output"], client, hands)
        person.slips["Range 1 µA, source at 900 nA"] = ["905.0 mV"]
        again = person.measure(first[1])
        assert again["verdict"] == "conforming"
        assert "seated again and measured once more it does not" in " ".join(
            again["remarks"]
        )
        # The next build.
        opened = holdpoint("build", "open", "B-2", "--units", "4", home=home.folder)
        assert opened.returncode == 0
        assert person.measure(second[0])["verdict"] == "conforming"
        person.close()
    assert not hands.state()["source_on"]
    with open_store(home.data) as store:
        assert len(store.frame("unit_runs", serial=first[1])["run"].unique()) == 2
        readings = store.frame("readings", run=again["run"])
    assert set(readings["range"]) == set(RANGES)
    for one in readings["output_readings"]:
        assert len(one) == 3  # one a point
