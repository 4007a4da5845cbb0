"""Where the time of the last unit went, beside what the model says it needs."""

from collections.abc import Sequence
from dataclasses import dataclass

from config import HoldpointError, Settings
from daemon.bench import Taken, learned, model, range_setups, spent
from daemon.judging import ProductModel
from storage import Store

__all__ = ["LastUnit", "NoBenchError", "PaceRow", "last_unit", "paces"]

USUAL_PAIR_S = 0.04
"""Two readings of one power-line cycle at 50 Hz, until readings have been seen."""


class NoBenchError(HoldpointError):
    """There is no bench whose time could go anywhere."""

    def __init__(self) -> None:
        super().__init__(
            "bench.toml is missing: readings are typed, and take as long as you do"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LastUnit:
    """The readings of one unit, range by range in the order of measuring."""

    serial: str
    ranges: Sequence[Taken]


@dataclass(frozen=True, slots=True, kw_only=True)
class PaceRow:
    """Seconds of one range, or of the whole unit."""

    range: str
    time_constant_s: float | None
    settling_s: float
    integrating_s: float
    best_s: float
    measured_s: float | None


def last_unit(store: Store, product: str) -> LastUnit | None:
    """Return the readings of the last unit that the bench measured, if any."""
    found = store.table("last_by_bench", product=product).to_pylist()
    if not found:
        return None
    (last,) = found
    taken = [
        Taken(
            range=str(one["range"]),
            level=[float(x) for x in one["level"]],
            output=[float(x) for x in one["output_readings"]],
            at_s=[float(x) for x in one["at_s"]],
        )
        for one in store.table("readings", run=str(last["run"])).to_pylist()
    ]
    taken = sorted((one for one in taken if len(one.at_s)), key=lambda o: o.at_s[0])
    return LastUnit(serial=str(last["serial"]), ranges=taken) if taken else None


def paces(settings: Settings, taken: LastUnit | None) -> list[PaceRow]:
    """Return a row a range, and one for the unit.

    Raises
    ------
    NoBenchError
        The settings have no bench.
    """
    if settings.bench is None:
        raise NoBenchError
    product = ProductModel.of(settings.product)
    setups = range_setups(
        settings.bench,
        settings.product,
        settings.plan.reading,
        {one.key: one.nominal_transfer for one in product.ranges},
    )
    by_range = {} if taken is None else {one.range: one for one in taken.ranges}
    seconds = {} if taken is None else spent(taken.ranges)
    rows = []
    for key, setup in setups.items():
        known = learned(by_range[key], setup) if key in by_range else {}
        best = model(
            setup,
            time_constant_s=setup.slowest_s,
            pair_s=known.get("pair_s") or USUAL_PAIR_S,
            **({"noise_ppm": known["noise_ppm"]} if known else {}),
        )
        rows.append(
            PaceRow(
                range=settings.product.ranges[key].title,
                time_constant_s=setup.slowest_s,
                settling_s=best.settling_s,
                integrating_s=best.integrating_s,
                best_s=best.total_s,
                measured_s=seconds.get(key),
            )
        )
    measured = [one.measured_s for one in rows if one.measured_s is not None]
    return [
        *rows,
        PaceRow(
            range="unit",
            time_constant_s=None,
            settling_s=sum(one.settling_s for one in rows),
            integrating_s=sum(one.integrating_s for one in rows),
            best_s=sum(one.best_s for one in rows),
            measured_s=sum(measured) if len(measured) == len(rows) else None,
        ),
    ]
