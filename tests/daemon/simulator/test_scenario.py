"""The story that a simulated line tells, and the parts that it really draws."""

import json
from itertools import pairwise

import numpy as np
import pytest

from config.model import KnownStandard, Settings
from daemon.simulator.circuit import Board
from daemon.simulator.errors import UnfitProductError, UnknownSerialError
from daemon.simulator.scenario import Scenario, story
from daemon.simulator.world import Line, World

OWN = {"1uA": "R11", "10uA": "R12", "100uA": "R13", "1mA": "R14"}
SEEDS = range(250)


@pytest.fixture(scope="module")
def stories(demo: Settings) -> list[Scenario]:
    return [story(demo, seed, units=8) for seed in SEEDS]


def transfer(board: Board, key: str) -> float:
    """Return the transfer by a formula written here, not read from the settings."""
    ohm = board.parts_ohm
    return (ohm[OWN[key]] + ohm["RSW"]) * (1 + ohm["R3"] / ohm["R4"])


def deviation_ppm(settings: Settings, board: Board, part: str) -> float:
    nominal = settings.product.parts[part].nominal_ohm
    return (board.parts_ohm[part] / nominal - 1) * 1e6


def reel_at(told: Scenario, build: str, part: str, serial: str) -> str:
    """Return the reel by the operator's own records."""
    serials = next(one.serials for one in told.builds if one.build == build)
    fitted = ""
    for one in told.fittings:
        if (one.build, one.part) == (build, part):
            start = one.from_serial or serials[0]
            if serials.index(start) <= serials.index(serial):
                fitted = one.reel
    return fitted


def test_each_check_standard_has_exactly_the_demo_s_errors(demo: Settings) -> None:
    assert demo.bench is not None
    standard = demo.bench.check_standard
    assert standard is not None
    further = KnownStandard(serial="CS-2", error_ppm={"10uA": 110}, uncertainty_ppm=20)
    bench = demo.bench.model_copy(update={"further_standards": (further,)})
    told = story(demo.model_copy(update={"bench": bench}), 1, units=4)
    nominal_ohm = {"1uA": 1e6, "10uA": 1e5, "100uA": 1e4, "1mA": 1e3}
    assert set(standard.error_ppm) == set(nominal_ohm)
    for one in (standard, further):
        board = told.board(one.serial)
        for key, error_ppm in one.error_ppm.items():
            true_ppm = (transfer(board, key) / nominal_ohm[key] - 1) * 1e6
            assert true_ppm == pytest.approx(error_ppm, abs=0.001)
        assert set(board.tempco_ppm_per_k.values()) == {0.0}


def test_three_builds_of_units_in_order(demo: Settings) -> None:
    told = story(demo, 1, units=30)
    assert [len(one.serials) for one in told.builds] == [30, 30, 30]
    serials = [serial for one in told.builds for serial in one.serials]
    assert serials == sorted(set(serials))
    assert set(told.boards) == {*serials, "CS-1"}


def test_the_second_build_begins_with_one_new_reel_the_third_with_none(
    stories: list[Scenario],
) -> None:
    changed = set()
    for told in stories:
        opening = [
            {
                one.part: one.reel
                for one in told.fittings
                if one.build == build.build and one.from_serial is None
            }
            for build in told.builds
        ]
        new = [
            {part for part in OWN.values() if before[part] != after[part]}
            for before, after in pairwise(opening)
        ]
        assert len(new[0]) == 1
        assert not new[1]
        changed |= new[0]
    assert changed == set(OWN.values()), "every range gets its turn"


def test_the_bad_reel_comes_between_a_quarter_and_a_half_of_the_last_build(
    stories: list[Scenario],
) -> None:
    turns, ranges = set(), set()
    for told in stories:
        truth = told.truth
        assert truth is not None
        last = told.builds[-1]
        assert truth.build == last.build
        assert truth.cause == "reel"
        assert truth.part == OWN[truth.range]
        turn = last.serials.index(truth.first_serial)
        turns.add(turn)
        ranges.add(truth.range)
        recorded = [one for one in told.fittings if one.from_serial is not None]
        assert [(one.part, one.reel, one.from_serial) for one in recorded] == [
            (truth.part, truth.reel, truth.first_serial)
        ]
        assert told.suspect_serials == last.serials[turn:]
    assert turns == {2, 3, 4}
    assert ranges == set(OWN)


