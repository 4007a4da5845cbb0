"""What the simulated operator's hands do, told in JSON, one order a line.

``{"do": "mount", "serial": "PA-1001"}``
    Put a board on the bench.
``{"do": "remove"}``
    Take it off.
``{"do": "turn", "range": "1uA"}``
    Turn the product's own range switch.
``{"do": "supply", "share": 0.4}``
    Let the unit's battery be at a share of its voltage; 0 is switched off.
``{"do": "probe"}`` or ``{"do": "probe", "reel": "K-304"}``
    Short the ohmmeter's leads, or put them on a loose part of a reel.
``{"do": "probe", "serial": "PA-1001", "part": "R13"}``
    Put them on a part of a board.
``{"do": "fault", "role": "output", "kind": "late answer", "size": 3.0}``
    Let something go wrong; the other keys are those of `Fault`.
``{"do": "clear"}`` or ``{"do": "clear", "role": "output"}``
    Mend everything, or one instrument.
``{"do": "plant", "kind": "reel", "range": "1uA", "size_ppm": 3000, "after": 5}``
    Plant something that comes with a unit that is yet to be made; `Plant` says what.
``{"do": "replace", "rework": "1", "serial": "PA-1001", "part": "R3", "reel": "K-9"}``
    Replace a part of a unit by one of a reel, as the record of this rework has it.
``{"do": "planted"}``
    Ask for what was planted.
``{"do": "make good"}``
    Take ordinary reels, mend everything, forget what was planted.
``{"do": "state"}``
    Only look.
``{"do": "scenario"}``
    Ask for builds, reels and fittings, which an operator knows, and the truth.
``{"do": "quit"}``
    End the simulation.

Every answer has ``ok``; a good one has the bench's state, a bad one an ``error``.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict
from math import isfinite
from typing import Any

from daemon.simulator.errors import OrderError, SimulatorError
from daemon.simulator.faults import Fault, fault_kind
from daemon.simulator.planting import Plant, plant_kind
from daemon.simulator.rig import Rig

__all__ = ["Hands"]


class Hands:
    """Carry out orders on one rig."""

    def __init__(self, rig: Rig) -> None:
        self.has_quit = False
        self._rig = rig

    def obey(self, line: bytes) -> dict[str, Any]:
        """Carry out one line and return the answer."""
        try:
            extra = self._carry_out(_order(line))
        except SimulatorError as exc:
            return {"ok": False, "error": str(exc)}
        return {"ok": True, **asdict(self._rig.state()), **extra}

    def _carry_out(self, order: Mapping[str, Any]) -> dict[str, Any]:
        rig = self._rig
        match order:
            case {"do": "mount", "serial": str(serial), **rest} if not rest:
                rig.mount(serial)
            case {"do": "remove", **rest} if not rest:
                rig.remove()
            case {"do": "turn", "range": str(key), **rest} if not rest:
                rig.turn(key)
            case {"do": "supply", "share": int(share) | float(share), **rest} if (
                not rest and 0 <= share <= 1
            ):
                rig.supply(share)
            case {"do": "probe", **on}:
                self._probe(on)
            case {"do": "fault", "role": str(role), "kind": str(kind), **rest}:
                rig.inject(Fault(role=role, kind=fault_kind(kind), **_checked(rest)))
            case {"do": "clear", "role": str(role), **rest} if not rest:
                rig.clear(role)
            case {"do": "clear", **rest} if not rest:
                rig.clear()
            case {"do": "plant" | "planted" | "make good" | "replace"}:
                return self._plant(order)
            case {"do": "state" | "scenario" as what, **rest} if not rest:
                return rig.scenario.as_json() if what == "scenario" else {}
            case {"do": "quit", **rest} if not rest:
                self.has_quit = True
            case _:
                raise OrderError(order=json.dumps(order))
        return {}

    def _plant(self, order: Mapping[str, Any]) -> dict[str, Any]:
        planting = self._rig.planting
        match order:
            case {"do": "plant", "kind": str(kind), "range": str(key), **rest}:
                planting.plant(_plant(kind, key, rest))
            case {"do": "planted", **rest} if not rest:
                return {"planted": [asdict(one) for one in planting.plants]}
            case {
                "do": "replace",
                "rework": str(rework),
                "serial": str(serial),
                "part": str(part),
                "reel": str(reel),
                **rest,
            } if not rest:
                self._rig.replace(rework, serial=serial, part=part, reel=reel)
            case {"do": "make good", **rest} if not rest:
                self._rig.clear()
                planting.mend()
            case _:
                raise OrderError(order=json.dumps(order))
        return {}

    def _probe(self, on: Mapping[str, Any]) -> None:
        match on:
            case {"reel": str(reel), **rest} if not rest:
                self._rig.probe(reel=reel)
            case {"serial": str(serial), "part": str(part), **rest} if not rest:
                self._rig.probe(serial=serial, part=part)
            case {**rest} if not rest:
                self._rig.probe()
            case _:
                raise OrderError(order=json.dumps({"do": "probe", **on}))


def _order(line: bytes) -> Mapping[str, Any]:
    try:
        order = json.loads(line)
    except ValueError:
        order = None
    if not isinstance(order, dict):
        raise OrderError(order=line.decode("utf-8", "replace").strip())
    return order


def _plant(kind: str, key: str, rest: Mapping[str, Any]) -> Plant:
    match rest:
        case {"size_ppm": int(size) | float(size), "after": int(after), **more} if (
            not more and isfinite(size) and after >= 0
        ):
            return Plant(
                kind=plant_kind(kind), range=key, size_ppm=float(size), after=after
            )
        case _:
            raise OrderError(order=json.dumps({"do": "plant", **rest}))


def _checked(rest: Mapping[str, Any]) -> dict[str, Any]:
    """Return the optional keys of a fault, if each is of its type."""
    for key, value in rest.items():
        number = (
            isinstance(value, int | float)
            and not isinstance(value, bool)
            and isfinite(value)
        )
        match key:
            case "size" | "full_scale" if number:
                pass
            case "after" if number and value >= 0 and value == int(value):
                pass
            case "times" if value is None or (number and value == int(value) > 0):
                pass
            case "match" if isinstance(value, str):
                pass
            case _:
                raise OrderError(order=json.dumps({key: value}))
    return dict(rest)
