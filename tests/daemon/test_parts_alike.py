"""Two parts of one range that its readings cannot tell apart: none is blamed alone."""

from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from config.model import Part, Product
from daemon.holds import offered_ends, policy
from daemon.holds.proofs import NoProofError, of_person, part_and_subject
from daemon.judging.product import ProductModel
from daemon.presentation.sentences import finding
from daemon.traceability.reel_story import SeenInUnits, told_by_units
from daemon.watch import Watcher
from daemon.watch.what_settles import (
    checklist,
    narrowed,
    part_to_read,
    probabilities,
    sharpen,
)
from storage import HoldState, LocalStore
from storage.records import Cause, Proof, ProofKind, Reel, Scope, Signal
from tests.daemon.making import AT, demo_product, demo_settings, fitting, unit

FIRST_BAD = 10
SHIFT_PPM = -25_000.0
DIVIDED = "100uA"
SPELLINGS = ("R6 / (R5 + R6)", "1 / (R5 / R6 + 1)")


def product_with(divider: str, *, five_ohm: float = 90_000.0) -> ProductModel:
    """Return the demo's product, one range with a divider of its own and no R13."""
    settings: Product = demo_settings().product
    parts = {
        "R5": Part(nominal_ohm=five_ohm, tolerance_ppm=1_000.0, tempco_ppm_per_k=25.0),
        "R6": Part(nominal_ohm=10_000.0, tolerance_ppm=1_000.0, tempco_ppm_per_k=25.0),
    }
    ranges = dict(settings.ranges)
    ranges[DIVIDED] = ranges[DIVIDED].model_copy(
        update={"transfer": f"1e5 * (1 + R3 / R4) * {divider}"}
    )
    every = {**settings.parts, **parts}
    del every["R13"]
    return ProductModel.of(
        settings.model_copy(update={"parts": every, "ranges": ranges})
    )


def found_by(product: ProductModel, *, reel_of: str | None = None) -> Signal:
    """Return what a build says of which that range is off from one unit on."""
    fittings = [fitting("B-1", name, f"K-{name}") for name in ("R5", "R6")]
    if reel_of is not None:
        fittings.append(fitting("B-1", reel_of, "K-900", f"PA-{FIRST_BAD:03d}"))
    chance = np.random.default_rng(4)
    errors = chance.normal(0.0, 150.0, (20, 4)) + chance.normal(0.0, 100.0, (20, 1))
    errors[FIRST_BAD:, product.keys.index(DIVIDED)] += SHIFT_PPM
    watcher = Watcher(product, accepted_per_units=5000)
    said = [
        one
        for n, row in enumerate(errors)
        for one in watcher.take(unit(n, f"PA-{n:03d}", "B-1", row.tolist()), fittings)
    ]
    return said[-1]


def read(
    found: Signal, product: ProductModel, *texts: str, of: str | None = None
) -> Proof:
    """Return what Ada read four-wire on the first unit."""
    return of_person(
        found, ProofKind.FOUR_WIRE, texts, product, person="Ada", at=AT, subject=of
    )


@pytest.fixture(scope="module", params=SPELLINGS)
def product(request: pytest.FixtureRequest) -> ProductModel:
    """Return it with either spelling of the divider."""
    return product_with(request.param)


@pytest.fixture(scope="module")
def found(product: ProductModel) -> Signal:
    """Return the finding on the divider's range."""
    return found_by(product)


def test_the_demo_has_no_such_parts() -> None:
    assert {one.alike for one in demo_product().ranges} == {()}


@pytest.mark.source("a divider solved for either part: R5 = R6 (1/k - 1)")
def test_a_finding_names_both_with_value_and_reel(found: Signal) -> None:
    """Of a divider k = R6 / (R5 + R6): R5 = R6 (1 / k - 1), R6 = R5 k / (1 - k)."""
    assert (found.cause, found.range, found.part) == (Cause.REEL, DIVIDED, "R5")
    five, six = found.basis.possible_parts
    assert (five.part, five.reel, six.part, six.reel) == ("R5", "K-R5", "R6", "K-R6")
    share = 0.1 * (1 + found.size_ppm * 1e-6)
    assert five.ohm == pytest.approx(10_000.0 * (1 / share - 1))
    assert six.ohm == pytest.approx(90_000.0 * share / (1 - share))
    assert five.low_ohm < five.ohm < five.high_ohm
    words = finding(found)
    why = next(one for one in words.lines if one.startswith("Most likely"))
    assert why.startswith("Most likely part R5 or R6 of range 100 µA (")
    assert "readings alone cannot tell which): R5 from reel K-R5 about 92." in why
    assert " or R6 from reel K-R6 about 9.7" in why
    assert "reel" not in words.headline
    assert words.lines[-1] == (
        "Next: measure loose parts of reel K-R5 (R5) and reel K-R6 (R6) four-wire; it "
        "tells which of these parts it is."
    )


