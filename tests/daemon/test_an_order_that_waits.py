"""Two labels scanned one behind the other: the second board is not the first one's."""

import re
from collections.abc import Iterator
from contextlib import nullcontext
from types import SimpleNamespace
from typing import Any, cast

import pytest
from click.testing import CliRunner

import daemon.commands.measure as measuring
from config.wizard import init
from daemon.commands import orders
from daemon.service.client import Client, RefusedOrderError
from daemon.service.home import Home
from daemon.station.orders import RefusedError
from storage.access import open_store
from storage.records import Run
from tests.browser.conftest import free_port
from tests.config.test_wizard import FOUR, by_question
from tests.daemon.commanding import holdpoint
from tests.daemon.making import demo_settings
from tests.daemon.starting import running_daemon
from tests.daemon.test_safe_state import until
from tests.daemon.test_typed_terminal import Terminal

SIMULATED = FOUR | {"Who reads": "simulated"}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Return the home of a daemon with a simulated bench and one open build."""
    one = Home(tmp_path_factory.mktemp("waits") / "home")
    one.folder.mkdir()
    init(one.folder, by_question(SIMULATED, []), lambda _: None)
    bench = one.folder / "bench.toml"
    told = re.sub(
        r"::\d+::SOCKET", lambda _: f"::{free_port()}::SOCKET", bench.read_text()
    )
    bench.write_text(told)
    with running_daemon(one, "--simulated"):
        opened = holdpoint("build", "open", "B-1", "--units", "9", home=one.folder)
        assert opened.returncode == 0, opened.stderr
        yield one


def measured(home: Home) -> list[str]:
    """Return the serials of all runs, in their order."""
    with open_store(home.data) as store:
        return [one.serial for one in store.rows(Run)]


def test_a_label_scanned_while_another_unit_is_measured_waits_and_is_asked_for(
    home: Home,
) -> None:
    """It says of no unit that it is connected; README says that it waits."""
    terminal = Terminal("--home", str(home.folder), "measure")
    terminal.read_until("Serial (Enter: no more)")
    terminal.type("PA-0001")
    terminal.read_until("Connect check standard CS-1, then confirm.")
    terminal.type("")
    terminal.type("PA-0002")  # it does not say that PA-0001 is connected
    terminal.read_until("Connect unit PA-0001, then confirm.")
    terminal.type("PA-0002")  # nor does it now
    terminal.read_until(
        "PA-0002 is not PA-0001. Connect PA-0001, then confirm. [Enter]"
    )
    terminal.read_until("Connect unit PA-0001, then confirm.")
    assert measured(home) == ["CS-1"]
    terminal.type("PA-0001")
    terminal.type("PA-0002")
    terminal.read_until("PA-0001: conforming")
    terminal.read_until("PA-0002 was scanned while another unit was measured.")
    terminal.read_until("[Enter; - leaves it out]")
    assert measured(home) == ["CS-1", "PA-0001"]
    terminal.type("PA-0009")  # that waits, too, behind it
    terminal.read_until("PA-0009 waits: it comes after PA-0002.")
    terminal.read_until("[Enter; - leaves it out]")
    assert measured(home) == ["CS-1", "PA-0001"]
    terminal.type("")
    terminal.read_until("PA-0002: conforming")
    terminal.read_until("PA-0009 was scanned while another unit was measured.")
    terminal.read_until("[Enter; - leaves it out]")
    terminal.type("-")
    terminal.read_until("Serial (Enter: no more)")
    terminal.type("")
    terminal.rest()
    assert terminal.process.wait(60.0) == 0
    assert measured(home) == ["CS-1", "PA-0001", "PA-0002"]


def test_an_order_behind_another_waits_until_its_unit_is_connected(home: Home) -> None:
    before = measured(home)
    with Client.of(home.data) as client:
        client.measure(build=None, serial="PA-0003")
        second = client.measure(build=None, serial="PA-0004")
        asked = "Connect unit PA-0004, then confirm."
        for prompt in (
            iter(lambda: client.state()["prompt"], None) if not before else ()
        ):
            client.answer(prompt["prompt"])
        until(lambda: (client.state()["prompt"] or {}).get("text") == asked)
        assert measured(home) == [*before, "PA-0003"]
        assert "Connect unit PA-0004" in holdpoint("status", home=home.folder).stdout
        assert client.answer(client.state()["prompt"]["prompt"])
        until(lambda: client.ticket(second)["state"] == "done")
    assert measured(home) == [*before, "PA-0003", "PA-0004"]


def test_a_pass_over_all_units_names_its_range_as_people_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    demo = demo_settings()
    reading = demo.plan.reading.model_copy(update={"order": "range"})
    plan = demo.plan.model_copy(update={"reading": reading})
    settings = demo.model_copy(update={"plan": plan})
    done = {"serial": "PA-1", "verdict": "conforming", "remarks": ()}
    ordered: list[str] = []

    def order(**what: Any) -> str:
        ordered.append(what["serial"])
        return "ticket"

    daemon = SimpleNamespace(measure=order)
    here = SimpleNamespace(store=None, product="p")
    for name, value in {
        "home_here": lambda: SimpleNamespace(folder=None, data=None),
        "load": lambda _: settings,
        "Client": SimpleNamespace(of=lambda _: nullcontext(daemon)),
        "follow": lambda *_, **__: done,
        "opened": lambda: nullcontext(here),
        "require_all_measurable": lambda *_, **__: {"PA-1": "B-7"},
    }.items():
        monkeypatch.setattr(measuring, name, value)
    said = CliRunner().invoke(measuring.measure, ["PA-1"]).output
    # Nobody named the build: whoever measures is told it, once.
    assert said.count("Into build B-7.") == 1
    named = CliRunner().invoke(measuring.measure, ["PA-1", "--build", "B-7"]).output
    assert "Into build" not in named
    ordered.clear()
    passes = [line for line in said.splitlines() if line.startswith("All units")]
    assert passes == [
        f"All units on range {one}:" for one in ("1 µA", "10 µA", "100 µA", "1 mA")
    ]

    def known(*_: object, **__: object) -> None:
        message = "measured before: PA-2"
        raise RefusedError(message)

    # One of a list cannot be measured: then none is ordered.
    monkeypatch.setattr(measuring, "require_all_measurable", known)
    monkeypatch.setattr(measuring, "interactive", lambda: True)
    ordered.clear()
    refused = CliRunner().invoke(measuring.measure, ["PA-1", "PA-2"])
    assert "PA-2" in str(refused.exception)
    assert ordered == []


@pytest.mark.parametrize("before", ["measuring", "done", None])
def test_enter_in_one_terminal_answers_nothing_that_another_ones_order_asks(
    before: str | None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    prompt = {"prompt": "p", "text": "Connect unit PA-8, then confirm."}
    mine = [{"state": "waiting", "behind": "other"}] * 2 + [{"state": "done"}]

    def ticket(name: str, *, wait_s: float = 0.0) -> dict[str, Any]:
        del wait_s
        if name == "mine":
            return mine.pop(0)
        if before is None:
            message = "unknown ticket"
            raise RefusedOrderError(message)
        return {"state": before}

    answered: list[str] = []
    monkeypatch.setattr(
        orders, "_pass_on", lambda _, asked, *__: answered.append(asked["prompt"])
    )
    state = {"prompt": prompt, "compiles": before == "measuring"}
    daemon = SimpleNamespace(ticket=ticket, state=lambda: state)
    assert orders.follow(cast("Client", daemon), "mine") == {"state": "done"}
    said = capsys.readouterr().err
    assert answered == ([] if before == "measuring" else ["p"])
    assert ("Another order comes first" in said) == (before == "measuring")
    assert said.count(orders.COMPILES) == (before == "measuring")


@pytest.mark.parametrize(("wants", "typed"), [("V", "0.9"), (None, "")])
def test_a_question_typed_for_an_answer_is_answered_and_not_kept(
    wants: str | None, typed: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also of what is asked once more because a reading was far off."""
    given = ["?", "back", typed]
    told: list[str] = []
    kept: list[str] = []
    for name, value in {
        "interactive": lambda: True,
        "typed_ahead": list,
        "say": told.append,
    }.items():
        monkeypatch.setattr(orders, name, value)
    monkeypatch.setattr("click.prompt", lambda *_, **__: given.pop(0))
    daemon = SimpleNamespace(answer=lambda _, value: kept.append(value))
    prompt: dict[str, Any] = {
        "prompt": "p", "text": "Seat it", "subject": "PA-8", "wants": wants,
        "by_scan": False, "ranges": [],
    }  # fmt: skip
    orders._pass_on(cast("Client", daemon), prompt, None)
    assert kept == [typed or "done"]
    assert told == [orders.READ_IT if wants else orders.DONE_FIRST] * 2


