"""What more than one document says alike."""

from collections.abc import Mapping
from typing import Any

from daemon.holds import doubted
from daemon.presentation import plain
from storage import Store

Row = Mapping[str, Any]


def on(hold: Row) -> str:
    """Say on what a hold stands."""
    to = f" to {hold['to_serial']}" if hold["to_serial"] else ""
    return f"{hold['scope']} {hold['subject']}{to}"


def doubts_on(store: Store, product: str) -> dict[str, tuple[str, ...]]:
    """Return by serial why the bench is in doubt that measured it."""
    return doubted(
        plain(store.frame("latest_errors", product=product)),
        plain(store.frame("runs_in_doubt", product=product)),
    )
