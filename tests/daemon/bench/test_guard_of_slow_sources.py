"""The guard of a source that is slow, answers in its own way, or takes one line."""

import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from time import monotonic, sleep

import pytest

from config.exchange import Exchange
from config.model import Instrument
from config.profile import Kind, Profile
from daemon.bench.bench import Bench
from daemon.bench.clock import ScaledClock
from daemon.bench.driver import Binding
from daemon.bench.errors import GuardLostError, InstrumentError
from daemon.bench.guard import Guard, Orders, turn_off
from daemon.bench.retry import NEVER
from daemon.bench.source import Source
from daemon.bench.visa import connect
from tests.daemon.bench.fakes import (
    NOMINAL_TRANSFER,
    PROFILES,
    READING,
    FakeBench,
    product,
    settings,
)

PATIENCE_S = 60.0
"""However busy this machine is: that something comes is the fact, not how soon."""
BOARD = Profile(
    title="Board that says OK",
    kind=Kind.CURRENT_SOURCE,
    read_termination="\r\n",
    acknowledge="OK",
    prompt="> ",
    set_level="DAC {level}",
    set_compliance="LIM {compliance}",
    output_on="RUN",
    output_off="STOP",
    output="STATE",
    one_connection=True,
    exchange={"output": Exchange(yes="running", no="stopped")},
)


class Board(threading.Thread):
    """A source that serves one connection, and closes every other at once."""

    def __init__(self, lag_s: float = 0.0) -> None:
        super().__init__(daemon=True)
        self.lag_s = lag_s
        self.timeout_s = PATIENCE_S
        self.on = False
        self.off = threading.Event()
        self.heard: list[str] = []
        self.garbled = False
        self.answers: dict[str, str] = {}
        self.refused = 0
        self._door = socket.create_server(("127.0.0.1", 0))
        self._served: socket.socket | None = None

    @property
    def instrument(self) -> Instrument:
        port = self._door.getsockname()[1]
        return Instrument(
            address=f"TCPIP::127.0.0.1::{port}::SOCKET",
            profile="board",
            timeout_s=self.timeout_s,
        )

    def run(self) -> None:
        with suppress(OSError):
            while True:
                link, _ = self._door.accept()
                # A line that was just cut is noticed by another thread, in its time.
                while (served := self._served) is not None and _is_cut(served):
                    sleep(0.005)
                if served is not None:
                    self.refused += 1
                    link.close()
                    continue
                self._served = link
                threading.Thread(target=self._serve, args=(link,), daemon=True).start()

    def _serve(self, link: socket.socket) -> None:
        with suppress(OSError), link, link.makefile("r") as lines:
            for line in lines:
                sleep(self.lag_s)
                link.sendall(self._answer(line.strip()).encode() + b"\r\n> ")
        self._served = None

    def _answer(self, said: str) -> str:
        self.heard.append(said)
        match said.split():
            case ["RUN"]:
                self.on = True
                self.off.clear()
            case ["STOP"]:
                self.on = False
                self.off.set()
            case ["STATE"]:
                return "running" if self.on else "stopped"
        return "?#!" if self.garbled else self.answers.get(said, "OK")

    def end(self) -> None:
        self._door.close()


def _is_cut(link: socket.socket) -> bool:
    """Whether the other end of a line has gone, or its last words are yet unread."""
    try:
        link.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT)
    except BlockingIOError:
        return False
    except OSError:  # closed or reset
        return True
    return True


@contextmanager
def board(lag_s: float = 0.0) -> Iterator[Board]:
    one = Board(lag_s)
    one.start()
    try:
        yield one
    finally:
        one.end()


def bench_of(one: Board) -> Bench:
    """Open a bench whose source is this board; all else is in memory."""
    fake = FakeBench()
    told = settings().model_copy(update={"source": one.instrument})

    def connected(role, instrument, profile):  # type: ignore[no-untyped-def]
        way = connect if role == "source" else fake.connect
        return way(role, instrument, profile)

    return Bench(
        told,
        product(),
        READING,
        profiles={**PROFILES, "board": BOARD},
        nominal_transfer=NOMINAL_TRANSFER,
        connect=connected,
        clock=ScaledClock(),
    )


def test_a_source_that_takes_one_connection_is_guarded_over_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with board() as one, bench_of(one) as bench:
        guard = bench._guard
        assert guard is not None
        bench.source.set_level(0.0, limit=0.0, setting="zero")
        bench.source.set_compliance(10.0)
        bench.source.output_on()
        assert one.on
        with monkeypatch.context() as silence:
            silence.setattr(guard, "_beat", lambda: None)
            assert one.off.wait(PATIENCE_S)
        assert one.refused == 0
        with pytest.raises(GuardLostError, match="gave no sign of life"):
            bench.require_guarded()
        bench.source_off()


