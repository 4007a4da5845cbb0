"""Whose latest results no good check stands behind; such a unit stays like a held one.

A run in doubt that was measured again since keeps nobody: what counts is the latest
result of each range, as at the packing desk.
"""

from collections.abc import Iterable, Mapping
from typing import Any

Row = Mapping[str, Any]


def doubted(
    latest: Iterable[Row], runs_in_doubt: Iterable[Row]
) -> dict[str, tuple[str, ...]]:
    """Return by serial every reason for which its latest results are in doubt.

    Parameters
    ----------
    latest
        Rows of the query `latest_errors`.
    runs_in_doubt
        Rows of the query of this name.

    Examples
    --------
    >>> latest = [{"serial": "PA-1", "number": 7}, {"serial": "PA-2", "number": 9}]
    >>> runs = [{"serial": "PA-1", "number": 7, "reason": "its check read wrong"},
    ...         {"serial": "PA-2", "number": 8, "reason": "its check read wrong"}]
    >>> doubted(latest, runs)
    {'PA-1': ('its check read wrong',)}
    """
    counting = {(one["serial"], one["number"]) for one in latest}
    found: dict[str, dict[str, None]] = {}
    for one in runs_in_doubt:
        if (one["serial"], one["number"]) in counting:
            found.setdefault(one["serial"], {})[one["reason"].rstrip(".")] = None
    return {serial: tuple(reasons) for serial, reasons in found.items()}


def by_reason(
    doubts: Mapping[str, tuple[str, ...]], serials: Iterable[str]
) -> dict[str, list[str]]:
    """Return each reason with those of the serials that it keeps.

    >>> by_reason({"PA-1": ("its check read wrong",)}, ["PA-1", "PA-2"])
    {'its check read wrong': ['PA-1']}
    """
    kept: dict[str, list[str]] = {}
    for serial in serials:
        for reason in doubts.get(serial, ()):
            kept.setdefault(reason, []).append(serial)
    return kept
