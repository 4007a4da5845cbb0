"""Frames of the Store back to records, where a record is what the code wants."""

from dataclasses import fields
from typing import Any

import pandas as pd

from storage.records import Cause, Signal
from storage.store import Store


def signals_of(store: Store, product: str) -> list[Signal]:
    """Return the latest revision of each finding on a product, oldest first."""
    return as_signals(store.frame("signals", product=product))


def as_signals(frame: pd.DataFrame) -> list[Signal]:
    """Return rows of the query `signals` as records."""
    names = [one.name for one in fields(Signal)]
    signals = []
    for one in frame.to_dict("records"):
        values: dict[str, Any] = {name: _plain(one[name]) for name in names}
        values["cause"] = Cause(values["cause"])
        signals.append(Signal(**values))
    return signals


def _plain(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    return None if pd.isna(value) else value
