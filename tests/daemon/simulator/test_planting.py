"""What is planted comes with the unit that was said, and is what was said."""

import json
from pathlib import Path
from typing import Any, cast
from unittest.mock import Mock

import pytest

from config.model import Settings
from daemon.bench.clock import ScaledClock
from daemon.service import Hands as ServiceHands, note_planted, plant_again
from daemon.service.home import Home
from daemon.service.wiring import _mounting
from daemon.simulator.circuit import Board
from daemon.simulator.hands import Hands
from daemon.simulator.meters import Meter
from daemon.simulator.rig import Rig
from daemon.simulator.scenario import story, workshop
from storage import Rework, ReworkKind

SIZE_PPM = 5_000.0


@pytest.fixture
def rig(demo: Settings) -> Rig:
    return Rig(demo, workshop(demo, 1), ScaledClock())


def told(rig: Rig, **order: object) -> dict[str, object]:
    """Return the hands' answer to an order."""
    return Hands(rig).obey(json.dumps(order).encode())


def error_ppm(demo: Settings, board: Board, key: str = "10uA") -> float:
    """Return how far a range of a board is off, by a formula written here."""
    part = {"1uA": "R11", "10uA": "R12"}[key]
    ohm = board.parts_ohm
    nominal = {name: one.nominal_ohm for name, one in demo.product.parts.items()}

    def transfer(of: dict[str, float]) -> float:
        return (of[part] + of["RSW"]) * (1 + of["R3"] / of["R4"])

    return 1e6 * (transfer(dict(ohm)) / transfer(nominal) - 1)


def mounted(rig: Rig, serial: str) -> Board:
    """Mount a unit and return what stands on the bench."""
    rig.mount(serial)
    board = rig.circuit.board
    assert board is not None
    return board


def test_a_reel_comes_with_the_unit_that_was_said_and_stays(
    rig: Rig, demo: Settings
) -> None:
    said = told(rig, do="plant", kind="reel", range="10uA", size_ppm=SIZE_PPM, after=2)
    assert said["ok"]
    errors = [error_ppm(demo, mounted(rig, f"U-{n}")) for n in range(1, 7)]
    assert all(abs(one) < 1_200.0 for one in errors[:2])
    assert all(one == pytest.approx(SIZE_PPM, abs=1_200.0) for one in errors[2:])
    # What was made stays as it was made.
    assert error_ppm(demo, mounted(rig, "U-1")) == errors[0]
    planted = told(rig, do="planted")["planted"]
    assert planted == [
        {
            "kind": "reel",
            "range": "10uA",
            "size_ppm": SIZE_PPM,
            "after": 0,
            "first_serial": "U-3",
        }
    ]


def test_a_badly_seated_unit_is_right_once_it_is_seated_again(
    rig: Rig, demo: Settings
) -> None:
    told(rig, do="plant", kind="slip", range="1uA", size_ppm=SIZE_PPM, after=0)
    first = error_ppm(demo, mounted(rig, "U-1"), "1uA")
    again = error_ppm(demo, mounted(rig, "U-1"), "1uA")
    assert first - again == pytest.approx(SIZE_PPM, rel=0.01)
    assert abs(error_ppm(demo, mounted(rig, "U-2"), "1uA")) < 1_200.0


def test_two_reels_come_with_one_unit(rig: Rig, demo: Settings) -> None:
    for key in ("1uA", "10uA"):
        told(rig, do="plant", kind="reel", range=key, size_ppm=-SIZE_PPM, after=0)
    board = mounted(rig, "U-1")
    for key in ("1uA", "10uA"):
        assert error_ppm(demo, board, key) == pytest.approx(-SIZE_PPM, abs=1_200.0)


def test_a_meter_steps_with_a_unit_until_all_is_made_good(rig: Rig) -> None:
    told(rig, do="plant", kind="meter", range="", size_ppm=300, after=1)
    output = rig.links["output"].instrument
    assert isinstance(output, Meter)
    stepped = []
    for serial in ("U-1", "U-2"):
        mounted(rig, serial)
        stepped.append({one.step_ppm for one in output.scales})
    told(rig, do="make good")
    stepped.append({one.step_ppm for one in output.scales})
    assert stepped == [{0.0}, {300.0}, {0.0}]


@pytest.mark.parametrize(
    ("order", "why"),
    [
        ({"kind": "reel", "range": "9uA"}, "range '9uA' is unknown"),
        ({"kind": "frog", "range": "1uA"}, "must be one of reel, slip, meter"),
        ({"kind": "reel", "range": "1uA", "size_ppm": 0.0}, "must not be 0"),
        ({"kind": "reel", "range": "1uA", "after": -1}, "not an order"),
    ],
)
def test_nonsense_is_refused_in_a_sentence(
    rig: Rig, order: dict[str, object], why: str
) -> None:
    said = told(rig, **({"do": "plant", "size_ppm": 1.0, "after": 0} | order))
    assert not said["ok"]
    assert why in str(said["error"])


