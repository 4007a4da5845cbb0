"""The hands at a simulated bench, told over a port that no real one has."""

import json
import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from config import HoldpointError, write_whole
from daemon.service.home import Home
from storage import is_running

__all__ = ["Hands", "HandsError", "hands_of", "note_planted", "noted", "plant_again"]

ANSWER_S = 10.0


class HandsError(HoldpointError):
    """The simulated bench did not do as it was told, and says why."""


class Hands:
    """Speaks to the simulated bench's fixture port: mounts boards, pulls cables.

    Raises
    ------
    HandsError
        Nothing answers there.
    """

    def __init__(self, host: str, port: int) -> None:
        try:
            self._line = socket.create_connection((host, port), timeout=ANSWER_S)
        except OSError as exc:
            message = "the simulated bench does not answer any more"
            raise HandsError(message) from exc
        self._file = self._line.makefile("rw", encoding="utf-8")

    def mount(self, serial: str) -> None:
        """Put a board on the bench."""
        self._do({"do": "mount", "serial": serial})

    def replace(self, rework: str, *, serial: str, part: str, reel: str) -> None:
        """Replace a part of a unit, once for each record of rework."""
        self._do(
            {
                "do": "replace",
                "rework": rework,
                "serial": serial,
                "part": part,
                "reel": reel,
            }
        )

    def probe(self, **on: str) -> None:
        """Put the ohmmeter's leads on a part or together; see the simulator's hands."""
        self._do({"do": "probe", **on})

    def state(self) -> dict[str, Any]:
        """Return what a bystander sees: what is mounted, whether the source is on."""
        return self._do({"do": "state"})

    def fault(self, role: str, kind: str, **how: float | None) -> None:
        """Let something go wrong with an instrument, once or until it is mended."""
        self._do({"do": "fault", "role": role, "kind": kind, **how})

    def clear(self, role: str | None = None) -> None:
        """Mend one instrument and its line, or all."""
        self._do({"do": "clear"} if role is None else {"do": "clear", "role": role})

    def plant(self, kind: str, range_: str, size_ppm: float, *, after: int) -> None:
        """Plant what comes with a unit that is yet to be made."""
        self._do(
            {
                "do": "plant",
                "kind": kind,
                "range": range_,
                "size_ppm": size_ppm,
                "after": after,
            }
        )

    def planted(self) -> list[dict[str, Any]]:
        """Return what was planted, each with the unit that it came with."""
        found: list[dict[str, Any]] = self._do({"do": "planted"})["planted"]
        return found

    def make_good(self) -> None:
        """Take ordinary reels, mend everything, forget what was planted."""
        self._do({"do": "make good"})

    def scenario(self) -> dict[str, Any]:
        """Return builds, reels and fittings, which an operator knows, and the truth."""
        return self._do({"do": "scenario"})

    def close(self) -> None:
        """Let go."""
        self._file.close()
        self._line.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _do(self, order: Mapping[str, Any]) -> dict[str, Any]:
        try:
            self._file.write(json.dumps(order) + "\n")
            self._file.flush()
            line = self._file.readline()
        except OSError as exc:
            message = "the simulated bench does not answer any more"
            raise HandsError(message) from exc
        if not line:
            message = "the simulated bench has ended"
            raise HandsError(message)
        answer: dict[str, Any] = json.loads(line)
        if not answer["ok"]:
            raise HandsError(answer["error"])
        return answer


def hands_of(home: Home) -> Hands | None:
    """Return the hands at the simulated bench of a home; None where there is none."""
    try:
        said = json.loads(home.simulated.read_text(encoding="utf-8"))
        if not is_running(int(said["pid"])):
            return None
        return Hands(str(said["host"]), int(said["port"]))
    except (OSError, ValueError, KeyError, TypeError, HandsError):
        return None


def note_planted(home: Home, planted: Sequence[Mapping[str, Any]]) -> None:
    """Note what is planted on the simulated bench of a home, for its next start."""
    text = json.dumps([dict(one) for one in planted])
    if not home.planted.exists() or home.planted.read_text(encoding="utf-8") != text:
        write_whole(home.planted, text)


def plant_again(home: Home, hands: Hands) -> list[dict[str, Any]]:
    """Plant what was planted before the simulated bench was started again; return it.

    What came with a unit comes with the next new one. A unit that was seated badly is
    measured; that is over.
    """
    try:
        before = json.loads(home.planted.read_text(encoding="utf-8"))
        for one in before:
            came = one["first_serial"] is not None
            if not (came and one["kind"] == "slip"):
                after = 0 if came else int(one["after"])
                hands.plant(
                    str(one["kind"]),
                    str(one["range"]),
                    float(one["size_ppm"]),
                    after=after,
                )
    except (OSError, ValueError, KeyError, TypeError):
        return []  # nothing was planted, or by another version
    return hands.planted()


@contextmanager
def noted(home: Home, fixture: Mapping[str, Any], pid: int) -> Iterator[None]:
    """Note where the hands of a simulated bench are told, while the context lasts."""
    path: Path = home.simulated
    write_whole(path, json.dumps({**fixture, "pid": pid}))
    try:
        yield
    finally:
        path.unlink(missing_ok=True)
