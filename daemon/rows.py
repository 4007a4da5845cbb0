"""Frames of the Store back to records, where a record is what the code wants."""

from collections.abc import Mapping
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from daemon.words import why_held
from storage.errors import NotFoundError
from storage.records import Cause, Proof, ProofKind, Signal
from storage.store import Store

if TYPE_CHECKING:
    import pandas as pd  # slow to load


JUDGED = ("error_ppm", "uncertainty_ppm", "verdict", "conformance_probability")
"""Columns of a range's row that a check may judge again."""


def signals_of(store: Store, product: str) -> list[Signal]:
    """Return the latest revision of each finding on a product, oldest first."""
    return as_signals(store.frame("signals", product=product))


def finding_of(store: Store, product: str, name: str) -> Signal:
    """Return the latest revision of one finding on a product.

    Raises
    ------
    storage.errors.NotFoundError
        There is none of this name.
    """
    for one in signals_of(store, product):
        if one.signal == name:
            return one
    raise NotFoundError(kind="finding", key=name)


def warnings_of(store: Store, product: str) -> list[Signal]:
    """Return what charts warned of on a product, oldest first."""
    return as_signals(store.frame("signal", cause="chart", product=product))


def as_signals(frame: "pd.DataFrame") -> list[Signal]:
    """Return rows of the queries `signals` and `warnings` as records."""
    names = [one.name for one in fields(Signal)]
    signals = []
    for one in frame.to_dict("records"):
        values: dict[str, Any] = {name: _plain(one[name]) for name in names}
        values["cause"] = Cause(values["cause"])
        signals.append(Signal(**values))
    return signals


def proofs_of(store: Store, product: str) -> list[Proof]:
    """Return all measurements made to settle findings on a product, oldest first."""
    return as_proofs(store.frame("proofs", product=product))


def proofs_on(store: Store, signal: Signal) -> list[Proof]:
    """Return the measurements that help to settle one finding, oldest first."""
    found = proofs_of(store, signal.product)
    return [one for one in found if one.signal == signal.signal]


def as_proofs(frame: "pd.DataFrame") -> list[Proof]:
    """Return rows of the query `proofs` as records."""
    proofs = []
    for one in frame.to_dict("records"):
        values: dict[str, Any] = {
            field.name: _plain(one[field.name])
            for field in fields(Proof)
            if field.name != "readings"
        }
        values["readings"] = tuple(float(x) for x in one["readings"])
        values["kind"] = ProofKind(values["kind"])
        proofs.append(Proof(**values))
    return proofs


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
    found = {one.signal: one for one in signals_of(store, product)}
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
