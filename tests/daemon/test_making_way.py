"""Screens are opened first, the bench afterwards: the screens' daemon makes way."""

import os
import re
from datetime import UTC, datetime
from pathlib import Path
from threading import Event

import pytest

from config.wizard import init
from daemon.service.client import Client
from daemon.service.home import Home
from daemon.service.processes import SharedDaemon, make_way, shared_daemon
from daemon.station.desk import Desk
from daemon.station.orders import Order
from storage import endpoint
from tests.browser.conftest import free_port
from tests.config.test_wizard import FOUR, by_question
from tests.daemon.commanding import holdpoint
from tests.daemon.starting import running_daemon

SIMULATED = FOUR | {"Who reads": "simulated"}
GONE = 2**22 - 1
"""Of no process: beyond what Linux gives by default."""


@pytest.fixture
def desk() -> Desk:
    return Desk(utc=lambda: datetime(2026, 3, 2, tzinfo=UTC), stop=Event())


def test_a_daemon_that_was_started_for_itself_goes_on(desk: Desk) -> None:
    desk.use(os.getpid(), needs_this=False)
    assert not desk.make_way()
    assert not desk.stop.is_set()


def test_one_that_screens_alone_use_makes_way(desk: Desk) -> None:
    desk.serve_only(os.getpid())
    assert not desk.make_way(), "nobody has said yet what it is used for"
    desk.use(os.getpid(), needs_this=False)
    assert desk.make_way()
    assert desk.stop.is_set()


def test_whoever_types_readings_keeps_it_while_there(desk: Desk) -> None:
    desk.serve_only(os.getpid())
    desk.use(os.getpid())
    desk.use(os.getppid(), needs_this=False)
    assert not desk.make_way()
    desk.leave(os.getpid())
    assert desk.make_way()


def test_whoever_is_gone_keeps_nothing(desk: Desk) -> None:
    desk.serve_only(GONE)
    assert desk.make_way()


def test_an_order_that_waits_keeps_it(desk: Desk) -> None:
    desk.serve_only(os.getpid())
    desk.use(os.getpid(), needs_this=False)
    desk.place(Order(build="B-1", serial="PA-1"))
    assert not desk.make_way()
    assert not desk.stop.is_set()


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """Return a home whose bench can be played."""
    one = Home(tmp_path / "home")
    one.folder.mkdir()
    init(one.folder, by_question(SIMULATED, []), lambda _: None)
    bench = one.folder / "bench.toml"
    bench.write_text(
        re.sub(
            r"::\d+::SOCKET", lambda _: f"::{free_port()}::SOCKET", bench.read_text()
        )
    )
    return one


def _answering(home: Home) -> int:
    found = endpoint.read(home.data)
    assert found is not None
    return found.pid


def test_a_bench_is_started_while_screens_are_open(home: Home) -> None:
    with shared_daemon(home, needs_this=False) as records:
        records.wait()
        keeper = _answering(home)
        with running_daemon(home, "--simulated") as daemon:
            assert _answering(home) == daemon.pid != keeper
            with Client.of(home.data) as client:
                assert client.state()["bench"] is not None
            make_way(home)
            assert daemon.poll() is None, "it measures, and makes way for nobody"


def test_a_bench_is_refused_while_somebody_types(home: Home) -> None:
    typing = SharedDaemon(home)
    typing.begin()
    try:
        typing.wait()
        keeper = _answering(home)
        done = holdpoint("daemon", "--simulated", home=home.folder)
        assert done.returncode == 1
        assert "in use by process" in done.stderr
        assert done.stderr.rstrip().endswith("End it, then start the daemon again.")
        assert _answering(home) == keeper
    finally:
        typing.leave()