def test_all_made_good_is_ordinary_again(rig: Rig, demo: Settings) -> None:
    told(rig, do="plant", kind="reel", range="10uA", size_ppm=SIZE_PPM, after=0)
    mounted(rig, "U-1")
    told(rig, do="make good")
    assert told(rig, do="planted")["planted"] == []
    assert abs(error_ppm(demo, mounted(rig, "U-2"))) < 1_200.0


def test_a_story_is_told_as_before_and_goes_on_after_it(demo: Settings) -> None:
    told_, more = story(demo, 3), story(demo, 3, open_ended=True)
    assert {**told_.boards} == {one: more.boards[one] for one in told_.boards}
    assert told_.as_json() == more.as_json()
    assert "NEW-1" not in told_.boards
    assert more.board("NEW-1").serial == "NEW-1"


def test_a_bench_that_is_started_again_goes_on_with_other_units_and_its_fault(
    demo: Settings, tmp_path: Path
) -> None:
    class Line:
        """The hands of the bench as it is now, told without a line between."""

        rig = Rig(demo, workshop(demo, 1), ScaledClock())

        def plant(self, kind: str, range_: str, size_ppm: float, *, after: int) -> None:
            said = told(
                self.rig, do="plant", kind=kind, range=range_, size_ppm=size_ppm,
                after=after,
            )  # fmt: skip
            assert said["ok"]

        def planted(self) -> list[dict[str, Any]]:
            found: list[dict[str, Any]] = told(self.rig, do="planted")["planted"]  # type: ignore[assignment]
            return found

    home, hands = Home(tmp_path), cast("ServiceHands", Line())
    home.data.mkdir()
    assert plant_again(home, hands) == []
    before = [mounted(Line.rig, f"U-{n}") for n in (1, 2)]
    hands.plant("reel", "10uA", SIZE_PPM, after=0)
    bad = mounted(Line.rig, "U-3")
    note_planted(home, hands.planted())
    Line.rig = Rig(demo, workshop(demo, 1), ScaledClock())
    # Measured again, in another order, a unit is the same; a new one is another.
    assert mounted(Line.rig, "U-2").parts_ohm == before[1].parts_ohm
    assert mounted(Line.rig, "U-4").parts_ohm not in [one.parts_ohm for one in before]
    assert [one["first_serial"] for one in plant_again(home, hands)] == [None]
    assert error_ppm(demo, bad) == pytest.approx(SIZE_PPM, abs=1_200.0)
    again = error_ppm(demo, mounted(Line.rig, "U-5"))
    assert again == pytest.approx(SIZE_PPM, abs=1_200.0)


def test_a_replaced_part_is_of_the_reel_that_the_record_names_also_after_a_restart(
    rig: Rig, demo: Settings
) -> None:
    told(rig, do="plant", kind="reel", range="10uA", size_ppm=SIZE_PPM, after=0)
    bad = mounted(rig, "U-1")
    order = {
        "do": "replace", "rework": "W-1", "serial": "U-1", "part": "R12",
        "reel": "K-103",
    }  # fmt: skip
    assert told(rig, **order)["mounted"] is None
    good = mounted(rig, "U-1")
    assert abs(error_ppm(demo, good)) < 1_200.0 < abs(error_ppm(demo, bad))
    assert {
        one for one, ohm in good.parts_ohm.items() if ohm != bad.parts_ohm[one]
    } == {"R12"}
    # Told once more nothing is done; another record is another part.
    assert told(rig, **order)["mounted"] == "U-1"
    told(rig, **(order | {"rework": "W-2"}))
    assert mounted(rig, "U-1").parts_ohm["R12"] != good.parts_ohm["R12"]
    anew = Rig(demo, workshop(demo, 1), ScaledClock())
    told(anew, **order)
    assert mounted(anew, "U-1").parts_ohm["R12"] == good.parts_ohm["R12"]
    assert "R99" in str(told(rig, **(order | {"part": "R99"}))["error"])


def test_a_part_of_a_reel_of_the_story_is_as_bad_as_that_reel(demo: Settings) -> None:
    told_ = story(demo, 3, open_ended=True)
    rig = Rig(demo, told_, ScaledClock())
    worst = max(told_.reels, key=lambda one: abs(one.mean_ppm))
    told(
        rig, do="replace", rework="W-1", serial="NEW-1", part=worst.part,
        reel=worst.reel,
    )  # fmt: skip
    ohm = mounted(rig, "NEW-1").parts_ohm[worst.part]
    assert 1e6 * (ohm / worst.nominal_ohm - 1) == pytest.approx(
        worst.mean_ppm, abs=5 * worst.spread_ppm
    )


def test_who_mounts_tells_the_bench_what_was_replaced() -> None:
    done = Mock(rework="W-1", part="R12", reel="K-103")
    store, hands = Mock(), Mock()
    store.rows.return_value = [done]
    hands.state.return_value = {"mounted": None, "mounts": 0}
    _mounting(hands, store, "amplifier")("U-1", False)
    store.rows.assert_called_once_with(
        Rework, product="amplifier", serial="U-1", kind=ReworkKind.REPLACE
    )
    assert [one[0] for one in hands.method_calls if one[0] != "state"] == [
        "replace",
        "mount",
    ]
    hands.replace.assert_called_once_with("W-1", serial="U-1", part="R12", reel="K-103")
