"""Alerts: who must hear of what, over which channel, and whether it got there."""
