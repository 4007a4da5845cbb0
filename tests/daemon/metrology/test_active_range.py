"""Which range is active, and what is wrong with unit or leads."""

from math import nan

import pytest
from hypothesis import given, strategies as st

from daemon.metrology.active_range import Look, Pair, Seen, active_range
from daemon.metrology.errors import ArgumentError

TRANSFERS = {"1uA": 1e6, "10uA": 1e5, "100uA": 1e4, "1mA": 1e3}
LEVEL = 0.8e-6


def look(
    transfer: float,
    *,
    offset_v: float = 0.0,
    flows: float = 1.0,
    rail_v: float = 1.5,
    transfers: dict[str, float] | None = None,
) -> Look:
    """Return what a probe of a linear unit shows, its output held by a rail."""

    def pair(level: float) -> Pair:
        into = flows * level
        out_of = min(max(offset_v + transfer * into, -rail_v), rail_v)
        return Pair(reference=into, output=out_of)

    return active_range(
        pair(0.0),
        pair(LEVEL / 2),
        pair(LEVEL),
        level=LEVEL,
        transfers=transfers or TRANSFERS,
    )


@given(
    key=st.sampled_from(list(TRANSFERS)),
    error=st.floats(-0.3, 0.3),
    offset_v=st.floats(-0.02, 0.02),
)
def test_every_range_is_recognised_despite_error_and_offset(
    key: str, error: float, offset_v: float
) -> None:
    found = look(TRANSFERS[key] * (1 + error), offset_v=offset_v)
    assert (found.seen, found.range) == (Seen.RANGE, key)


@pytest.mark.parametrize(
    ("found", "seen"),
    [
        (look(1e5, flows=0.001), Seen.OPEN),
        (look(1e5, flows=-1.0), Seen.REFERENCE_REVERSED),
        (look(-1e5), Seen.REVERSED),
        (look(1.0), Seen.DEAD),
        (look(0.0, offset_v=-1.4), Seen.STUCK),
        (look(1e6, rail_v=0.5), Seen.LIMITED),
        (look(3.1e5), Seen.UNKNOWN),
        (look(3e6, rail_v=10.0), Seen.UNKNOWN),
    ],
)
def test_what_is_wrong_is_named(found: Look, seen: Seen) -> None:
    assert found.seen is seen


def test_a_part_of_the_wrong_decade_looks_like_another_range() -> None:
    """The 100 uA range with a tenfold resistor."""
    assert look(1e5).range == "10uA"


def test_an_inverting_product_is_not_reversed() -> None:
    inverting = {key: -one for key, one in TRANSFERS.items()}
    assert look(-1e4, transfers=inverting).range == "100uA"
    assert look(1e4, transfers=inverting).seen is Seen.REVERSED


@given(scale=st.floats(1e-3, 1e3))
def test_scaling_level_and_output_together_changes_nothing(scale: float) -> None:
    def pair(share: float) -> Pair:
        return Pair(reference=scale * share * LEVEL, output=1e4 * scale * share * LEVEL)

    found = active_range(
        pair(0.0), pair(0.5), pair(1.0), level=scale * LEVEL, transfers=TRANSFERS
    )
    assert found.range == "100uA"


def test_what_is_no_measurement_is_refused() -> None:
    still = Pair(reference=0.0, output=0.0)
    with pytest.raises(ArgumentError, match="half_output"):
        active_range(
            still,
            Pair(reference=0.0, output=nan),
            still,
            level=LEVEL,
            transfers=TRANSFERS,
        )
    with pytest.raises(ArgumentError, match="level"):
        active_range(still, still, still, level=0.0, transfers=TRANSFERS)
    with pytest.raises(ArgumentError, match="transfer of x"):
        active_range(still, still, still, level=LEVEL, transfers={"x": 0.0})


def test_a_product_without_a_range_is_refused() -> None:
    still = Pair(reference=0.0, output=0.0)
    with pytest.raises(ArgumentError, match="number of transfers = 0: must be >= 1"):
        active_range(still, still, still, level=1.0, transfers={})