def test_a_good_part_moves_the_blame_to_the_other_not_to_the_bench(
    found: Signal, product: ProductModel
) -> None:
    for good, other in (("90.002k", "R6"), ("10.0003k", "R5")):
        proof = read(found, product, good)
        after = sharpen(found, [proof], product)
        assert probabilities(found, [proof], product)["bench"] < 0.02
        assert (after.cause, after.part, after.reel) == (
            Cause.REEL,
            other,
            f"K-{other}",
        )
        assert after.probability > 0.9
        why = next(o for o in finding(after).lines if o.startswith("Most likely"))
        assert why.startswith(f"Most likely part {other} from reel K-{other}")
        assert f"of reel K-{other} ({other}) four-wire;" in finding(after).lines[-1]
        # One of two is less sure than both together were, and that is said.
        assert (
            f"99 % is for part {other} alone. Before, > 99 % was for parts R5 and R6 "
            "together."
        ) in finding(after).lines


def test_a_bad_part_settles_it(found: Signal, product: ProductModel) -> None:
    """Both read, one as the range asks for and one good, leave one part of one reel."""
    bad_ohm = found.basis.possible_parts[1].ohm
    proofs = [read(found, product, f"{bad_ohm:.1f}"), read(found, product, "90.001k")]
    after = sharpen(found, proofs, product)
    assert (after.part, after.basis.possible_parts) == ("R6", ())
    assert after.implied_ohm == pytest.approx(bad_ohm)
    assert after.probability > 0.98


def test_two_good_parts_leave_neither(found: Signal, product: ProductModel) -> None:
    proofs = [read(found, product, "10.0003k"), read(found, product, "90.001k")]
    assert sharpen(found, proofs, product).cause is not Cause.REEL


def test_a_part_is_told_by_its_value_or_by_name(
    found: Signal, product: ProductModel
) -> None:
    assert read(found, product, "97.24k").subject == "R5 of PA-010"
    assert read(found, product, "9.724k", of="PA-012").subject == "R6 of PA-012"
    assert read(found, product, "9.724k", of="R6").subject == "R6 of PA-010"
    with pytest.raises(NoProofError, match=r"90000 ohm"):
        read(found, product, "9.724k", of="R5")
    with pytest.raises(NoProofError, match=r"say which part .* R5 \(90000 ohm\) or R6"):
        read(found, product, "1k")
    with pytest.raises(NoProofError, match=r"first those of R5, then those of R6"):
        read(found, product, "90.002k", "9.724k")


def test_parts_of_one_value_are_told_by_name_alone() -> None:
    product = product_with("R6 / (R5 + R6)", five_ohm=10_000.0)
    found = found_by(product)
    with pytest.raises(NoProofError, match="say which part was measured"):
        read(found, product, "10.0003k")
    after = sharpen(found, [read(found, product, "10.0003k", of="R6")], product)
    assert after.part == "R5"


def test_a_reel_that_was_seen_to_be_right_is_not_the_one(product: ProductModel) -> None:
    """R6 is of another reel from the first bad unit on; R5's fed ten good ones."""
    found = found_by(product, reel_of="R6")
    five, six = found.basis.possible_parts
    assert (five.reel, five.seen_right) == ("K-R5", True)
    assert (six.reel, six.seen_right) == ("K-900", False)
    said = narrowed(found, (), product)
    assert (said.part, said.reel, said.basis.possible_parts) == ("R6", "K-900", ())
    assert said.implied_ohm == pytest.approx(six.ohm)
    words = " ".join(finding(sharpen(found, (), product)).lines)
    assert "Most likely part R6 from reel K-900" in words
    assert "R5" not in words
    held = [one.subject for one in policy.from_signal(found, "why")]
    assert held == ["B-1", "K-900"]
    # Its parts are good all the same: then it is the other one, whatever was seen.
    loose = of_person(
        found, ProofKind.LOOSE_PARTS, ["10.0003k"], product,
        person="Ada", at=AT, subject="K-900",
    )  # fmt: skip
    assert loose.subject == "R6 of K-900"
    assert narrowed(found, [loose], product).part == "R5"


