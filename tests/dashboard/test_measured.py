"""What the screens say of a unit as it was last measured."""

from pathlib import Path

from streamlit.testing.v1 import AppTest

from dashboard import measured
from storage.answers import LatestResult
from storage.local import LocalStore
from tests.daemon.checked_line import PRODUCT, Line, moved
from tests.daemon.test_beside import (
    at_two_levels,
    header,
    stored,
    with_further_levels,
)


def test_the_unit_s_screen_shows_ranges_and_checks_of_its_latest_run(
    tmp_path: Path,
) -> None:
    one = with_further_levels()
    with stored(one, tmp_path) as cycle:
        cycle.record(at_two_levels(one, 90.0), header("PA-1"), {})
        cycle.record(at_two_levels(one, -10.0), header("PA-2"), {})
        errors = cycle.store.rows(LatestResult, product=one.product.name)
        mine = [row for row in errors if row.serial == "PA-1"]
        lines = measured.said(cycle.store, cycle.product, mine)
    assert len(lines) == 8
    assert lines[0].endswith(": conforming.")
    assert lines[4] == (
        "linearity of 1uA 90 ppm (from -50 ppm to 50 ppm): nonconforming."
    )


def test_a_range_that_was_judged_again_says_how_it_was_judged_before(
    tmp_path: Path,
) -> None:
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        line = Line(store)
        line.check()
        line.unit(moved(50.0), serial="PA-1")
        line.check(moved(100.0))
        errors = store.rows(LatestResult, product=PRODUCT)
        (now, *_) = measured.said(store, line.cycle.product, errors)
        (before, *_) = measured.before(store, line.cycle.product, errors)
    assert "error +0.015 %" in now
    assert before == (
        "1 µA: error +0.020 % ± 0.027 % (k = 2): conforming. The bench had drifted by "
        "+0.005 %."
    )


def test_readings_that_come_to_rest_may_be_taken_along() -> None:
    """As every chart: their numbers as CSV, the drawing as SVG."""

    def page() -> None:
        from dashboard import at_rest  # noqa: PLC0415 -- runs as a page of its own
        from tests.daemon.making import demo_product  # noqa: PLC0415

        state = {
            "record": {"at_s": [0.0, 0.1, 0.2], "output": [0.89, 0.899, 0.9]},
            "range": "1uA", "serial": "PA-1", "level": 1, "levels": 3,
        }  # fmt: skip
        at_rest.show(state, demo_product())

    shown = AppTest.from_function(page).run(timeout=60)
    assert not shown.exception
    files = shown.get("download_button")
    assert [one.proto.label for one in files] == ["CSV", "SVG"]


def test_nothing_of_one_point_stands_under_the_words_of_the_next() -> None:
    """Each is drawn in another place than the one before, which is empty then."""

    def page() -> None:
        import streamlit as st  # noqa: PLC0415 -- runs as a page of its own

        from dashboard import at_rest  # noqa: PLC0415 -- runs as a page of its own
        from tests.daemon.making import demo_product  # noqa: PLC0415

        level, readings = st.session_state["read"]
        state = {
            "record": {"at_s": [0.1 * n for n in range(readings)],
                       "output": [0.9] * readings},
            "range": "1uA", "serial": "PA-1", "level": level, "levels": 3,
        }  # fmt: skip
        at_rest.show(state, demo_product())

    def filled(level: int, readings: int) -> list[bool]:
        app.session_state["read"] = level, readings
        app.run(timeout=60)
        assert not app.exception
        return [
            bool(getattr(one, "children", {})) for one in app.main.children.values()
        ]

    app = AppTest.from_function(page)
    first = filled(1, 3)
    assert sorted(first) == [False, True]
    assert filled(1, 5) == first
    assert filled(2, 2) == [False, False]
    assert filled(2, 3) == first[::-1]
    assert filled(3, 3) == first
