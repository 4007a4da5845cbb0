"""A part of the wrong decade on a unit whose ranges the bench selects."""

import pytest

from daemon.bench.errors import OverrangeError, TooMuchOutputError
from daemon.judging.wrong_decade import wrong_decades
from daemon.simulator.circuit import Board
from daemon.simulator.faults import Fault, FaultKind
from daemon.trials.selftest.benches import Line, demo_settings, line
from storage.records import RangeResult, Verdict

SERIAL = "PA-1"


def board_with(part: str, times: float) -> Board:
    """Return a board of nominal parts but one."""
    parts = demo_settings().product.parts
    ohm = {name: one.nominal_ohm for name, one in parts.items()}
    return Board(
        serial=SERIAL,
        parts_ohm={**ohm, part: times * ohm[part]},
        tempco_ppm_per_k=dict.fromkeys(parts, 0.0),
    )


def judged(one: Line) -> dict[str, RangeResult]:
    """Measure and judge the board; by range."""
    one.rig.mount(SERIAL)
    results = (one.judge.unit("r", readings, {}) for readings in one.measure())
    return {result.range: result for result in results}


@pytest.mark.parametrize("times", [0.01, 0.1, 2.5, 10.0, 100.0])
def test_a_wrong_decade_is_judged_nonconforming_with_words(times: float) -> None:
    with line(demo_settings(), {SERIAL: board_with("R13", times)}, seed=3) as one:
        found = judged(one)
        said = wrong_decades(one.product, found.values())
    assert found["100uA"].verdict is Verdict.NONCONFORMING
    assert found["100uA"].error_ppm == pytest.approx(1e6 * (times - 1), rel=0.02)
    assert {found[key].verdict for key in ("1uA", "10uA", "1mA")} == {
        Verdict.CONFORMING
    }
    (sentence,) = said
    assert "(R13), or the unit's switch stands in another range." in sentence
    assert ("wrong decade" in sentence) == (times != 2.5)


def test_a_dead_output_is_told_from_a_wrong_part() -> None:
    with line(demo_settings(), {SERIAL: board_with("R13", 1e-6)}, seed=3) as one:
        found = judged(one)
        (said,) = wrong_decades(one.product, found.values())
    assert found["100uA"].verdict is Verdict.NONCONFORMING
    assert said.startswith("Range 100 µA puts out next to nothing")


def test_an_open_part_is_not_measured_and_the_message_says_what_to_look_at() -> None:
    boards = {SERIAL: board_with("R13", 1e4)}
    with line(demo_settings(), boards, seed=3) as one:
        with pytest.raises(TooMuchOutputError, match="wrong by decades") as caught:
            judged(one)
        assert not one.rig.state().source_on
    assert "range 100 µA" in str(caught.value)


def test_a_meter_that_says_overrange_of_a_good_unit_is_not_believed() -> None:
    """At a lower level its range reads as it should: no part is to blame."""
    with line(demo_settings(), {SERIAL: board_with("R13", 1.0)}, seed=3) as one:
        one.rig.mount(SERIAL)
        fault = Fault(kind=FaultKind.OVERRANGE, role="output", times=5)
        one.rig.inject(fault)
        with pytest.raises(OverrangeError):
            one.measure()
        assert set(judged(one)) == set(one.product.keys)
