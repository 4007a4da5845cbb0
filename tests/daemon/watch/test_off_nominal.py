"""How far a suspect part is off its nominal value, and how sure that is."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from daemon.spc.detector import Baseline, Line
from daemon.watch.evidence import off_nominal
from tests.daemon.making import demo_product
from tests.daemon.test_parts_alike import SPELLINGS, product_with

MOVED_PPM, HALF_PPM = 3000.0, 100.0
RANGE = "100uA"
DRAWN = 600


@pytest.mark.source("JCGM 100:2008, 4.3.7: a tolerance as a rectangular distribution")
@pytest.mark.parametrize("of", ["the demo's part", *SPELLINGS])
def test_the_interval_of_a_parts_value_holds_what_it_was_before(of: str) -> None:
    """Simulated: parts lie anywhere in their tolerances, ranges show the sum."""
    product = product_with(of) if of in SPELLINGS else demo_product()
    place = product.keys.index(RANGE)
    own = product.ranges[place]
    part = own.alike[0] if own.alike else str(own.part)
    names = sorted({one for each in product.ranges for one in each.sensitivities})
    effects = np.array(
        [[each.sensitivities.get(one, 0.0) for one in names] for each in product.ranges]
    )
    tolerances = np.array([product.settings.parts[one].tolerance_ppm for one in names])
    before = Baseline.of(Line(product.layout))
    found: Any = SimpleNamespace(
        range_index=place,
        size_ppm=MOVED_PPM,
        low_ppm=MOVED_PPM - HALF_PPM,
        high_ppm=MOVED_PPM + HALF_PPM,
    )
    chance = np.random.default_rng(7)
    held, widths = 0, []
    for _ in range(DRAWN):
        usual_ppm = chance.uniform(-tolerances, tolerances)
        baseline = replace(
            before,
            mean_ppm=effects @ usual_ppm,
            mean_variance_ppm2=np.full(len(product.ranges), 20.0**2),
        )
        off = off_nominal(found, product, baseline, part)
        at = names.index(part)
        moved_ppm = chance.normal(MOVED_PPM, HALF_PPM / 1.96)
        held += (
            off.low_ppm
            < moved_ppm + effects[place, at] * usual_ppm[at]
            < (off.high_ppm)
        )
        widths.append(off.high_ppm - off.low_ppm)
    assert held / DRAWN >= 0.935
    # Never wider than if nothing but the tolerance were known of the part.
    most_ppm = 2.0 * np.hypot(HALF_PPM, 1.96 * tolerances.max() * 2**0.5)
    assert max(widths) < most_ppm
