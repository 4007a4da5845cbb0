"""A thousand findings over a channel that fails, through a process that is killed."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.daemon.alerts.killing import campaign, require_none_lost

FINDINGS = 1000
KILLS = 20


@pytest.mark.bench
def test_a_thousand_findings_are_delivered_over_twenty_kills(
    tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    """30 % of tries fail, the sender dies at once; none is lost, each has one id."""
    came_to = campaign(
        tmp_path / "holdpoint.duckdb", findings=FINDINGS, kills=KILLS, seed=20
    )
    arrived = came_to.arrived["chat"]
    wanted = {f"finding F{one}" for one in range(FINDINGS)}
    for name, figure in (
        ("findings", FINDINGS),
        ("kills with SIGKILL", came_to.kills),
        *((f"of them {one.value}", n) for one, n in came_to.moments.items()),
        ("tries refused", came_to.refused),
        ("arrived", len(arrived)),
        ("arrived more than once", came_to.again),
        ("given up", len(came_to.given_up)),
        ("alarms of these that arrived", len(came_to.arrived["bell"])),
        ("lost", len(wanted - came_to.given_up - set(arrived))),
    ):
        record_property(name, figure)
    require_none_lost(came_to, findings=FINDINGS, kills=KILLS)
