"""Frames of the Store back to records, where a record is what the code wants."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from daemon.presentation.sentences import why_held
from storage import NotFoundError, Reel, Signal, Store

if TYPE_CHECKING:
    import pandas as pd  # slow to load


JUDGED = ("error_ppm", "uncertainty_ppm", "verdict", "conformance_probability")
"""Columns of a range's row that a check may judge again."""


def _plain(value: Any) -> Any:
    import pandas as pd  # noqa: PLC0415 -- slow to load

    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    return None if pd.isna(value) else value


def plain(frame: "pd.DataFrame") -> tuple[dict[str, Any], ...]:
    """Return rows with None for what is missing and times as times."""
    return tuple(
        {str(key): _plain(value) for key, value in one.items()}
        for one in frame.to_dict("records")
    )


def holds_of(store: Store, product: str) -> tuple[dict[str, Any], ...]:
    """Return rows of the query `holds`, each with `why` in its finding's present words.

    The `reason` is what was known when it was placed.
    """
    found = {one.signal: one for one in store.rows(Signal, "signals", product=product)}
    return tuple(
        {**one, "why": why_held(one, found.get(one["signal"]))}
        for one in plain(store.frame("holds", product=product))
    )


def judged_last(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row of the query `unit_runs` as it was judged last.

    The judgement of the check that closed the run counts where there is one.
    """
    if row["again_number"] is None:
        return dict(row)
    again = {name: row[f"again_{name}"] for name in JUDGED}
    return {**row, **again}


def reel_of(store: Store, name: str) -> Reel:
    """Return a reel.

    Raises
    ------
    storage.errors.NotFoundError
        None of this name is recorded.
    """
    for one in plain(store.frame("reel")):
        if one["reel"] == name:
            return reel_in(one)
    raise NotFoundError(kind="reel", key=name)


def reel_in(row: Mapping[Any, Any]) -> Reel:
    """Return a row of the query `reels` as a record."""
    return Reel(
        reel=str(row["reel"]),
        nominal_ohm=float(row["nominal_ohm"]),
        tolerance_ppm=float(row["tolerance_ppm"]),
        received_at=row["received_at"],
        supplier=row["supplier"],
        lot_code=row["lot_code"],
    )
