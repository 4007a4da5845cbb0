"""Two standards that disagree: a standard; both moved alike: the bench."""

import numpy as np
import pytest

from daemon.metrology import Mover, StandardSeen, WhoseDrift, whose_drift
from daemon.metrology.errors import MetrologyError


def read(serial: str, ppm: float, *, own: float = 5.0) -> StandardSeen:
    """Return a standard known to 20 ppm, read by a bench good to 60 ppm (k = 1)."""
    return StandardSeen(
        serial=serial,
        difference_ppm=ppm,
        known_uncertainty_ppm=20.0,
        uncertainty_ppm=60.0,
        own_ppm=own,
    )


def told(*ppm: float) -> WhoseDrift:
    """Return what standards CS-1, CS-2 ... that read so far off tell."""
    return whose_drift([read(f"CS-{n}", one) for n, one in enumerate(ppm, 1)])


@pytest.mark.parametrize(
    ("ppm", "mover", "serial"),
    [
        # By hand: one may be 2 hypot(60, 20) = 126.5 off, two 2 hypot(20, 20, 5, 5)
        # = 58.3 apart.
        ((126.0, 69.0), Mover.NOTHING, None),
        ((127.0, 69.0), Mover.BENCH, None),
        ((-150.0, -170.0), Mover.BENCH, None),
        ((127.0, 68.0), Mover.STANDARD, "CS-1"),
        ((0.0, -500.0), Mover.STANDARD, "CS-2"),
        ((40.0, -40.0), Mover.NOT_TOLD, None),
        ((200.0, -200.0), Mover.NOT_TOLD, None),
        ((10.0, -10.0, 90.0), Mover.STANDARD, "CS-3"),
        ((200.0, 210.0, 0.0), Mover.NOT_TOLD, None),
        ((300.0, 310.0, 290.0), Mover.BENCH, None),
    ],
)
def test_who_has_moved(
    ppm: tuple[float, ...], mover: Mover, serial: str | None
) -> None:
    assert told(*ppm) == WhoseDrift(mover=mover, serial=serial)


def test_it_is_told_at_the_stated_uncertainties_as_often_as_they_say() -> None:
    """Nothing has moved: some 5 % of pairs disagree, and few blame a standard."""
    chance = np.random.default_rng(15)
    bench = chance.normal(0.0, np.sqrt(60.0**2 - 5.0**2), 4000)
    each = bench[:, None] + np.hypot(20.0, 5.0) * chance.normal(size=(4000, 2))
    found = [told(*map(float, pair)).mover for pair in each]
    apart = sum(one in {Mover.STANDARD, Mover.NOT_TOLD} for one in found) / 4000
    # JCGM 100:2008, G.1.3: k = 2 leaves 4.6 % outside; 3 standard errors about it.
    assert apart == pytest.approx(0.0455, abs=0.01)
    assert found.count(Mover.STANDARD) < 0.02 * 4000


def test_a_moved_bench_is_not_blamed_on_a_standard() -> None:
    chance = np.random.default_rng(16)
    each = 400.0 + np.hypot(20.0, 5.0) * chance.normal(size=(2000, 2))
    found = [told(*map(float, pair)).mover for pair in each]
    assert found.count(Mover.BENCH) > 0.93 * 2000
    assert found.count(Mover.STANDARD) == 0


@pytest.mark.parametrize(
    "seen",
    [
        [read("CS-1", 0.0)],
        [read("CS-1", 0.0), read("CS-1", 1.0)],
        [read("CS-1", 0.0), read("CS-2", float("nan"))],
        [read("CS-1", 0.0), read("CS-2", 0.0, own=-1.0)],
    ],
)
def test_what_cannot_be_told_is_refused(seen: list[StandardSeen]) -> None:
    with pytest.raises(MetrologyError):
        whose_drift(seen)
