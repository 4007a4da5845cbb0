"""What it costs to watch a unit: the two thousandth as little as the hundredth."""

from time import process_time

import numpy as np
import pytest

from daemon.watch import warm_up
from tests.daemon.watch.bench import PRODUCT, Told, serial_of

pytestmark = pytest.mark.bench

EARLY, LATE, AROUND = 100, 2000, 40
MOST_TIMES = 3.0


@pytest.mark.parametrize("held", [False, True])
@pytest.mark.parametrize("units_a_build", [25, LATE], ids=["builds", "one build"])
def test_the_two_thousandth_unit_costs_no_more_than_three_times_the_hundredth(
    units_a_build: int, *, held: bool
) -> None:
    warm_up(PRODUCT)
    told = Told(3)
    took_s = []
    for index in range(LATE):
        build = f"B-{index // units_a_build}"
        off = {2: 3000.0} if held else {}
        begin = process_time()
        told.unit(serial_of(build, index % units_a_build), build, off)
        took_s.append(process_time() - begin)
    assert told.holding() or not held
    early = float(np.median(took_s[EARLY - AROUND : EARLY + AROUND]))
    late = float(np.median(took_s[LATE - AROUND : LATE]))
    assert late <= MOST_TIMES * early, f"{1e3 * early:.2f} ms, {1e3 * late:.2f} ms"
