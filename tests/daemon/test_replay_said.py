"""What a plan that was tried on the past is said to come to."""

from daemon.holds.replay_said import KEPT_BY_HOLD, Tried
from daemon.holds.replayed import Checked, Replay


def tried(*, stopped: tuple[str, ...]) -> Tried:
    """Return a past of two builds; a check of five found a hold for one of them."""
    whole = Replay(measured=20, held={}, found=("PA-1",), stopped=(), left=())
    asked = Replay(measured=10, held={}, found=(), stopped=stopped, left=("PA-1",))
    return Tried(
        builds=2, units=20, first="B-1", last="B-2", outside=("PA-1",),
        checked=Checked(units=5), whole=whole, asked=(asked,),
    )  # fmt: skip


def test_what_no_hold_kept_back_has_no_row() -> None:
    none = [one["what"] for one in tried(stopped=()).rows(None)]
    assert KEPT_BY_HOLD not in none
    one = {row["what"]: row["asked"] for row in tried(stopped=("PA-9",)).rows(None)}
    assert one[KEPT_BY_HOLD] == "1"
    assert [*one] == [*none[:3], KEPT_BY_HOLD, *none[3:]]
