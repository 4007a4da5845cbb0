"""Parts that some ranges share, from the transfer formula to the finding's words."""

import numpy as np
import pytest

from config.model import Part, Product
from daemon.judging.product import ProductModel
from daemon.presentation.sentences import beside, finding
from daemon.watch import Watcher
from storage.records import Cause, Reel, Signal
from tests.daemon.making import AT, demo_product, demo_settings, fitting, unit

DIVIDED = {"100uA", "1mA"}
FIRST_BAD = 10
SHIFT_PPM = 6000.0


@pytest.fixture(scope="module")
def product() -> ProductModel:
    """Return the demo's product, the two upper ranges halved by a divider R5, R6."""
    settings: Product = demo_settings().product
    pair = Part(nominal_ohm=10_000.0, tolerance_ppm=1_000.0, tempco_ppm_per_k=25.0)
    ranges = {
        key: one.model_copy(
            update={"transfer": f"{one.transfer} * R6 / (R5 + R6)"}
            if key in DIVIDED
            else {}
        )
        for key, one in settings.ranges.items()
    }
    return ProductModel.of(
        settings.model_copy(
            update={
                "parts": {**settings.parts, "R5": pair, "R6": pair},
                "ranges": ranges,
            }
        )
    )


@pytest.mark.source("a halving divider: d ln(R6 / (R5 + R6)) = dR6 / 2R6 - dR5 / 2R5")
def test_the_formula_tells_which_ranges_feel_a_part(product: ProductModel) -> None:
    assert set(product.common_parts) == {"R5", "R6"}
    assert product.common_parts["R5"].sensitivity == pytest.approx((0, 0, -0.5, -0.5))
    assert product.common_parts["R6"].sensitivity == pytest.approx((0, 0, 0.5, 0.5))
    assert product.watched_parts == ("R11", "R12", "R13", "R14", "R5", "R6")
    assert [one.key for one in product.ranges_of("R5")] == ["100uA", "1mA"]


def test_what_all_ranges_feel_alike_is_the_shared_stage() -> None:
    """The demo's R3 and R4 belong to it, and its switch is felt on one range alone."""
    assert demo_product().common_parts == {}


def watched(
    product: ProductModel, part: str, shift_ppm: float, label: Reel | None = None
) -> Signal | None:
    """Return what a new reel of one part raises, recorded as fitted."""
    fittings = [
        fitting("B-1", name, f"K-1{name}")
        for name in ("R11", "R12", "R13", "R14", "R5", "R6")
    ]
    fittings.append(fitting("B-1", part, "K-900", f"PA-{FIRST_BAD:03d}"))
    sensitivity = product.layout.sensitivity[product.watched_parts.index(part)]
    chance = np.random.default_rng(4)
    errors = chance.normal(0.0, 150.0, (20, 4)) + chance.normal(0.0, 100.0, (20, 1))
    errors[FIRST_BAD:] += shift_ppm * sensitivity
    watcher = Watcher(
        product,
        accepted_per_units=5000,
        label_of=None if label is None else lambda _: label,
    )
    said = [
        one
        for n, row in enumerate(errors)
        for one in watcher.take(unit(n, f"PA-{n:03d}", "B-1", row.tolist()), fittings)
    ]
    return said[-1] if said else None


def test_a_reel_of_a_part_of_two_ranges_is_named_with_its_value(
    product: ProductModel,
) -> None:
    said = watched(product, "R6", SHIFT_PPM)
    assert said is not None
    assert (said.cause, said.range) == (Cause.REEL, None)
    assert (said.part, said.reel, said.first_serial) == ("R6", "K-900", "PA-010")
    assert said.low_ppm < SHIFT_PPM < said.high_ppm
    assert said.implied_ohm == pytest.approx(10_000.0 * (1 + said.size_ppm * 1e-6))
    assert said.basis.claim is not None
    assert said.basis.claim.incompatible > 0.99
    words = finding(said)
    assert words.headline.startswith(
        "Hold build B-1: part R6, reel K-900, of ranges 100 µA and 1 mA is off by +0."
    )
    assert words.lines[0].startswith("Most likely part R6 from reel K-900")
    assert beside(said).startswith("R6 since unit PA-010")
    # half of what the part is off, on both ranges
    (foretold,) = [one for one in words.lines if "that was not measured" in one]
    assert "% on range 100 µA (" in foretold
    assert " and +0." in foretold
    by_range = said.basis.predicted_by_range
    assert by_range is not None
    for mean, low, high in by_range.values():
        assert low < SHIFT_PPM / 2 < high
        assert low < mean < high


def test_the_claim_of_such_a_part_is_its_reel_s_label(product: ProductModel) -> None:
    """0.6 % off is well inside a label of 5 %, and outside of what is planned."""
    loose = Reel(reel="K-900", nominal_ohm=1e4, tolerance_ppm=5e4, received_at=AT)
    said = watched(product, "R6", SHIFT_PPM, loose)
    assert said is not None
    claim = said.basis.claim
    assert claim is not None
    assert claim.tolerance_ppm == 5e4
    assert claim.incompatible < 0.01
    assert finding(said).lines[1] == (
        "Reel K-900 is of the wrong class for part R6: its label allows 5 %, the part "
        "needs 0.1 %."
    )


def test_an_ordinary_reel_of_such_a_part_raises_nothing(product: ProductModel) -> None:
    assert watched(product, "R6", 100.0) is None


def test_the_own_part_of_one_of_the_ranges_is_still_told_apart(
    product: ProductModel,
) -> None:
    said = watched(product, "R13", SHIFT_PPM / 2)
    assert said is not None
    assert (said.range, said.part, said.reel) == ("100uA", "R13", "K-900")
