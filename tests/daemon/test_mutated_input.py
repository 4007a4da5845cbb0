"""Whatever settings and requests say: an answer in our words, soon, nothing wrong kept.

Texts that are right are spoilt at random: letters changed, doubled or left out, lines
moved, values put in place of others. The long form runs with `-m endurance`. Sheets are
spoilt so in `tests/daemon/test_damaged_files.py`.
"""

import asyncio
import json
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from threading import Event
from typing import Any

import pytest

from config.errors import ConfigError
from config.load import load_texts
from daemon.service.control import routes
from daemon.station.desk import Desk
from storage import wire
from storage.endpoint import SCHEMA_HEADER
from storage.ledger import LedgerRow, verify
from storage.local import LocalStore
from storage.server import application
from storage.statements import schema_version
from tests.storage.samples import (
    PERSONS_HOLD,
    PLACED,
    decided,
    everything,
    record_all,
    results,
    run,
    unit,
)

DEMO = Path("config/demo")
ROOT = Path(__file__).parents[2]
TOKEN = "a token"  # noqa: S105 -- of this test alone
MANY = 10_000
LONGEST_S = 1.0
"""For one of them, of this process's own time."""
ODD = (
    "", "0", "-1", "1e400", "9" * 400, "NaN", "null", "true", "[]", "{}", '"\\ud800"',
    '"\\u0000"', "[[[[[[", "'", "\\", "\u202e", "../../x", "R11/(R12-R12)", "=1+1",
)  # fmt: skip
Property = Callable[[str, object], None]


def spoilt(text: str, chance: Random) -> str:
    """Return a text with one to three things wrong in it."""
    for _ in range(chance.randint(1, 3)):
        at = chance.randrange(len(text) + 1)
        end = min(at + chance.randint(0, 12), len(text))
        match chance.randrange(5):
            case 0:
                text = text[:at] + chance.choice(ODD) + text[end:]
            case 1:
                text = text[:at] + text[end:]
            case 2:
                text = text[:end] + text[at:end] + text[end:]
            case 3:
                lines = text.split("\n")
                chance.shuffle(lines)
                text = "\n".join(lines)
            case _:
                text = text[:at] + chr(chance.randrange(1, 0x3000)) + text[end:]
    return text


def soon(slowest_s: float, trials: int, record_property: Property) -> None:
    """Note how long one took at most; the long form has a limit."""
    record_property(f"s at most for one of {trials}", round(slowest_s, 3))
    assert trials < MANY or slowest_s < LONGEST_S


@pytest.mark.parametrize(
    "trials", [150, pytest.param(50_000, marks=pytest.mark.endurance)]
)
def test_spoilt_settings_are_refused_in_lines_or_mean_something(
    trials: int, record_property: Property
) -> None:
    whole = {
        one.name: one.read_text(encoding="utf-8")
        for one in sorted((ROOT / DEMO).glob("*.toml"))
    }
    chance, came = Random(3), Counter[str]()  # noqa: S311 -- trials, not secrets
    slowest_s = 0.0
    lines: list[str] = []
    for _ in range(trials):
        name = chance.choice(list(whole))
        texts = whole | {name: spoilt(whole[name], chance)}
        started_s = time.process_time()
        try:
            load_texts(texts, ROOT / DEMO)
            came["read"] += 1
        except ConfigError as exc:
            came["refused"] += 1
            lines += [str(one) for one in exc.faults] or [""]
        slowest_s = max(slowest_s, time.process_time() - started_s)
    assert came.total() == trials
    assert came["refused"] > trials / 3
    assert [one for one in lines if not one or "\n" in one] == []
    soon(slowest_s, trials, record_property)
    for what, count in came.items():
        record_property(f"of {trials} spoilt settings {what}", count)


class Door:
    """The daemon's whole application, asked without a socket."""

    def __init__(self, store: LocalStore) -> None:
        desk = Desk(utc=lambda: datetime(2026, 3, 2, tzinfo=UTC), stop=Event())
        control = routes(desk, source_off=lambda: None, resume=lambda: None)
        self._app = application(store, TOKEN, control)
        self._loop = asyncio.new_event_loop()

    def ask(self, path: str, body: bytes) -> tuple[int, bytes]:
        """Return status and body of what is answered."""
        return self._loop.run_until_complete(self._ask(path, body))

    async def _ask(self, path: str, body: bytes) -> tuple[int, bytes]:
        said: list[Any] = []
        headers = {
            "host": "127.0.0.1",
            "authorization": f"Bearer {TOKEN}",
            SCHEMA_HEADER.lower(): schema_version(),
        }
        scope = {
            "type": "http",
            "method": "POST",
            "path": path,
            "query_string": b"",
            "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
        }

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: Any) -> None:
            said.append(message)

        await self._app(scope, receive, send)
        answer = b"".join(one.get("body", b"") for one in said[1:])
        return int(said[0]["status"]), answer

    def close(self) -> None:
        """Let go of the loop."""
        self._loop.close()


def requests() -> Iterator[tuple[str, str]]:
    """Yield requests that are right: where to, and what."""
    new = run(77)
    yield (
        "/store/command/record_run",
        wire.encode_command(
            run=new, results=results(new), unit=unit(new), checks=(), closes=()
        ).decode(),
    )
    yield "/store/command/decide", wire.encode_rows([PERSONS_HOLD], PLACED).decode()
    yield "/store/query/range_rows", '{"product": "photoamp", "after": 0, "kind": null}'
    yield "/store/query/decided_rows", "{}"
    yield (
        "/store/command/note_job",
        wire.encode_command(job="backup", succeeded_at=PLACED.decided_at).decode(),
    )
    yield "/control/answer", '{"prompt": "a", "value": "done"}'
    yield "/control/users", '{"pid": 4711, "leaves": true}'
    yield "/control/make-way", "{}"
    yield (
        "/control/measure",
        json.dumps(
            {"build": "B1", "serial": "S9", "ranges": [], "typed": [], "checks": []}
        ),
    )


@pytest.mark.parametrize(
    "trials", [300, pytest.param(50_000, marks=pytest.mark.endurance)]
)
def test_spoilt_requests_are_refused_in_a_sentence(
    tmp_path: Path, trials: int, record_property: Property
) -> None:
    asked = list(requests())
    chance, came = Random(4), Counter[str]()  # noqa: S311 -- trials, not secrets
    slowest_s = 0.0
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        record_all(store)
        door = Door(store)
        try:
            for _ in range(trials):
                path, body = chance.choice(asked)
                odd = spoilt(body, chance)
                started_s = time.process_time()
                status, answer = door.ask(path, odd.encode("utf-8", "surrogatepass"))
                slowest_s = max(slowest_s, time.process_time() - started_s)
                assert status < 500, (path, odd, answer)
                if status >= 400:
                    said = json.loads(answer)
                    sentence = said.get("message", said["error"])
                    assert sentence, (path, odd)
                    assert "\n" not in sentence, (path, odd)
                came["refused" if status >= 400 else "answered"] += 1
        finally:
            door.close()
        assert everything(store)
        assert verify(store.rows(LedgerRow)) is None
        held = replace(PERSONS_HOLD, hold="after all")
        line = decided("Ada", "place hold", "after all", held.placed_at)
        store.keep(held, decision=line)
    assert came["refused"] > trials / 3
    soon(slowest_s, trials, record_property)
    for what, count in came.items():
        record_property(f"of {trials} spoilt requests {what}", count)
