"""The demo: a simulated bench, a daemon, a dashboard, and somebody who mounts units.

The operator here does by program what a person does at a bench: records builds and
reels, connects what the daemon asks for, orders one unit after another. The daemon
is a process of its own that knows the simulated bench by its addresses alone.
"""

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

from config import HoldpointError, load, private_folder, write_whole
from daemon.presentation.figures import on_label_ohm
from daemon.service import Client, Hands, Home, running_daemon, simulated_bench
from daemon.traceability import kitting
from daemon.trials.stories import outcome
from storage import Signal, Store, open_store

SETTINGS = ("product.toml", "bench.toml", "plan.toml", "alerts.toml")
WATCHED_S = 30.0


class DemoError(HoldpointError):
    """The story could not be told to its end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """How far the story is, for a progress bar."""

    done: int
    units: int
    words: str


class Operator:
    """Records what a person records and connects what the daemon asks for."""

    def __init__(
        self, store: Store, client: Client, hands: Hands, product: str
    ) -> None:
        self._store = store
        self.client = client
        self._hands = hands
        self._product = product
        self.story = hands.scenario()
        self._labels = labels_of(self.story)

    @property
    def serials(self) -> list[str]:
        """All units in the order they are measured."""
        return [s for build in self.story["builds"] for s in build["serials"]]

    def tell(self, step: Callable[[Step], None]) -> None:
        """Measure every unit of the story, build after build."""
        units = len(self.serials)
        done = 0
        for build in self.story["builds"]:
            self.open(build["build"], len(build["serials"]))
            for serial in build["serials"]:
                self.record_reels(build["build"], serial)
                self.measure(build["build"], serial)
                done += 1
                step(Step(done=done, units=units, words=f"{build['build']} {serial}"))
        self.wait_until_watched()

    def open(self, build: str, units: int) -> None:
        """Open a build and record the reels that it begins with."""
        kitting.open_build(
            self._store, self._product, build, planned_units=units, at=datetime.now(UTC)
        )
        self.record_reels(build, None)

    def record_reels(self, build: str, from_serial: str | None) -> None:
        """Record the reels that a build takes from a serial on; None: at its start."""
        recorded = set(self._store.frame("reel")["reel"])
        for one in self.story["fittings"]:
            if (one["build"], one["from_serial"]) != (build, from_serial):
                continue
            now = datetime.now(UTC)
            if one["reel"] not in recorded:
                kitting.receive_reel(self._store, **self._labels[one["reel"]], at=now)
            self._store.keep(
                kitting.fitting_of(
                    self._product,
                    build,
                    one["part"],
                    one["reel"],
                    from_serial=from_serial,
                    at=now,
                )
            )

    def measure(self, build: str, serial: str) -> None:
        """Mount a unit and have it measured."""
        self._hands.mount(serial)
        seen = self.carried_out(self.client.measure(build=build, serial=serial))
        if seen["state"] != "done":
            message = f"unit {serial} was not measured: {seen['message']}"
            raise DemoError(message)

    def carried_out(self, ticket: str) -> dict[str, Any]:
        """Return an order once it ended; what is asked meanwhile is done."""
        while True:
            seen = self.client.ticket(ticket, wait_s=0.1)
            if seen["state"] in {"done", "failed"}:
                return seen
            if (prompt := self.client.state()["prompt"]) is not None:
                self._hands.mount(prompt["subject"])
                self.client.answer(prompt["prompt"])

    def wait_until_watched(self) -> None:
        """Wait until the daemon has watched all that it measured."""
        deadline_s = time.monotonic() + WATCHED_S
        while True:
            rows = self._store.frame(
                "range_rows", product=self._product, after=0, kind=None
            )
            mark = self._store.frame("watermark", product=self._product)
            if int(mark["number"].iloc[0]) >= int(rows["number"].max()):
                return
            if time.monotonic() > deadline_s:
                message = "the daemon did not watch what it measured"
                raise DemoError(message)
            time.sleep(0.1)


def labels_of(story: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Return a story's reels by their names, each as its label says."""
    return {
        one["reel"]: {
            **one,
            "nominal_ohm": on_label_ohm(one["nominal_ohm"], one["tolerance_ppm"]),
        }
        for one in story["reels"]
    }


def lay_out(folder: Path) -> Home:
    """Copy the demo's settings into a folder; return it as a home.

    Raises
    ------
    DemoError
        The folder holds rows already.
    """
    home = Home(folder)
    if home.store.exists():
        message = f"{home.store} holds rows already; name another folder with --data"
        raise DemoError(message)
    private_folder(folder)
    for name in SETTINGS:
        text = files("config").joinpath("demo", name).read_text(encoding="utf-8")
        write_whole(folder / name, text)
    return home


@contextmanager
def running(home: Home, *, seed: int, units: int) -> Iterator[tuple[Operator, Store]]:
    """Run simulated bench and daemon while the context lasts."""
    with simulated_bench(home, seed=seed, units=units) as (_, bench):
        write_addresses(home.folder / "bench.toml", bench["instruments"])
        fixture = bench["fixture"]
        with (
            running_daemon(home),
            Client.of(home.data) as client,
            open_store(home.data) as store,
            Hands(fixture["host"], fixture["port"]) as hands,
        ):
            product = load(home.folder).product.name
            yield Operator(store, client, hands, product), store


def write_addresses(path: Path, addresses: Mapping[str, str]) -> None:
    """Write the ports that the simulator really got in place of those in the file."""
    lines = path.read_text(encoding="utf-8").splitlines()
    role = ""
    for index, line in enumerate(lines):
        if line.startswith("["):
            role = line.strip("[] ")
        elif line.startswith("address") and role in addresses:
            lines[index] = f'address = "{addresses[role]}"'
    write_whole(path, "\n".join(lines) + "\n")


def report(
    operator: Operator, store: Store, *, seed: int, seconds: float
) -> dict[str, Any]:
    """Return the finding beside the truth, as plain values."""
    product = str(store.frame("product")["product"].iloc[0])
    builds = store.frame("builds", product=product).to_dict("records")
    found = outcome.findings(store.rows(Signal, "signals", product=product))
    said = operator.story["truth"]
    truth = None if said is None else outcome.truth_of(said)
    delay, false = outcome.score(found, truth, operator.serials)
    return {
        "seed": seed,
        "seconds": round(seconds, 2),
        "units": sum(int(one["units"]) for one in builds),
        "builds": [
            {
                "id": one["build"],
                "units": int(one["units"]),
                "state": one["state"],
                "first_pass_yield": one["first_pass_yield"],
            }
            for one in builds
        ],
        "findings": found,
        "truth": truth,
        "delay_units": delay,
        "false_holds": false,
        "bench_reopened": operator.client.state()["reopened"],
    }
