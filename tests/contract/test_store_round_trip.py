"""Whatever a row may hold comes back as it went in."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import count
from typing import Any

from hypothesis import HealthCheck, given, settings, strategies as st

from storage.records import RangeResult, Reel, Run, RunKind, Verdict
from storage.store import Store
from tests.storage.samples import run

# Text that a database may keep: no NUL, no half of a surrogate pair.
TEXT = st.text(
    st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), max_size=20
)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
TIMES = st.datetimes(
    min_value=datetime(1, 1, 2),  # noqa: DTZ001 - hypothesis adds the zone
    max_value=datetime(9999, 12, 30),  # noqa: DTZ001
    timezones=st.timezones() | st.just(UTC),
)
IDS = count()

# The store outlives the examples on purpose: ids are never used twice.
EXAMPLES = settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)


@st.composite
def measured(draw: st.DrawFn) -> tuple[Run, RangeResult]:
    """Draw a check standard's run of one range."""
    number = next(IDS)
    started_at, finished_at = sorted((draw(TIMES), draw(TIMES)))
    one = replace(
        run(0, kind=RunKind.CHECK, build=None),
        run=f"run {number} {draw(TEXT)}",
        serial=draw(TEXT),
        origin=draw(TEXT),
        started_at=started_at,
        finished_at=finished_at,
        ambient_c=draw(st.none() | FINITE),
        note=draw(st.none() | TEXT),
    )
    readings = draw(st.integers(0, 4))
    lists = [
        tuple(draw(st.lists(FINITE, min_size=readings, max_size=readings)))
        for _ in range(4)
    ]
    result = RangeResult(
        run=one.run,
        range=draw(TEXT),
        reference=draw(FINITE),
        indicated=draw(FINITE),
        error_ppm=draw(FINITE),
        offset_ppm=draw(FINITE),
        uncertainty_ppm=draw(FINITE),
        limit_ppm=draw(FINITE),
        verdict=draw(st.sampled_from(Verdict)),
        conformance_probability=draw(st.none() | FINITE),
        level=lists[0],
        reference_readings=lists[1],
        output_readings=lists[2],
        at_s=lists[3],
        own_uncertainty_ppm=draw(st.none() | FINITE),
    )
    return one, result


def agree(kept: dict[str, Any], row: object, names: str) -> None:
    """Assert that the named columns say what the row said."""
    for name in names.split():
        said = getattr(row, name)
        if isinstance(said, datetime):
            # A repeated hour of two zones never compares equal, though it is one time.
            said = said.astimezone(UTC)
        assert kept[name] == (list(said) if isinstance(said, tuple) else said)


@EXAMPLES
@given(pair=measured())
def test_a_run_comes_back_as_it_went_in(
    shared: Store, pair: tuple[Run, RangeResult]
) -> None:
    one, result = pair
    number = shared.record_run(one, [result])
    assert shared.record_run(one, [result]) == number
    (kept,) = shared.table(
        "range_rows", product="photoamp", after=number - 1, kind="check"
    ).to_pylist()
    agree(
        kept, one, "run kind serial build session started_at origin rerun_of ambient_c"
    )
    agree(
        kept,
        result,
        "range reference indicated error_ppm offset_ppm uncertainty_ppm limit_ppm "
        "verdict conformance_probability own_uncertainty_ppm",
    )
    (lists,) = shared.table("readings", run=one.run).to_pylist()
    agree(lists, result, "level reference_readings output_readings at_s")


@EXAMPLES
@given(
    nominal_ohm=FINITE,
    tolerance_ppm=FINITE,
    received_at=TIMES,
    supplier=st.none() | TEXT,
    lot_code=st.none() | TEXT,
)
def test_a_reel_comes_back_as_it_went_in(
    shared: Store,
    nominal_ohm: float,
    tolerance_ppm: float,
    received_at: datetime,
    supplier: str | None,
    lot_code: str | None,
) -> None:
    reel = Reel(
        reel=f"reel {next(IDS)}",
        nominal_ohm=nominal_ohm,
        tolerance_ppm=tolerance_ppm,
        received_at=received_at,
        supplier=supplier,
        lot_code=lot_code,
    )
    shared.keep(reel)
    shared.keep(reel)
    kept = {row["reel"]: row for row in shared.table("reel").to_pylist()}[reel.reel]
    agree(kept, reel, "reel nominal_ohm tolerance_ppm received_at supplier lot_code")
