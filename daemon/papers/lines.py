"""What more than one document says alike."""

from collections.abc import Mapping
from typing import Any

Row = Mapping[str, Any]


def on(hold: Row) -> str:
    """Say on what a hold stands."""
    to = f" to {hold['to_serial']}" if hold["to_serial"] else ""
    return f"{hold['scope']} {hold['subject']}{to}"
