"""The check standard's own limits keep the false-alarm rate they promise."""

import numpy as np
import pytest
from scipy.stats import t as student

from daemon.spc.check_standard_limits import FALSE_ALARMS, own_limits
from daemon.spc.errors import SpcError


@pytest.mark.source("prediction interval by Student's t; common practice, no source")
def test_the_limits_are_those_of_a_prediction_interval() -> None:
    """For one further check: t(1 - alpha / 2; n - 1) s sqrt(1 + 1 / n)."""
    earlier = [3.0, -2.0, 1.0, 0.0, 4.0, -3.0, 2.0, -1.0, 0.5, -0.5]
    limits = own_limits(earlier, least_ppm=0.0)
    assert limits is not None
    quantile = student.ppf(1 - FALSE_ALARMS / 2, len(earlier) - 1)
    half = (limits.high_ppm - limits.low_ppm) / 2
    assert half == pytest.approx(quantile * np.std(earlier, ddof=1) * np.sqrt(1.1))


def test_the_next_check_of_a_quiet_bench_lies_within() -> None:
    """In 20 000 benches of nine checks each, as many false alarms as promised."""
    chance = np.random.default_rng(3)
    alarms = 0
    for row in chance.normal(0.0, 1.0, (20_000, 9)):
        limits = own_limits(row[:8].tolist(), least_ppm=0.0)
        assert limits is not None
        alarms += not limits.hold(float(row[8]))
    assert alarms <= 20_000 * FALSE_ALARMS + 3 * np.sqrt(20_000 * FALSE_ALARMS)
    assert alarms > 0


def test_checks_all_alike_leave_room_for_what_they_cannot_show() -> None:
    limits = own_limits([1.0] * 8, least_ppm=5.0)
    assert limits is not None
    assert (limits.low_ppm, limits.high_ppm) == (-4.0, 6.0)


def test_what_is_no_number_is_refused() -> None:
    with pytest.raises(SpcError):
        own_limits([float("nan")] * 8, least_ppm=1.0)
