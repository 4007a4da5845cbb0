"""A run length is calculated while a person waits."""

import timeit
from collections.abc import Callable

import pytest

from daemon.spc.rules import WESTERN_ELECTRIC
from daemon.spc.run_length import (
    cusum_interval,
    cusum_run_length,
    ewma_run_length,
    ewma_width,
    mewma_limit,
    mewma_run_length,
    ruled_run_length,
    shewhart_run_length,
    t2_run_length,
)

CALLS: dict[str, Callable[[], float]] = {
    "shewhart": lambda: shewhart_run_length(width=3.0, shift=0.5).mean,
    "t2": lambda: t2_run_length(ranges=4, limit=16.0, distance=1.0).mean,
    "rules": lambda: ruled_run_length(WESTERN_ELECTRIC, shift=0.5).mean,
    "ewma": lambda: ewma_run_length(weight=0.03, width=2.437, shift=0.5).mean,
    "cusum": lambda: cusum_run_length(reference=0.1, interval=20.0).mean,
    "mewma": lambda: (
        mewma_run_length(ranges=8, weight=0.1, limit=19.4, distance=0.5).mean
    ),
    "ewma width": lambda: ewma_width(weight=0.1, arl=370.0, exact_limits=False),
    "cusum interval": lambda: cusum_interval(reference=0.5, arl=370.0),
    "mewma limit": lambda: mewma_limit(ranges=4, weight=0.1, arl=200.0),
}


@pytest.mark.bench
@pytest.mark.parametrize("call", CALLS.values(), ids=CALLS)
def test_each_value_takes_less_than_a_fifth_of_a_second(
    call: Callable[[], float], record_property: Callable[[str, object], None]
) -> None:
    seconds = min(timeit.repeat(call, number=1, repeat=15))
    record_property("s", round(seconds, 4))
    assert seconds < 0.2
