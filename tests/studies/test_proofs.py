"""What a measurement is promised to do to a finding is what it does, on the mean."""

from dataclasses import replace

import pytest

from storage import ProofKind, Signal
from tests.daemon.test_parts_alike import found_by, product_with
from tests.daemon.test_proving import PRODUCT, UNSURE
from tests.studies.proofs import CHAINS, promised, table

ALLOWED = 0.02
SHARES = '{"bench": 0.4, "reel": 0.45, "unit": 0.15}'


def finding(size_ppm: float, found: Signal = UNSURE) -> Signal:
    """Return an unsure finding of that size."""
    return replace(
        found, size_ppm=size_ppm, low_ppm=size_ppm - 150.0, high_ppm=size_ppm + 150.0,
        causes=SHARES, probability=0.45,
    )  # fmt: skip


def test_the_same_seed_draws_the_same_readings() -> None:
    kind = ProofKind.FOUR_WIRE.value
    few, again, more = (
        promised(finding(900.0), PRODUCT, kind, n, 1) for n in (3, 3, 5)
    )
    assert few == again
    assert more[0].reached[:3] == few[0].reached
    assert table(few).count(f"| {kind} |") == len(CHAINS[kind])


def test_the_same_means_again_promise_and_reach_little_more() -> None:
    first, *_, last = promised(
        finding(900.0), PRODUCT, ProofKind.SECOND_METER.value, 30, 2
    )
    assert abs(last.difference) < ALLOWED + 3 * last.standard_error
    assert last.promised[0] < 1.0
    assert max(last.promised) - max(first.reached) < ALLOWED


@pytest.mark.bench
def test_what_is_promised_is_reached_whatever_is_measured() -> None:
    """Small findings and large ones, one part and one of several."""
    several = product_with("R6 / (R5 + R6)")
    found = []
    for signal, product in (
        (finding(900.0), PRODUCT),
        (finding(500.0), PRODUCT),
        (finding(-700.0, found_by(several)), several),
    ):
        found += [
            one for chain in CHAINS for one in promised(signal, product, chain, 300, 1)
        ]
    print(table(found))  # noqa: T201
    off = [
        one for one in found if abs(one.difference) > ALLOWED + 3 * one.standard_error
    ]
    assert off == []
