"""Kills the courier at seeded moments and starts it again until the outbox is empty.

Moments are counted in messages, not in seconds, so that a slow machine changes none
of them: every kill happens, whatever else the machine is doing.
"""

import json
import signal
import subprocess
import sys
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from random import Random
from threading import Event, Lock, Thread

import pandas as pd

from storage.local import LocalStore
from tests.daemon.alerts import courier
from tests.daemon.alerts.fakes import PRODUCT, message, outbox

ROOT = Path(__file__).parents[3]
LONGEST_AFTER_S = 0.02
"""Long enough to fall before, into and after the note of what arrived."""


class Moment(Enum):
    """When a courier dies, seen from the message that it just sent."""

    BEFORE = "before it was taken"
    TAKEN = "taken, not answered"
    ANSWERED = "answered, perhaps not noted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kill:
    """One end of a courier: at or after so many messages, and how."""

    messages: int
    moment: Moment
    after_s: float


@dataclass(slots=True)
class Campaign:
    """What came of it."""

    kills: int = 0
    moments: Counter[Moment] = field(default_factory=Counter)
    arrived: dict[str, Counter[str]] = field(
        default_factory=lambda: {one: Counter() for one in courier.CHANNELS}
    )
    refused: int = 0
    rows: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def given_up(self) -> set[str]:
        """Messages to chat that were given up."""
        chat = self.rows[self.rows["target"] == "chat"]
        return set(chat.loc[chat["dead_at"].notna(), "alert"])

    @property
    def noted(self) -> set[str]:
        """Messages that the outbox says arrived."""
        return set(self.rows.loc[self.rows["delivered_at"].notna(), "alert"])

    @property
    def again(self) -> int:
        """How many messages reached chat beyond the first of each id."""
        chat = self.arrived["chat"]
        return sum(chat.values()) - len(chat)


def require_none_lost(came_to: Campaign, *, findings: int, kills: int) -> None:
    """Fail unless each finding arrived under its id, or was given up with an alarm."""
    wanted = {f"finding F{one}" for one in range(findings)}
    alarms = {f"undelivered to chat: {one}" for one in came_to.given_up}
    assert came_to.kills == kills
    assert not wanted - came_to.given_up - set(came_to.arrived["chat"])
    assert set(came_to.arrived["chat"]) <= wanted
    assert set(came_to.arrived["bell"]) == alarms
    assert came_to.noted == wanted - came_to.given_up | alarms
    # A kill leaves at most one message that arrived and was not noted.
    assert came_to.again <= kills


class Webhook:
    """Takes messages, refuses a share of those to chat, and kills who sends."""

    def __init__(self, *, refuses: float, kills: list[Kill], seed: int) -> None:
        self.came_to = Campaign()
        self._random = Random(seed)  # noqa: S311 -- which to refuse, no secret
        self._refuses = refuses
        self._kills = kills
        self._messages = 0
        self._lock = Lock()
        self._dying: Event | None = None
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, command: list[str]) -> subprocess.Popen[bytes]:
        """Start a courier after the one before is dead; return its process."""
        # A first message that comes at once waits for the lock.
        with self._lock:
            self._process = subprocess.Popen(command, cwd=ROOT)
            self._dying = None
            return self._process

    def take(self, channel: str, said: str, answer: "Answer") -> None:
        """Take or refuse one message; kill its courier when its time has come."""
        with self._lock:
            dying = self._dying
            kill = self._next_kill() if dying is None else None
        if dying is not None:
            # Its sender is about to die: the message never got here.
            dying.wait()
            return
        if kill is not None and kill.moment is Moment.BEFORE:
            self._kill(kill)
            return
        refused = channel == "chat" and self._random.random() < self._refuses
        if refused:
            self.came_to.refused += 1
        else:
            self.came_to.arrived[channel][said.rpartition("\n")[2]] += 1
        if kill is not None and kill.moment is Moment.TAKEN:
            self._kill(kill)
            return
        answer.give(500 if refused else 200)
        if kill is not None:
            self._kill(kill)

    def _next_kill(self) -> Kill | None:
        self._messages += 1
        if not self._kills or self._messages < self._kills[0].messages:
            return None
        self._dying = Event()
        return self._kills.pop(0)

    def _kill(self, kill: Kill) -> None:
        process, dying = self._process, self._dying
        assert process is not None
        assert dying is not None
        if kill.moment is Moment.ANSWERED:
            Event().wait(kill.after_s)
        process.send_signal(signal.SIGKILL)
        self.came_to.kills += 1
        self.came_to.moments[kill.moment] += 1
        dying.set()


class Answer(BaseHTTPRequestHandler):
    """One request to the webhook."""

    webhook: Webhook

    def do_POST(self) -> None:
        """Hand the message on."""
        said = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self.webhook.take(self.path.strip("/"), said["message"], self)

    def give(self, status: int) -> None:
        """Answer; who asked may be dead."""
        with suppress(ConnectionError):
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()
            self.wfile.flush()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        """Say nothing."""


def seeded_kills(kills: int, findings: int, seed: int) -> list[Kill]:
    """Return when to kill: before the last finding, so that none comes too late."""
    random = Random(seed)  # noqa: S311 -- when to kill
    moments = list(Moment)
    return [
        Kill(
            messages=at,
            moment=moments[number % len(moments)],
            after_s=random.uniform(0.0, LONGEST_AFTER_S),
        )
        for number, at in enumerate(
            sorted(random.sample(range(1, findings), k=kills)), start=1
        )
    ]


def campaign(path: Path, *, findings: int, kills: int, seed: int) -> Campaign:
    """Have so many findings sent over a webhook refusing 30 %, through so many kills.

    Raises
    ------
    subprocess.CalledProcessError
        A courier ended by itself, and not in peace.
    """
    with outbox(path) as store:
        store.keep(*[message(one) for one in range(findings)])
    webhook = Webhook(
        refuses=0.3, kills=seeded_kills(kills, findings, seed), seed=seed + 1
    )
    handler = type("Handler", (Answer,), {"webhook": webhook})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        while _send(path, server.server_address[1], webhook) != 0:
            continue
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
    with LocalStore(path) as store:
        webhook.came_to.rows = store.frame("alerts", product=PRODUCT)
    return webhook.came_to


def _send(path: Path, port: int, webhook: Webhook) -> int:
    """Start a courier and wait for its end; return how it ended."""
    command = [sys.executable, "-m", courier.__name__, str(path), str(port)]
    with webhook.start(command) as process:
        ended = process.wait()
    if ended not in {0, -signal.SIGKILL}:
        raise subprocess.CalledProcessError(ended, command)
    return ended
