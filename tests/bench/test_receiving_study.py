"""Reels at receiving: how many bad ones are rejected and how many good ones are not.

Whole reels are drawn, five parts of each are read by a meter that is off by a constant
within its limits and scatters, and typed as a person types them. The short form runs
always, two thousand reels of each kind with `-m bench`.
"""

from collections import Counter
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from daemon.holds import loose_parts
from daemon.spc import Receipt
from storage import Reel
from tests.daemon.making import AT

NOMINAL_OHM, CLAIM_PPM = 5_000.0, 1_000.0
PARTS = 5
METER = "0.02 %"
METER_PPM, SCATTER_PPM = 200.0, 30.0
LEAST_REJECTED, MOST_LOST = 0.95, 0.01

Draw = Callable[[np.random.Generator, float], np.ndarray]
"""Draws five parts of a reel of a class: from nominal, ppm."""


def cut(draw: Callable[[], np.ndarray], limit_ppm: float) -> np.ndarray:
    """Return five parts within the limit, as a maker sorts them."""
    kept = np.empty(0)
    while kept.size < PARTS:
        more = draw()
        kept = np.concatenate([kept, more[abs(more) < limit_ppm]])
    return kept[:PARTS]


def filled(chance: np.random.Generator, limit_ppm: float) -> np.ndarray:
    """Draw normal parts, a third of the limit their standard deviation."""
    return cut(lambda: chance.normal(0.0, limit_ppm / 3, 20), limit_ppm)


def uniform(chance: np.random.Generator, limit_ppm: float) -> np.ndarray:
    """Draw parts that lie anywhere within the limit."""
    return chance.uniform(-limit_ppm, limit_ppm, PARTS)


def narrow(mean_share: float, spread_share: float) -> Draw:
    """Return reels that lie somewhere in their class, parts close together."""

    def draw(chance: np.random.Generator, limit_ppm: float) -> np.ndarray:
        while True:
            mean = chance.normal(0.0, mean_share * limit_ppm)
            if abs(mean) < limit_ppm:
                break
        sigma = spread_share * limit_ppm
        return cut(lambda: mean + chance.normal(0.0, sigma, 40), limit_ppm)

    return draw


KINDS: dict[str, Draw] = {
    "parts fill the class, normal": filled,
    "parts fill the class, uniform": uniform,
    "reels 35 % about, parts 10 %": narrow(0.35, 0.10),
    "reels 20 % about, parts 10 %": narrow(0.20, 0.10),
    "reels 20 % about, parts 20 %": narrow(0.20, 0.20),
}
FILLING = list(KINDS)[:2]


def study(
    reels: int, seed: int, class_ppm: float
) -> Iterator[tuple[str, Counter[str]]]:
    """Return what became of so many reels of each kind, sold as the claim."""
    label = Reel(
        reel="K-1", nominal_ohm=NOMINAL_OHM, tolerance_ppm=CLAIM_PPM, received_at=AT
    )
    how = loose_parts.As(meter=METER)
    for kind, draw in KINDS.items():
        chance = np.random.default_rng(seed)
        found: Counter[str] = Counter()
        for _ in range(reels):
            true_ppm = draw(chance, class_ppm)
            read_ppm = (
                true_ppm
                + chance.uniform(-METER_PPM, METER_PPM)
                + chance.normal(0.0, SCATTER_PPM, PARTS)
            )
            texts = [f"{NOMINAL_OHM * (1 + 1e-6 * one) / 1e3:.6f}k" for one in read_ppm]
            measured = loose_parts.measured(label, texts, how)
            check = loose_parts.checked(label, measured, how=how, person="Ada", at=AT)
            became = loose_parts.received(label, [check], wanted=PARTS)
            found[became.receipt.value] += 1
        yield kind, found


def judged(reels: int) -> None:
    """Print the table, and hold it against what must be reached."""
    lines = [
        f"\nfive parts of {reels} reels of each kind, sold as 0.1 %, meter {METER}"
    ]
    for name, class_ppm in (("1 %", 10_000.0), ("0.1 %", CLAIM_PPM)):
        for kind, found in study(reels, 15, class_ppm):
            shares = {one: found[one.value] / reels for one in Receipt}
            lines.append(
                f"{name:6}{kind:32}"
                + "".join(
                    f"{one.value} {share:7.2%}  " for one, share in shares.items()
                )
            )
            if name == "1 %" and kind in FILLING:
                assert shares[Receipt.REJECTED] >= LEAST_REJECTED, kind
            if name == "0.1 %":
                assert shares[Receipt.REJECTED] <= MOST_LOST, kind
    print("\n".join(lines))  # noqa: T201


def test_one_percent_parts_sold_as_a_tenth_are_rejected_and_good_ones_are_not() -> None:
    judged(200)


@pytest.mark.bench
def test_two_thousand_reels_of_each_kind() -> None:
    judged(2000)
