"""The first page says how far a calibration is, beside the limit that serves."""

import pytest

from tests.daemon.test_calibrating import BEING_CALIBRATED, calibrating
from tests.dashboard.test_pages import opened, said

SERVES = "The threshold from which a finding is made is the general one"


@pytest.mark.usefixtures("held")
def test_the_first_page_says_how_far_a_calibration_is(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    calibrating(monkeypatch)
    words = said(opened())
    assert words.index(SERVES) < words.index(BEING_CALIBRATED)


@pytest.mark.usefixtures("held")
def test_without_a_calibration_the_first_page_says_nothing_of_one() -> None:
    words = said(opened())
    assert SERVES in words
    assert "being worked out" not in words


@pytest.mark.usefixtures("held")
def test_a_finding_says_by_which_limit_it_was_judged_below_what_to_do() -> None:
    words = said(opened())
    assert words.index("</h1>") < words.index(
        "The threshold from which a finding is made is the general one"
    )
