"""What another program's token may: each role at each of the daemon's routes."""

import asyncio
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from threading import Event

import httpx
import pytest
from starlette.routing import BaseRoute

from daemon.service.client import Client, RefusedOrderError
from daemon.service.control import routes
from daemon.station.desk import Desk
from storage import wire
from storage.endpoint import SCHEMA_HEADER, Endpoint
from storage.errors import RoleError, UnreachableError
from storage.local import LocalStore
from storage.records import Hold, Reel
from storage.remote import RemoteStore
from storage.roles import GIVEN, Role
from storage.server import HEALTH, application
from storage.statements import schema_version
from storage.tokens import FOLDER, caller_of, give_token, revoke_token
from storage.ways import Way
from tests.storage.samples import (
    PERSONS_HOLD,
    PLACED,
    REEL,
    SHIP_RULE,
    SHIPMENT,
    decided,
    furnish,
    record,
    results,
    run,
    unit,
)
from tests.storage.serving import TOKEN, serving

ROOT = Path(__file__).parents[2]
AT = datetime(2026, 3, 2, tzinfo=UTC)
README_ROLES = {f"`{one}`": one for one in GIVEN} | {"none that is given": Role.OWN}


class Daemon:
    """What a daemon answers with, over a store and a desk."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.off: list[str] = []
        self.store = LocalStore(folder / "holdpoint.duckdb")
        furnish(self.store)
        record(self.store, run(1))
        self.desk = Desk(utc=lambda: AT, stop=Event())
        self.control = routes(
            self.desk,
            source_off=lambda: self.off.append("off"),
            resume=lambda: self.off.append("on"),
        )
        self.known = partial(caller_of, folder)
        self.app = application(self.store, TOKEN, self.control, known=self.known)

    def given(self, role: Role) -> str:
        """Return a token of this role, named like it."""
        if role is Role.OWN:
            return TOKEN
        return give_token(self.folder, f"a program that may {role}", role, at=AT)

    def ask(self, way: Way, token: str) -> httpx.Response:
        """Ask one route, with nothing in the body."""

        async def call() -> httpx.Response:
            transport = httpx.ASGITransport(self.app)
            async with httpx.AsyncClient(
                transport=transport, base_url="http://127.0.0.1"
            ) as client:
                return await client.request(
                    _method(way),
                    re.sub(r"\{\w+\}", "nothing", way.path),
                    headers={
                        "Authorization": f"Bearer {token}",
                        SCHEMA_HEADER: schema_version(),
                    },
                )

        return asyncio.run(call())


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """Return a daemon without a bench."""
    one = Daemon(tmp_path_factory.mktemp("served"))
    with one.store:
        yield one


def _method(way: Way) -> str:
    return "POST" if "POST" in (way.methods or ()) else "GET"


def ways(daemon: Daemon) -> list[Way]:
    """Return every route but the one that needs no token."""
    with_role: list[Way] = []
    without: list[BaseRoute] = []
    for one in daemon.app.routes:
        if isinstance(one, Way):
            with_role.append(one)
        else:
            without.append(one)
    assert [getattr(one, "path", one) for one in without] == [HEALTH]
    return with_role


@pytest.mark.parametrize("role", Role)
def test_each_role_is_let_to_its_routes_and_refused_at_all_others(
    daemon: Daemon, role: Role
) -> None:
    token = daemon.given(role)
    let = {}
    for way in ways(daemon):
        answer = daemon.ask(way, token)
        let[way.path] = answer.status_code != 403
        if not let[way.path]:
            said = answer.json()
            assert said["error"] == "RoleError"
            assert said["message"].startswith(f"the token 'a program that may {role}'")
            assert "\n" not in said["message"]
    order = list(Role)
    for way in ways(daemon):
        assert let[way.path] == (order.index(role) >= order.index(way.role)), way
    assert len(set(let.values())) == (1 if role is Role.OWN else 2)


def test_the_page_says_of_each_route_who_may(daemon: Daemon) -> None:
    page = (ROOT / "storage/README.md").read_text("utf-8")
    table = page.partition("## Other programs")[2].partition("\n## ")[0]
    told: dict[str, Role] = {}
    for line in table.splitlines():
        cells = [one.strip() for one in line.strip("|").split("|")]
        if role := README_ROLES.get(cells[0]):
            told |= dict.fromkeys(re.findall("`([^`]+)`", cells[2]), role)
    ours = {
        f"{_method(way)} {way.path.replace('query/{name}', 'query/{query}')}": way.role
        for way in ways(daemon)
        if way.path != "/store/command/{name}"  # refuses whatever is asked there
    }
    assert told == ours


def test_what_is_recorded_is_no_way_around_what_a_person_decides(
    tmp_path: Path,
) -> None:
    daemon = Daemon(tmp_path)
    new = run(2, serial="S2")
    shipped = decided("Ada", "ship", SHIPMENT.shipment, SHIPMENT.shipped_at)
    with daemon.store as store, serving(store, known=daemon.known) as own:
        at = partial(Endpoint.at, own.address)
        with RemoteStore(at(daemon.given(Role.READ))) as reading:
            assert reading.rows(Reel)
            for refused in (
                lambda: reading.keep(replace(REEL, reel="R-new")),
                lambda: reading.record_run(new, results(new), unit(new)),
                lambda: reading.keep(PERSONS_HOLD, decision=PLACED),
            ):
                with pytest.raises(RoleError, match="may only read; this needs"):
                    refused()
        with RemoteStore(at(daemon.given(Role.RECORD))) as recording:
            recording.keep(replace(REEL, reel="R-new"))
            recording.record_run(new, results(new), unit(new))
            with pytest.raises(RoleError, match="not decide; this needs a token that"):
                recording.keep(PERSONS_HOLD, decision=PLACED)
            with pytest.raises(RoleError, match="this needs a token that may decide"):
                recording.ship(SHIPMENT, SHIP_RULE, shipped)
            with pytest.raises(RoleError, match="the user who runs the daemon alone"):
                recording.backup(str(tmp_path / "copy"))
        assert not store.rows(Hold)
        assert not (tmp_path / "copy").exists()
        with RemoteStore(at(daemon.given(Role.DECIDE))) as deciding:
            deciding.keep(PERSONS_HOLD, decision=PLACED)
            with pytest.raises(RoleError, match="the user who runs the daemon alone"):
                deciding.note_job("backup", AT)
        assert [one.hold for one in store.rows(Hold)] == [PERSONS_HOLD.hold]


def test_a_decision_sent_as_a_record_is_refused_whoever_sends_it(
    daemon: Daemon,
) -> None:
    with serving(daemon.store, known=daemon.known) as own:
        for path, rows in (
            ("keep", ([PERSONS_HOLD], PLACED)),
            ("decide", ([replace(REEL, reel="R-new")], None)),
        ):
            wrong = httpx.post(
                f"{own.address}/store/command/{path}",
                headers=own.headers,
                content=wire.encode_rows(*rows),
                trust_env=False,
            )
            assert wrong.status_code == 422
            assert wrong.json()["message"].endswith(
                "goes with decide, and never with keep"
            )
    assert not daemon.store.rows(Hold, hold=PERSONS_HOLD.hold)


def test_a_revoked_token_is_refused_at_the_next_request(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    token = daemon.given(Role.RECORD)
    with daemon.store, serving(daemon.store, daemon.control, known=daemon.known) as own:
        endpoint = Endpoint.at(own.address, token)
        with RemoteStore(endpoint) as remote, Client(endpoint) as client:
            assert remote.rows(Reel)
            assert client.state()
            revoke_token(tmp_path, f"a program that may {Role.RECORD}")
            with pytest.raises(UnreachableError, match="or was revoked"):
                remote.rows(Reel)
            with pytest.raises(RefusedOrderError, match="or was revoked"):
                client.state()


def test_an_order_that_a_role_does_not_cover_is_refused_in_its_sentence(
    tmp_path: Path,
) -> None:
    daemon = Daemon(tmp_path)
    token = daemon.given(Role.READ)
    with daemon.store, serving(daemon.store, daemon.control, known=daemon.known) as own:
        endpoint = Endpoint.at(own.address, token)
        with Client(endpoint) as client:
            for refused in (
                lambda: client.measure(build=None, serial="S9"),
                client.source_off,
                client.resume,
            ):
                with pytest.raises(RefusedOrderError, match="may only read; this need"):
                    refused()
    assert daemon.off == []
    assert daemon.desk.next_order(wait_s=0.0) is None


def test_a_damaged_token_file_is_said_and_lets_nobody_in(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    token = daemon.given(Role.READ)
    (path,) = (tmp_path / FOLDER).iterdir()
    path.write_text("{}", "utf-8")
    with daemon.store:
        way = next(one for one in ways(daemon) if one.path == "/control/state")
        answer = daemon.ask(way, token)
        assert (answer.status_code, answer.json()["error"]) == (500, "SchemaError")
        assert path.name in answer.json()["message"]
        assert daemon.ask(way, TOKEN).status_code == 200
