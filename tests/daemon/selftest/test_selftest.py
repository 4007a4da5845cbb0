"""The self-test's own parts, in small."""

from collections import deque
from typing import Any

import pytest
from click.testing import CliRunner

from daemon.commands.bench_selftest import SelftestError, bench_selftest
from daemon.trials.selftest import campaign, coverage, pace
from daemon.trials.selftest.safe_trials import few_trials

SURELY_OFF_S = 120.0
"""Left alone, the source would stay on for good."""


def ended(faults: int, **how: Any) -> campaign.Campaign:
    """Return what a campaign came to."""
    return deque(campaign.run(faults, **how), maxlen=1).pop()


def test_most_of_few_benches_tell_the_truth() -> None:
    rows = coverage.summary(list(coverage.benches_covered(6, first_seed=100)))
    assert [one.range for one in rows] == ["1uA", "10uA", "100uA", "1mA", "all"]
    assert rows[-1].benches == 24
    assert rows[-1].inside >= 20


def test_an_interval_that_is_too_short_is_told() -> None:
    covered = [
        coverage.Covered(
            seed=n,
            range="1uA",
            off_ppm=1.0 if n % 2 else 3.0,
            half_width_ppm=2.0,
            twice_standard_ppm=2.0,
        )
        for n in range(200)
    ]
    row = coverage.summary(covered)[0]
    assert row.share == 0.5
    assert not row.holds


def test_a_unit_is_near_the_best_and_far_faster_than_fixed_waits() -> None:
    found = pace.paced(1)
    assert found.over_best <= pace.WITHIN
    assert found.faster >= pace.FASTER
    assert found.holds


def test_the_command_says_what_it_did_and_fails_where_a_part_does(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = ["--part", "coverage", "--part", "pace"]
    done = CliRunner().invoke(bench_selftest, asked)
    assert done.exit_code == 0
    assert "times the model's best" in done.output
    assert "coverage, pace." in done.output
    monkeypatch.setattr(pace, "WITHIN", 1.0)
    failed = CliRunner().invoke(bench_selftest, asked)
    assert isinstance(failed.exception, SelftestError)
    assert "failed: pace" in str(failed.exception)


def test_meters_that_step_alike_are_told_by_the_source_alone() -> None:
    """Cancelled at the closing check, they made units in between wrong."""
    found = campaign._together([ended(60, seed=n, every_kind=False) for n in (1, 3)])
    assert found.alike.injected
    assert found.alike.in_doubt
    # What comes and goes between two checks is told by the source's setting too.
    assert found.for_one_unit.injected
    assert found.for_one_unit.in_doubt
    assert found.for_one_unit.wrong == 0
    assert found.wrong == 0
    assert any("moved together" in reason for reason in found.reasons)


def test_no_wrong_value_over_sockets_among_a_few_faults() -> None:
    last = ended(8, seed=5, sockets=True, every_kind=False)
    assert last.injected >= 8
    assert last.wrong == 0


def test_campaigns_on_several_benches_add_up() -> None:
    first, second = (ended(20, seed=seed, every_kind=False) for seed in (7, 8))
    both = campaign._together([first, second])
    assert both.injected == first.injected + second.injected
    assert both.units == both.right + both.in_doubt + both.not_measured + both.wrong
    assert both.not_measured + both.in_doubt == sum(both.reasons.values())
    # What no reading here can tell is said, and is in no other sum.
    apart = both.output_alone
    assert apart.units == first.output_alone.units + second.output_alone.units > 0
    assert apart.units == (
        apart.right + apart.in_doubt + apart.not_measured + apart.wrong
    )
    assert [one.kind for one in both.rows] == [one.kind for one in first.rows]


def test_the_source_goes_off_when_its_process_is_killed_or_stopped() -> None:
    """Within what a busy machine allows; the self-test's own table says how soon."""
    killed, stopped = few_trials(1)
    for one in (killed, stopped):
        assert one.slowest_off_s is not None
        assert one.slowest_off_s < SURELY_OFF_S


def test_no_wrong_value_in_memory_and_the_same_again() -> None:
    twice = []
    for _ in range(2):
        last = ended(40, seed=6, every_kind=False)
        assert last.wrong == 0
        assert last.right
        twice.append((last.injected, last.right, last.reasons))
    assert twice[0] == twice[1]


@pytest.mark.bench
def test_coverage_of_two_thousand_benches() -> None:
    rows = coverage.summary(list(coverage.benches_covered(2000)))
    assert all(one.holds for one in rows)


@pytest.mark.bench
def test_five_thousand_faults_and_no_wrong_value() -> None:
    *_, last = campaign.side_by_side(5000)
    assert last.injected >= 5000
    assert last.wrong == 0
    assert all(one.injected for one in last.rows)