def test_the_truth_s_size_is_the_bad_reel_s_mean_through_the_formula(
    demo: Settings, stories: list[Scenario]
) -> None:
    for told in stories[:20]:
        truth = told.truth
        assert truth is not None
        nominal = demo.product.parts[truth.part].nominal_ohm
        # Switch and trace of 0.05 ohm in series weaken the resistor's effect.
        share = nominal / (nominal + 0.05)
        assert truth.size_ppm == pytest.approx(3000.0 * share, rel=1e-9)
        assert truth.implied_ohm == pytest.approx(nominal * 1.003, rel=1e-12)
        before_reel = reel_at(told, truth.build, truth.part, told.builds[-1].serials[0])
        before = next(one for one in told.reels if one.reel == before_reel)
        assert truth.change_ppm == pytest.approx(
            (3000.0 - before.mean_ppm) * share, rel=1e-9
        )


def test_parts_really_come_from_the_recorded_reels(demo: Settings) -> None:
    """Within five standard deviations each; a reel's mean within five of its mean."""
    for seed in range(5):
        told = story(demo, seed)
        by_reel: dict[str, list[float]] = {}
        for build in told.builds:
            for serial in build.serials:
                for part in ("R11", "R12", "R13", "R14", "R3", "R4"):
                    reel = reel_at(told, build.build, part, serial)
                    by_reel.setdefault(reel, []).append(
                        deviation_ppm(demo, told.board(serial), part)
                    )
        assert set(by_reel) == {one.reel for one in told.reels}
        for one in told.reels:
            drawn = np.array(by_reel[one.reel]) - one.mean_ppm
            assert np.abs(drawn).max() < 5 * one.spread_ppm
            assert abs(drawn.mean()) < 5 * one.spread_ppm / np.sqrt(len(drawn))
            assert drawn.std() > 0.5 * one.spread_ppm


def test_ordinary_reels_and_parts_scatter_by_their_share_of_the_tolerance(
    demo: Settings, stories: list[Scenario]
) -> None:
    own = set(OWN.values())
    means = [
        one.mean_ppm
        for told in stories
        for one in told.reels
        if one.part in own and (told.truth is None or one.reel != told.truth.reel)
    ]
    assert np.mean(means) == pytest.approx(0.0, abs=15.0)
    assert np.std(means) == pytest.approx(150.0, rel=0.07)
    first = [
        [
            deviation_ppm(demo, told.board(serial), "R11")
            for serial in told.builds[0].serials
        ]
        for told in stories
    ]
    within = np.sqrt(np.var(np.array(first), axis=1, ddof=1).mean())
    assert within == pytest.approx(150.0, rel=0.07)


def test_the_bad_reel_has_four_times_the_ordinary_spread(
    demo: Settings, stories: list[Scenario]
) -> None:
    drawn = np.array(
        [
            deviation_ppm(demo, told.board(serial), told.truth.part)
            for told in stories
            if told.truth is not None
            for serial in told.suspect_serials
        ]
    )
    assert drawn.mean() == pytest.approx(3000.0, abs=5 * 600 / np.sqrt(len(drawn)))
    assert drawn.std() == pytest.approx(600.0, rel=0.06)


def test_the_shared_stage_s_level_scatters_by_a_tenth_of_the_tolerance(
    stories: list[Scenario],
) -> None:
    """The gain 1 + R3/R4 of equal resistors moves by half of each."""
    levels_ppm, within = [], []
    for told in stories:
        for build in told.builds:
            gains = [
                1 + told.board(s).parts_ohm["R3"] / told.board(s).parts_ohm["R4"]
                for s in build.serials
            ]
            within.append(np.var(gains, ddof=1) / 4 * 1e12)
            mean_ppm = {
                one.part: one.mean_ppm
                for one in told.reels
                if one.reel
                in {
                    reel_at(told, build.build, p, build.serials[0])
                    for p in ("R3", "R4")
                }
            }
            levels_ppm.append((mean_ppm["R3"] - mean_ppm["R4"]) / 2)
    assert np.std(levels_ppm) == pytest.approx(100.0, rel=0.08)
    assert np.sqrt(np.mean(within)) == pytest.approx(100.0, rel=0.05)


def test_no_temperature_coefficient_exceeds_its_class(
    demo: Settings, stories: list[Scenario]
) -> None:
    drawn = np.array(
        [
            one.tempco_ppm_per_k["R12"]
            for told in stories[:40]
            for one in told.boards.values()
        ]
    )
    bound = demo.product.parts["R12"].temperature_coefficient_ppm_per_k
    assert np.abs(drawn).max() <= bound
    assert drawn.std() > 0.2 * bound


def test_the_same_seed_tells_the_same_story(demo: Settings) -> None:
    one, same, other = (story(demo, seed, units=6) for seed in (3, 3, 4))
    assert one == same
    assert one.boards != other.boards


def test_without_a_bad_reel_nothing_is_wrong(demo: Settings) -> None:
    for seed in range(20):
        told = story(demo, seed, units=8, bad=False)
        assert told.truth is None
        assert told.suspect_serials == ()
        assert max(abs(one.mean_ppm) for one in told.reels) < 1000
        assert any(one.from_serial for one in told.fittings), "the change is ordinary"


