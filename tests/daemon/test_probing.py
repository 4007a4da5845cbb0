"""A finding's next measurements, run by the bench through the running daemon."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import streamlit as st

from daemon.service.client import Client
from daemon.service.hands import Hands
from daemon.service.home import VARIABLE, Home
from daemon.trials.stories.demo import write_addresses
from dashboard.who import ASKED
from storage.access import open_store
from tests.daemon.commanding import holdpoint
from tests.daemon.seeded import BAD_REEL, seeded_home
from tests.daemon.starting import running_daemon, simulated_bench
from tests.daemon.test_safe_state import PRODUCT, until
from tests.dashboard.test_pages import button, opened, said

FINDING = "B-3-F1"
SEED = 5
OHMMETER = """
[ohmmeter]
address = "TCPIP::127.0.0.1::5030::SOCKET"
profile = "scpi_ohmmeter_four_wire"
ranges = [
    { full_scale = 1e4, of_reading_ppm = 50.0, of_range_ppm = 10.0 },
    { full_scale = 1e5, of_reading_ppm = 50.0, of_range_ppm = 10.0 },
]
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A running daemon, and somebody who connects what it asks for."""

    home: Home
    client: Client
    hands: Hands

    def run(self, work: str, **what: Any) -> tuple[dict[str, Any], list[str]]:
        """Order something; return what became of it, and what was asked for."""
        return self.follow(self.client.work(work, **what))

    def follow(self, ticket: str) -> tuple[dict[str, Any], list[str]]:
        """Connect what is asked for until an order ends."""
        asked: list[str] = []
        seen: dict[str, Any] = {}

        def ended() -> bool:
            nonlocal seen
            prompt = self.client.state()["prompt"]
            if prompt is not None and self.client.ticket(ticket)["state"] != "done":
                self.connect(prompt["subject"])
                if self.client.answer(prompt["prompt"], "0.9 V"):
                    asked.append(prompt["text"])
            seen = self.client.ticket(ticket, wait_s=0.05)
            return seen["state"] in {"done", "failed"}

        until(ended)
        return seen, asked

    def connect(self, subject: str) -> None:
        """Put leads, parts or units where a prompt wants them."""
        truth = self.hands.scenario()["truth"]
        if subject == "leads":
            self.hands.probe()
        elif subject == BAD_REEL:
            self.hands.probe(reel=truth["reel"])
        elif subject.startswith(("PA", "CS")):
            self.hands.mount(subject)

    def prove(self, kind: str) -> tuple[dict[str, Any], list[str]]:
        """Have the bench measure one kind for the finding."""
        return self.run(
            "prove", proof={"signal": FINDING, "kind": kind, "person": "Ada Moreno"}
        )

    def checklist(self) -> dict[str, Any]:
        """Return the checklist as the terminal gives it to a program."""
        ended = holdpoint("prove", FINDING, "--json", home=self.home.folder)
        found: dict[str, Any] = json.loads(ended.stdout)
        return found


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    home = seeded_home(tmp_path / "home")
    settings = home.folder / "bench.toml"
    settings.write_text(settings.read_text() + OHMMETER)
    with simulated_bench(home, seed=SEED, units=10) as (_, bound):
        write_addresses(settings, bound["instruments"])
        with (
            Hands(bound["fixture"]["host"], bound["fixture"]["port"]) as hands,
            running_daemon(home),
            Client.of(home.data) as client,
        ):
            yield Bench(home=home, client=client, hands=hands)


def test_the_bench_runs_the_checklist_and_each_result_feeds_back(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    truth = bench.hands.scenario()["truth"]
    assert truth["part"] == "R13", "the seed is one whose bad reel is of the same part"
    monkeypatch.setenv(VARIABLE, str(bench.home.folder))
    page = opened("holds")
    button(page, "Have the bench measure it").click().run()
    assert "Choose your name above" in said(page)
    page.selectbox(key=ASKED).set_value("Ada Moreno")
    button(page, "Have the bench measure it").click().run()
    (ordered,) = page.session_state[f"proof asked {FINDING}"]
    seen, asked = bench.follow(ordered)
    assert seen["state"] == "done", seen["message"]
    assert asked[0].startswith("No ohms on anything live: power off, battery out")
    assert ["loose part 1 of 2" in asked[1], "loose part 2 of 2" in asked[2]] == [
        True
    ] * 2
    assert f"2 loose parts of {BAD_REEL} read 5.01" in seen["message"]
    assert "not as it should be" in seen["message"]
    assert "settled" in seen["message"]
    assert not bench.hands.state()["source_on"]
    assert seen["message"] in said(page.run())
    st.cache_resource.clear()

    seen, asked = bench.prove("check standard")
    assert seen["state"] == "done", seen["message"]
    assert asked == ["Connect check standard CS-1, then confirm."]
    assert "the check standard CS-1 read" in seen["message"]

    seen, asked = bench.prove("older unit")
    assert seen["state"] == "done", seen["message"]
    assert asked == ["Connect unit PA-2009, then confirm."]

    after = bench.checklist()
    assert {one["kind"] for one in after["checklist"] if one["measured"]} == {
        "loose parts",
        "check standard",
        "older unit",
    }
    assert all(one["not_by_bench"] is None for one in after["checklist"])
    assert after["probabilities"]["reel"] > 0.99

    seen, asked = bench.run(
        "check reel", loose={"reel": BAD_REEL, "person": "Ada Moreno", "parts": 3}
    )
    assert seen["state"] == "done", seen["message"]
    assert "its parts do not keep to 0.1 %" in seen["message"]
    assert len(asked) == 4
    with open_store(bench.home.data) as store:
        checks = store.frame("reel_checks")
        proofs = store.frame("proofs", product=PRODUCT)
    assert list(checks["origin"]) == [f"for {FINDING}", "bench"]
    assert (proofs["kind"] == "loose parts").sum() == 2, "the reel's check counts too"
