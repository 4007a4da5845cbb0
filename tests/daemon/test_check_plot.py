"""The chart of the check standard: what it shows follows from its rows."""

from datetime import timedelta
from typing import Any

import pandas as pd
import pytest

from config import KnownStandard
from daemon.presentation.plots import (
    check_frame,
    checks_in_words,
    checks_of_range,
)
from tests.daemon.making import AT

KNOWN = KnownStandard(
    serial="CS-1", error_ppm={"1uA": 150.0, "1mA": -120.0}, uncertainty_ppm=40.0
)


def nothing(configuration: str, serial: str) -> None:
    """Know nothing of another time."""
    del configuration, serial


def checks(*errors_ppm: float) -> pd.DataFrame:
    """Return rows of checks on one range, the last one nonconforming if far off."""
    return pd.DataFrame(
        [
            {
                "number": place,
                "serial": "CS-1",
                "configuration": "old" if place < 3 else "new",
                "session": "s" if place < 3 else "t",
                "started_at": AT + timedelta(hours=place),
                "range": "1uA",
                "error_ppm": error,
                "uncertainty_ppm": 30.0,
                "verdict": "conforming"
                if abs(error - 150.0) <= 100.0
                else "nonconforming",
            }
            for place, error in enumerate(errors_ppm, 1)
        ]
    )


def test_a_difference_is_from_the_known_error_and_may_go_as_far_as_both_allow() -> None:
    """2 sqrt(30^2 + 40^2) = 100."""
    frame = check_frame(checks(160.0, 400.0), KNOWN, nothing)
    assert frame["difference_ppm"].to_list() == [10.0, 250.0]
    assert frame["limit_ppm"].to_list() == pytest.approx([100.0, 100.0])
    assert frame["place"].to_list() == [1, 2]
    assert frame["meaning"].nunique() == 2


def marks_of(chart: dict[str, Any]) -> list[str]:
    """Return the kinds of marks in their order."""
    return [one["mark"]["type"] for one in chart["layer"]]


def test_its_own_band_comes_with_eight_good_checks() -> None:
    few = check_frame(checks(*(150.0 + n for n in range(7))), KNOWN, nothing)
    many = check_frame(checks(*(150.0 + n for n in range(8))), KNOWN, nothing)
    assert "rect" not in marks_of(checks_of_range(few, "1 µA").to_dict())
    assert marks_of(checks_of_range(many, "1 µA").to_dict())[0] == "rect"


def test_checks_are_joined_inside_a_session_alone() -> None:
    frame = check_frame(checks(150.0, 151.0, 149.0), KNOWN, nothing)
    (joined,) = [
        one
        for one in checks_of_range(frame, "1 µA").to_dict()["layer"]
        if one["encoding"].get("detail", {}).get("field") == "session"
    ]
    assert joined["mark"]["type"] == "line"


def test_one_check_alone_has_its_limits() -> None:
    chart = checks_of_range(
        check_frame(checks(160.0), KNOWN, nothing), "1 µA"
    ).to_dict()
    (limits,) = [one for one in chart["layer"] if one["mark"]["type"] == "rule"]
    drawn = chart["datasets"][limits["data"]["name"]]
    assert [one["bound"] for one in drawn] == pytest.approx([100.0, -100.0])
    assert all((one["left"], one["right"]) == (0.5, 1.5) for one in drawn)


def test_every_check_and_both_limits_are_inside_the_picture() -> None:
    """350 ppm above what is known, and 250 ppm below it; each may be 100 ppm off."""
    frame = check_frame(checks(150.0, 500.0, -100.0), KNOWN, nothing)
    layers = checks_of_range(frame, "1 µA").to_dict()["layer"]
    domains = [
        one["encoding"]["y"]["scale"]["domain"]
        for one in layers
        if "scale" in one["encoding"].get("y", {})
    ]
    assert domains
    for low, high in domains:
        assert low < -250.0 < 350.0 < high


def test_a_value_assigned_anew_is_a_step_with_its_reason() -> None:
    """Each check by the value of its time: 300 - 150, then 300 - 290."""
    before = KNOWN.model_copy(update={"error_ppm": {"1uA": 150.0}})
    now = KNOWN.model_copy(update={"error_ppm": {"1uA": 290.0}})

    def then(configuration: str, serial: str) -> KnownStandard | None:
        assert serial == "CS-1"
        return {"old": before, "new": now}[configuration]

    frame = check_frame(checks(300.0, 300.0, 300.0), now, then)
    assert frame["difference_ppm"].to_list() == [150.0, 150.0, 10.0]
    steps = [(AT + timedelta(hours=2.5), "CS-1: known error. Calibrated anew.")]
    chart = checks_of_range(frame, "1 \u00b5A", steps=steps).to_dict()
    rows = [row for one in chart["datasets"].values() for row in one]
    assert {"place": 2.5, "text": steps[0][1]} in rows
    assert steps[0][1] in checks_in_words(frame, "1 \u00b5A", steps)