@pytest.mark.parametrize("taken", [True, False])
def test_a_unit_that_was_seated_again_is_typed_by_the_same_questions_as_before(
    taken: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Confirm, type all of it, hand it over: what another answered first is said."""
    told: list[str] = []
    sent: list[Any] = []
    for name, value in {
        "interactive": lambda: True,
        "typed_ahead": list,
        "say": told.append,
    }.items():
        monkeypatch.setattr(orders, name, value)
    # The label of the next unit is no Enter: its readings would be kept as PA-8's.
    given = ["PA-9", ""]
    monkeypatch.setattr("click.prompt", lambda *_, **__: given.pop(0))

    def answer(_: str, **how: Any) -> bool:
        sent.append(how)
        return taken

    prompt = {
        "prompt": "p", "text": "Seat it", "subject": "PA-8", "wants": None,
        "by_scan": False, "ranges": ["1uA", "1mA"],
    }  # fmt: skip
    orders._pass_on(
        cast("Client", SimpleNamespace(answer=answer)),
        prompt,
        lambda ranges: {"typed": list(ranges)},
    )
    assert sent == [{"read_again": {"typed": ["1uA", "1mA"]}}]
    refused, *after = told
    assert refused == (
        "You gave PA-9. Unit PA-8 is to be read once more first: seat it again, then "
        "press Enter."
    )
    assert after == ([] if taken else [orders.NOT_KEPT])
