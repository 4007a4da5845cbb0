"""The desk between people and the worker, and what is asked over HTTP."""

import asyncio
from dataclasses import asdict
from datetime import UTC, datetime
from threading import Event, Thread
from typing import Any

import httpx
import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.types import ASGIApp, Receive, Scope, Send

from daemon.bench.errors import StoppedError
from daemon.service.control import routes
from daemon.station.desk import CATCHING_UP, Desk, DroppedError
from daemon.station.orders import Order, Ticket, TypedReading
from daemon.station.which_unit import next_serial
from storage.roles import Caller, Role
from storage.ways import CALLER


class OwnToken:
    """Stands for the guard, where the daemon's own token was shown."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        caller = Caller(name="ours", role=Role.OWN)
        await self._app({**scope, CALLER: caller}, receive, send)


def desk() -> Desk:
    return Desk(utc=lambda: datetime(2026, 3, 2, tzinfo=UTC), stop=Event())


def ask(
    one: Desk, method: str, path: str, body: Any = None, off: list[str] | None = None
) -> httpx.Response:
    """Ask the control interface of a desk, without a socket."""
    switched = [] if off is None else off
    app = Starlette(
        routes=routes(
            one,
            source_off=lambda: switched.append("off"),
            resume=lambda: switched.append("on"),
        ),
        middleware=[Middleware(OwnToken)],
    )

    async def call() -> httpx.Response:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(
            transport=transport, base_url="http://127.0.0.1"
        ) as client:
            return await client.request(method, path, json=body)

    return asyncio.run(call())


def test_orders_are_taken_in_the_order_they_came() -> None:
    one = desk()
    placed = [one.place(Order(serial=name)).ticket for name in ("a", "b", "c")]
    taken = [one.next_order(wait_s=0.0) for _ in range(3)]
    assert [t.ticket for t in taken if t is not None] == placed
    assert one.next_order(wait_s=0.0) is None


def test_only_a_unit_that_nothing_stands_before_is_connected_when_it_is_ordered() -> (
    None
):
    one = desk()
    reading = TypedReading(range="1uA", reference=9e-7, output=0.9)
    placed = [
        one.place(order)
        for order in (
            Order(serial="a"),
            Order(serial="b"),
            Order(serial="b", rerun=True),  # it stands there then
            Order(serial="c", typed=(reading,)),  # it was read: nothing is connected
            Order(serial="a", rerun=True),
            Order(work="check"),
            Order(serial="a", rerun=True),  # behind the check standard
            Order(),
            Order(),  # the next one, and the next
        )
    ]
    assert [t.connect_first for t in placed if t.order.work == "unit"] == [
        False, True, False, False, True, True, True, True,
    ]  # fmt: skip
    for ticket in placed:
        one.update(ticket.ticket, state="failed")
    assert not one.place(Order(serial="d")).connect_first


def taken(one: Desk) -> Ticket:
    """Return the order that is carried out next."""
    found = one.next_order(wait_s=0.0)
    assert found is not None
    return found


def test_an_order_that_failed_leaves_nothing_connected_for_the_one_behind_it() -> None:
    one = desk()
    for order in (
        Order(serial="a"),
        Order(serial="b"),  # refused: it was measured before
        Order(serial="b", rerun=True),
    ):
        one.place(order)
    one.update(taken(one).ticket, state="done", serial="a")
    one.update(taken(one).ticket, state="failed")
    again = taken(one)  # a stands on the bench
    assert again.order.serial == "b"
    assert again.connect_first
    assert one.ticket(again.ticket) == again


@pytest.mark.parametrize(
    ("before", "connect_first"),
    [
        # One alone, at an idle bench: it was connected, and still is.
        ((("b", "failed"),), False),
        # Ordered while a was measured, so that it never came to the bench.
        ((("a", "measuring"), ("b", "failed")), True),
        # Another came since.
        ((("b", "failed"), ("a", "done")), True),
        ((("b", "done"), ("a", "done")), False),
    ],
)
def test_what_failed_and_is_ordered_again_is_asked_for_unless_it_stands_there(
    before: tuple[tuple[str, str], ...], connect_first: bool
) -> None:
    one = desk()
    for serial, state in before:
        name = one.place(Order(serial=serial)).ticket
        one.update(name, state=state)
    for name, ticket in tuple(one._tickets.items()):
        if not ticket.ended:
            one.update(name, state="done")
    again = one.place(Order(serial="b", rerun=True))
    assert again.connect_first == connect_first


def test_an_order_is_dropped_while_its_unit_is_yet_to_be_connected_and_not_later() -> (
    None
):
    one, ended = desk(), list[str]()

    def wait(**how: Any) -> Thread:
        def work() -> None:
            try:
                ended.append(one.ask("Connect PA-7", subject="PA-7", **how))
            except DroppedError as exc:
                ended.append(str(exc))

        thread = Thread(target=work)
        thread.start()
        while one.snapshot()["prompt"] is None:
            thread.join(0.01)
        return thread

    def drop() -> httpx.Response:
        body = {"prompt": one.snapshot()["prompt"]["prompt"], "drop": True}
        return ask(one, "POST", "/control/answer", body)

    connecting = wait(by_scan=True)
    assert drop().json() == {"taken": True}
    connecting.join()
    # Its source may be on: no answer to this may end it.
    measuring = wait(wants="V")
    refused = drop()
    assert refused.status_code == 409
    assert "yet to be connected" in refused.json()["error"]
    one.answer(one.snapshot()["prompt"]["prompt"], "0.9")
    measuring.join()
    assert ended == ["dropped before it was connected", "0.9"]
    # The next one is asked for as if nothing had been dropped.
    again = wait(by_scan=True)
    one.answer(one.snapshot()["prompt"]["prompt"], "done")
    again.join()
    assert ended[-1] == "done"


def test_orders_that_come_at_once_are_taken_in_the_order_in_which_they_were_noted() -> (
    None
):
    """Else the second is carried out first, beside a unit that it does not name."""
    one = desk()
    second = Event()
    put = one._orders.put

    def late(name: str) -> None:
        second.wait(0.2)  # it would be there by then
        put(name)

    one._orders.put = late  # type: ignore[method-assign,assignment]
    slow = Thread(target=lambda: one.place(Order(serial="a")))
    slow.start()
    while not one._tickets:
        pass
    one._orders.put = put  # type: ignore[method-assign]
    one.place(Order(serial="b"))
    second.set()
    slow.join(60.0)
    assert [taken(one).order.serial for _ in range(2)] == ["a", "b"]


def test_a_ticket_says_what_became_of_an_order() -> None:
    one = desk()
    ticket = one.place(Order(serial="a")).ticket
    one.update(ticket, state="failed", message="no bench")
    seen = one.ticket(ticket, wait_s=5.0)
    assert seen is not None
    assert (seen.state, seen.message) == ("failed", "no bench")
    assert one.ticket("unknown") is None


def test_a_prompt_waits_for_its_answer() -> None:
    one = desk()
    said: list[str] = []
    worker = Thread(target=lambda: said.append(one.ask("Connect it", subject="CS-1")))
    worker.start()
    while (prompt := one.snapshot()["prompt"]) is None:
        pass
    assert not one.answer("another", "x")
    assert one.answer(prompt["prompt"], "done")
    worker.join(60.0)
    assert said == ["done"]
    assert one.snapshot()["prompt"] is None


@pytest.mark.parametrize("which", ["stop", "halt"])
def test_nobody_waits_for_an_answer_once_the_source_is_ordered_off(which: str) -> None:
    one = desk()
    getattr(one, which).set()
    with pytest.raises(StoppedError):
        one.ask("Connect it", subject="CS-1")


def test_source_off_halts_and_resume_allows_again() -> None:
    one, off = desk(), list[str]()
    said = ask(one, "POST", "/control/source-off", {}, off)
    assert said.json() == {"off": True}
    assert one.halt.is_set()
    ask(one, "POST", "/control/resume", {}, off)
    assert not one.halt.is_set()
    assert off == ["off", "on"]


def test_an_order_over_http_reaches_the_worker() -> None:
    one = desk()
    order = {
        "build": "B-1",
        "serial": "PA-1",
        "typed": [{"range": "1uA", "reference": 9e-7, "output": 0.9}],
    }
    said = ask(one, "POST", "/control/measure", order).json()
    taken = one.next_order(wait_s=0.0)
    assert taken is not None
    assert taken.ticket == said["ticket"]
    assert taken.order.typed[0].output == pytest.approx(0.9)
    seen = ask(one, "GET", f"/control/ticket/{said['ticket']}")
    assert seen.json()["state"] == "waiting"


def test_an_order_that_is_asked_for_again_by_its_name_is_placed_once() -> None:
    one = desk()
    orders = [
        {"build": "B-1", "serial": serial, "once": name}
        for serial, name in (
            ("PA-1", "a"),
            ("PA-1", "a"),
            ("PA-2", "b"),
            ("PA-3", None),
        )
    ]
    tickets = [
        ask(one, "POST", "/control/measure", order).json()["ticket"] for order in orders
    ]
    assert tickets[0] == tickets[1]
    assert len(set(tickets)) == 3
    taken = [one.next_order(wait_s=0.0) for _ in range(4)]
    assert [each and each.order.serial for each in taken] == [
        "PA-1", "PA-2", "PA-3", None,
    ]  # fmt: skip
    # Once it has ended too: the screen did not know.
    assert (
        ask(one, "POST", "/control/measure", orders[0]).json()["ticket"] == tickets[0]
    )


def test_a_malformed_order_is_refused_whole() -> None:
    one = desk()
    answer = ask(one, "POST", "/control/measure", {"serial": 7})
    assert answer.status_code == 422
    assert "serial" in answer.json()["error"]
    assert one.next_order(wait_s=0.0) is None


@pytest.mark.parametrize(
    ("last", "following"),
    [
        ("PA-0099", "PA-0100"),
        ("X9Y", "X10Y"),
        ("left", "left-2"),
        (None, "B-1-001"),
    ],
)
def test_serials_are_counted_on(last: str | None, following: str) -> None:
    assert next_serial("B-1", last) == following


def test_a_units_readings_answer_only_what_asks_for_them() -> None:
    one, heard = desk(), list[Any]()
    reading = TypedReading(range="1uA", reference=9e-7, output=0.9)
    check = {"name": "supply current", "value": 0.01}
    again: dict[str, Any] = {"typed": [asdict(reading)], "checks": [check]}
    body: dict[str, Any] = {"read_again": again}
    for ranges in (("1uA",), ()):
        work = Thread(
            target=lambda asked=ranges: heard.append(
                one.ask_to_read_again("Seat it", subject="PA-7", ranges=asked)
            )
        )
        work.start()
        while (prompt := one.snapshot()["prompt"]) is None:
            work.join(0.001)
        body["prompt"] = prompt["prompt"]
        answered = ask(one, "POST", "/control/answer", body)
        assert answered.status_code == (200 if ranges else 409)
        one.answer(prompt["prompt"], "done")
        work.join()
    read, confirmed = heard
    assert read.typed == (reading,)
    assert read.checks[0].value == 0.01
    assert confirmed is None
    body["read_again"] = {"typed": [{"range": "1uA"}]}
    assert ask(one, "POST", "/control/answer", body).status_code == 422


@pytest.mark.parametrize(
    ("phase", "loops", "compiles"),
    [
        (CATCHING_UP, 1, True),
        (CATCHING_UP, 0, False),  # what was compiled is found on the disk
        ("waiting", 1, False),
    ],
)
def test_that_the_program_is_compiled_is_said_only_while_it_is(
    phase: str, loops: int, compiles: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.service.control.compiled_anew", lambda: loops)
    one = desk()
    one.show(phase=phase)
    assert ask(one, "GET", "/control/state").json()["compiles"] is compiles
    one.show(catching_up="Looked through 5 of 9 runs.")
    assert ask(one, "GET", "/control/state").json()["compiles"] is False
