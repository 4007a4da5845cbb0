"""Serve a simulated bench until told to stop.

The first line on standard output is a JSON object with the instruments' addresses
by role and the operator's port; nothing else is ever written there.
"""

import argparse
import asyncio
import json
import os
import signal
import stat
import sys
from contextlib import suppress
from pathlib import Path

from config import ConfigError, Settings, load
from daemon.bench.clock import ScaledClock
from daemon.simulator.errors import SimulatorError
from daemon.simulator.rig import STOPS_S, Rig
from daemon.simulator.scenario import Scenario, story, workshop
from daemon.simulator.server import FIXTURE, BenchServer

FAILURE = 1
USAGE = 2
HIGHEST_PORT = 65_535


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code, 1 for a failure and 2 for bad usage."""
    parser = _parser()
    options = parser.parse_args(arguments)
    try:
        settings = load(options.config)
        scenario = (
            workshop(settings, options.seed)
            if options.story == "none"
            else story(
                settings,
                options.seed,
                units=options.units,
                bad=options.story != "good",
                mixed=options.story == "mixed",
                open_ended=True,
            )
        )
        scale = options.time_scale
        if scale is None:
            scale = settings.bench.time_scale if settings.bench is not None else 1.0
        ports = _known_roles(parser, dict(options.port), settings)
        asyncio.run(_serve(settings, scenario, ScaledClock(scale), ports))
    except ConfigError as exc:
        print(exc, file=sys.stderr)  # noqa: T201
        return USAGE
    except SimulatorError as exc:
        print(exc, file=sys.stderr)  # noqa: T201
        return FAILURE
    return 0


async def _serve(
    settings: Settings, scenario: Scenario, clock: ScaledClock, ports: dict[str, int]
) -> None:
    # A busy machine stops for a while in its own time, however fast the bench's runs.
    rig = Rig(settings, scenario, clock, least_silence_s=STOPS_S * clock.scale)
    server = BenchServer(rig, clock)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        try:
            loop.add_signal_handler(number, server.quit.set)
        except NotImplementedError:  # Windows: the loop takes no signals itself
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(server.quit.set))
    await server.start(ports)
    _watch_parent(loop, server.quit)
    greeting = {
        "instruments": server.addresses,
        "fixture": {"host": "127.0.0.1", "port": server.ports[FIXTURE]},
        "seed": scenario.seed,
        "time_scale": clock.scale,
        "pid": os.getpid(),
    }
    print(json.dumps(greeting), flush=True)  # noqa: T201
    await server.quit.wait()
    await server.close()


def _watch_parent(loop: asyncio.AbstractEventLoop, quit_: asyncio.Event) -> None:
    """End when a parent that holds our standard input by a pipe goes away."""
    mode = os.fstat(sys.stdin.fileno()).st_mode
    if not (stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)):
        return

    def read() -> None:
        if not os.read(sys.stdin.fileno(), 1024):
            loop.remove_reader(sys.stdin.fileno())
            quit_.set()

    with suppress(NotImplementedError):  # Windows: its parent ends it in order
        loop.add_reader(sys.stdin.fileno(), read)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m daemon.simulator", description=__doc__, allow_abbrev=False
    )
    parser.add_argument(
        "--config",
        type=Path,
        required=True,
        metavar="FOLDER",
        help="folder of product.toml and bench.toml",
    )
    parser.add_argument("--seed", type=_natural, default=1, metavar="N")
    parser.add_argument(
        "--units", type=_natural, default=30, metavar="N", help="units a build"
    )
    parser.add_argument(
        "--time-scale",
        type=_scale,
        metavar="S",
        help="how many times as fast as real; by default as bench.toml has it",
    )
    parser.add_argument(
        "--story",
        choices=("bad", "good", "mixed", "none"),
        default="bad",
        help="whether the last build gets a bad reel, and its boards mixed; none: any "
        "board is made of ordinary reels as it comes",
    )
    parser.add_argument(
        "--port",
        type=_role_and_port,
        action="append",
        default=[],
        metavar="ROLE=PORT",
        help="listen for this role (or 'fixture') on this port; any free one if 0",
    )
    return parser


def _natural(text: str) -> int:
    value = int(text)
    if value < 0:
        message = "must not be negative"
        raise argparse.ArgumentTypeError(message)
    return value


def _scale(text: str) -> float:
    value = float(text)
    if not 1 <= value <= 10_000:  # noqa: PLR2004 - as in bench.toml
        message = f"{text}: must be from 1 to 10000"
        raise argparse.ArgumentTypeError(message)
    return value


def _role_and_port(text: str) -> tuple[str, int]:
    role, _, port = text.partition("=")
    if not (role and port.isdigit() and int(port) <= HIGHEST_PORT):
        message = f"{text!r}: must be ROLE=PORT, the port from 0 to {HIGHEST_PORT}"
        raise argparse.ArgumentTypeError(message)
    return role, int(port)


def _known_roles(
    parser: argparse.ArgumentParser, ports: dict[str, int], settings: Settings
) -> dict[str, int]:
    bench = settings.bench
    known = [FIXTURE] if bench is None else [*bench.instruments, FIXTURE]
    for role in ports:
        if role not in known:
            parser.error(f"--port {role}: no such role; known: {', '.join(known)}")
    return ports


if __name__ == "__main__":
    sys.exit(main())