def test_mixed_boards_carry_either_reel_in_random_order(demo: Settings) -> None:
    shares = []
    for seed in range(30):
        told = story(demo, seed, mixed=True)
        truth = told.truth
        assert truth is not None
        serials = told.builds[-1].serials
        later = serials[serials.index(truth.first_serial) :]
        assert told.suspect_serials[0] == truth.first_serial
        suspects = set(told.suspect_serials)
        shares.append((len(suspects) - 1) / (len(later) - 1))
        for serial in serials:
            off_ppm = deviation_ppm(demo, told.board(serial), truth.part)
            # Midway between the reels at least 2.5 standard deviations of each remain.
            assert serial in suspects or off_ppm < 1200
    assert np.mean(shares) == pytest.approx(0.5, abs=0.08)
    assert np.std(shares) > 0.03


def test_isolated_bad_parts_come_as_often_as_told(demo: Settings) -> None:
    line = Line(isolated_bad=0.02, isolated_bad_share=30.0)
    world = World(demo.product, np.random.default_rng(1), line)
    reels = {part: world.reel(f"K-{part}", part) for part in OWN.values()}
    far = 0
    for n in range(1000):
        board = world.board(f"X-{n}", reels)
        for part, reel in reels.items():
            off_ppm = deviation_ppm(demo, board, part) - reel.mean_ppm
            far += abs(off_ppm) > 5 * reel.spread_ppm
    # 80 of 4000; a normal value of sd 30 T is beyond 0.75 T in 98 %.
    assert 55 <= far <= 105


def test_what_the_operator_knows_is_not_what_only_the_simulation_knows(
    demo: Settings,
) -> None:
    told = story(demo, 1, units=6)
    sent = json.loads(json.dumps(told.as_json()))
    truth = sent.pop("truth")
    assert truth["reel"] == (told.truth.reel if told.truth else None)
    assert {key for one in sent["reels"] for key in one} == {
        "reel",
        "nominal_ohm",
        "tolerance_ppm",
    }
    assert sent["builds"][0]["serials"] == list(told.builds[0].serials)
    assert sent["fittings"][0]["from_serial"] is None


def test_too_few_units_are_refused(demo: Settings) -> None:
    with pytest.raises(UnfitProductError, match="units = 3"):
        story(demo, 1, units=3)


def test_an_unknown_serial_is_refused_with_those_known(demo: Settings) -> None:
    told = story(demo, 1, units=4)
    with pytest.raises(UnknownSerialError, match=r"'PA-9'.*PA-1001"):
        told.board("PA-9")


def test_a_story_is_told_of_a_range_that_has_no_part_of_its_own(
    demo: Settings,
) -> None:
    told = story(shared(demo, of_1mA="R3 + R4"), 1, units=4)
    board = told.board("CS-1")
    assert board.parts_ohm["R3"] + board.parts_ohm["R4"] == pytest.approx(
        20_000.0 * (1 - 120e-6), rel=1e-9
    )


def shared(demo: Settings, **transfers: str) -> Settings:
    """Return settings in which ranges share their parts."""
    ranges = {
        key: one.model_copy(
            update={"transfer": transfers.get(f"of_{key}", one.transfer)}
        )
        for key, one in demo.product.ranges.items()
    }
    product = demo.product.model_copy(update={"ranges": ranges})
    return demo.model_copy(update={"product": product})


def test_a_standard_is_made_of_parts_that_ranges_share(demo: Settings) -> None:
    """A chain of resistors: the larger range uses what the smaller does, and more."""
    settings = shared(demo, of_1uA="(R11 + R12) * (1 + R3 / R4)")
    world = World(settings.product, np.random.default_rng(1))
    wanted = {"1uA": 150.0, "10uA": -80.0, "100uA": 40.0, "1mA": -120.0}
    assert "10uA" not in world.own_parts
    board = world.standard("CS-1", wanted)
    for key, error_ppm in wanted.items():
        one = world.transfers[key]
        off_ppm = (one.value(board.parts_ohm) / one.value(world.nominal_ohm) - 1) * 1e6
        assert off_ppm == pytest.approx(error_ppm, abs=0.001)


def test_a_standard_that_no_parts_make_names_its_range(demo: Settings) -> None:
    settings = shared(demo, of_1uA="(R12 + RSW) * (1 + R3 / R4)")
    world = World(settings.product, np.random.default_rng(1))
    with pytest.raises(UnfitProductError, match=r"error_ppm\.1(0)?uA"):
        world.standard("CS-1", {"1uA": 150.0, "10uA": -80.0})