def test_the_daemon_waits_while_the_guard_asks_over_the_one_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It may wake up in the middle of what the guard asks, and must not read that."""
    with board(lag_s=0.05) as one, bench_of(one) as bench:
        guard = bench._guard
        assert guard is not None
        bench.source.set_level(0.0, limit=0.0, setting="zero")
        bench.source.set_compliance(10.0)
        bench.source.output_on()
        said = len(one.heard)
        with monkeypatch.context() as silence:
            silence.setattr(guard, "_beat", lambda: None)
            assert one.off.wait(PATIENCE_S)
            bench.source_off()
        assert one.heard[said:] == ["STOP", "STATE"] * 2


def test_the_only_connection_is_handed_over_anew_once_it_was_cut() -> None:
    with ExitStack() as way_out:
        one = way_out.enter_context(board())
        one.timeout_s = 2.0  # nothing answers over a line that was cut
        bench = way_out.enter_context(bench_of(one))
        assert one._served is not None
        one._served.shutdown(socket.SHUT_RDWR)
        bench.source_off()
        bench.source.set_level(0.0, limit=0.0, setting="zero")
        one.on = True
        assert bench._guard is not None
        assert bench._guard.fire()
        assert not one.on


def test_a_guard_takes_the_time_that_the_bench_file_gives() -> None:
    """It answers after 0.3 s, and each command waits for the one before."""
    with board(lag_s=0.3) as one:
        slow = BOARD.model_copy(update={"one_connection": False, "silence_s": 0.1})
        orders = Orders.of(one.instrument, slow)
        guard = Guard(orders)
        one.on = True
        guard.close()
        assert not one.on
        assert one.heard[:2] == ["STOP", "STATE"]


def test_a_line_that_no_other_can_share_is_said() -> None:
    orders = Orders.of(Instrument(address="GPIB0::7::INSTR", profile="board"), BOARD)
    with pytest.raises(GuardLostError, match="takes one connection only"):
        Guard(orders)


def test_what_a_guard_could_not_do_is_said() -> None:
    silent = BOARD.model_copy(update={"acknowledge": None, "prompt": None})
    with board() as one:
        odd = silent.model_copy(
            update={"output": "WHAT", "exchange": {}, "read_termination": "\r\n> "}
        )
        reason = turn_off(Orders.of(one.instrument, odd), 0.0)
    assert reason is not None
    # Both lines may have come together by the time that the first is read.
    true = ("'WHAT'", "it says", "more than one answer")
    assert any(one in reason for one in true), reason


def test_off_is_sent_first_and_blind_to_a_source_that_answers_garbled() -> None:
    asked = BOARD.model_copy(update={"identity": "WHO"})
    with board() as one:
        one.garbled = one.on = True
        # It answers wrongly, or its one line still closes when it is opened anew.
        with pytest.raises(InstrumentError):
            connect("source", one.instrument, asked)
        assert one.heard[0] == "STOP"
        assert not one.on


def test_a_garbled_word_for_off_is_no_proof_that_it_is_on() -> None:
    with board() as one:
        source = _source(one)
        one.garbled = one.on = True
        source.output_off()
        assert not one.on
        source.close()


class Terse(Board):
    """Answers its off command and the question for its output, nothing else."""

    def _serve(self, link: socket.socket) -> None:
        with suppress(OSError), link, link.makefile("r") as lines:
            for line in lines:
                answer = self._answer(line.strip())
                if line.strip() in {"STOP", "STATE"}:
                    link.sendall(answer.encode() + b"\r\n")
        self._served = None


@pytest.mark.parametrize("asks", [True, False])
def test_no_answer_is_waited_for_beside_the_off_command(*, asks: bool) -> None:
    told = BOARD.model_copy(
        update={
            "acknowledge": None,
            "prompt": None,
            "output": "STATE" if asks else None,
            "exchange": {
                "output_off": Exchange(expect="OK", before=("REMOTE",), after=("KEY",)),
                "output": Exchange(before=("SHOW",), yes="running", no="stopped"),
            },
        }
    )
    off = ["REMOTE", "STOP", "KEY"]
    for turned in ("by the guard", "by the opening of its line"):
        one = Terse()
        one.start()
        one.on = True
        began_s = monotonic()
        if turned == "by the guard":
            assert turn_off(Orders.of(one.instrument, told), 0.0) is None
            expected = [*off, "SHOW", "STATE"] if asks else off
        else:
            line = connect("source", one.instrument, told)
            line.query("STATE")
            line.close()
            expected = [*off, "STATE"]
        # What nobody has to answer may be on its way yet.
        while one.heard != expected and monotonic() - began_s < PATIENCE_S / 2:
            sleep(0.005)
        assert one.heard == expected
        assert not one.on
        assert monotonic() - began_s < one.timeout_s / 2
        one.end()


def test_a_refused_step_ahead_of_off_does_not_keep_off_back() -> None:
    told = BOARD.model_copy(
        update={
            "exchange": {
                "output_off": Exchange(before=("BAD",)),
                "output": Exchange(yes="running", no="stopped"),
            }
        }
    )
    with board() as one:
        source = _source(one, told)
        one.answers["BAD"] = "no such command"
        one.on = True
        source.output_off()
        assert not one.on
        source.close()


def _source(one: Board, profile: Profile = BOARD) -> Source:
    return Source(
        Binding(
            role="source",
            instrument=one.instrument,
            profile=profile,
            connect=connect,
            clock=ScaledClock(),
            retry=NEVER,
        ),
        limit=1.0,
        permit=lambda: None,
        step=lambda: None,
    )