def test_a_reel_has_one_level_in_its_loose_parts_and_in_the_part_that_is_fitted(
    found: Signal, product: ProductModel
) -> None:
    """A good reel of another level reads off in both: that is no second witness."""
    small = replace(
        found, size_ppm=-700.0, low_ppm=-850.0, high_ppm=-550.0, probability=0.6,
        causes='{"reel": 0.6, "bench": 0.3, "unit": 0.1}',
    )  # fmt: skip
    fitted = read(small, product, "9.992k")

    def sure(reel: str) -> float:
        loose = of_person(
            small, ProofKind.LOOSE_PARTS, ["9.992k"], product,
            person="Ada", at=AT, subject=f"R6 of {reel}",
        )  # fmt: skip
        return probabilities(small, [fitted, loose], product)["reel"]

    assert sure("K-R6") < sure("K-R5") - 0.01
    assert sure("K-R5") == pytest.approx(sure("K-777"))


def test_the_reel_of_each_is_held_until_its_part_is_known_to_be_good(
    found: Signal, product: ProductModel, tmp_path: Path
) -> None:
    placed = policy.from_signal(found, "why")
    assert [(one.scope, one.subject) for one in placed] == [
        (Scope.BUILD, "B-1"),
        (Scope.REEL, "K-R5"),
        (Scope.REEL, "K-R6"),
    ]
    holds = [
        HoldState(
            **asdict(one), after_number=1, disposal=None, person=None, end_reason=None,
            ended_at=None, evidence=None, end_after_number=None,
        )
        for one in placed
    ]  # fmt: skip

    def offered(*proofs: Proof) -> dict[str, str]:
        after = [sharpen(found, proofs, product)]
        with LocalStore(tmp_path / "holdpoint.duckdb") as store:
            ends = offered_ends(store, found.product, holds, [found], after)
        return {key: one.sentence for key, one in ends.items()}

    assert offered() == {}
    ends = offered(read(found, product, "90.002k"))
    assert list(ends) == [f"{found.signal}:K-R5"]
    assert "it is now most likely reel K-R6 (" in ends[f"{found.signal}:K-R5"]


def test_what_settles_it_is_each_of_them(found: Signal, product: ProductModel) -> None:
    def to_do(*proofs: Proof) -> str:
        steps = checklist(found, proofs, product)
        return next(one.words for one in steps if one.kind is ProofKind.FOUR_WIRE)

    assert to_do() == "measure R5 and R6 of unit PA-010 four-wire, each"
    good = read(found, product, "90.001k")
    assert to_do(good) == "measure R6 of unit PA-010 four-wire"


def test_the_bench_reads_next_what_was_not_read(
    found: Signal, product: ProductModel
) -> None:
    def asked(*proofs: Proof, of: str | None = None) -> tuple[str, str | None]:
        usual = part_to_read(found, ProofKind.FOUR_WIRE, proofs, product)
        return part_and_subject(found, ProofKind.FOUR_WIRE, of, product, usual=usual)

    assert asked() == ("R5", "R5 of PA-010")
    assert asked(of="R6") == ("R6", "R6 of PA-010")
    assert asked(read(found, product, "90.001k")) == ("R6", "R6 of PA-010")


def test_what_units_tell_of_a_reel_holds_if_the_other_part_is_right() -> None:
    reel = Reel(reel="K-7", nominal_ohm=1e4, tolerance_ppm=1e3, received_at=AT)
    seen = SeenInUnits(
        part="R6", title="100 µA", deviations_ppm=(-9e3, -9.1e3, -8.9e3), beside=("R5",)
    )
    assert next(told_by_units(reel, seen)).endswith("on average, if R5 is as planned.")
