"""A sender that is really killed, in small; the thousand findings are of the bench."""

from pathlib import Path

from tests.daemon.alerts.killing import campaign, require_none_lost

FINDINGS = 20
KILLS = 2


def test_no_message_is_lost_when_its_sender_is_killed(tmp_path: Path) -> None:
    """Each arrives under its id, or is given up and the other channel hears of it."""
    came_to = campaign(
        tmp_path / "holdpoint.duckdb", findings=FINDINGS, kills=KILLS, seed=6
    )
    require_none_lost(came_to, findings=FINDINGS, kills=KILLS)
