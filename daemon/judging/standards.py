"""Check standards: their values in force, and those of the time of a run.

The bench file gives the values that a standard was taken up with. From then on the
record has them: a named person assigns them anew, with a reason. A file that somebody
changed later is said, and nothing of it counts before that. The settings that a run is
judged by hold the values in force, and are kept with it: so each run tells the values
of its time, whatever was assigned since.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, TypeVar

from config import KnownStandard, Settings
from storage import Configuration, StandardValue, Store, plain_rows

__all__ = [
    "InForce",
    "StandardsThen",
    "WrittenOtherwise",
    "in_force",
    "values_of",
]

S = TypeVar("S", bound=KnownStandard)
VALUES = ("error_ppm", "uncertainty_ppm")
OF_A_STANDARD = (
    "serial", *VALUES, "certificate", "calibrated_at", "calibration_due",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenOtherwise:
    """A standard of which the bench file says something else than is in force."""

    written: KnownStandard
    in_force: KnownStandard


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """Settings with the values of check standards that are in force.

    `otherwise` names standards of which somebody has changed the file.
    """

    settings: Settings
    otherwise: tuple[WrittenOtherwise, ...] = ()


@dataclass(frozen=True, slots=True)
class StandardsThen:
    """The check standards of the settings that runs were judged by.

    Parameters
    ----------
    store
        Where settings are kept with their hash.
    """

    store: Store
    _known: dict[str, dict[str, KnownStandard]] = field(default_factory=dict)

    def of(self, configuration: str, serial: str) -> KnownStandard | None:
        """Return what was known of a standard; None where it was not named then."""
        if configuration not in self._known:
            self._known[configuration] = _kept_in(self.store, configuration)
        return self._known[configuration].get(serial)


def in_force(settings: Settings, store: Store) -> InForce:
    """Return settings as the bench file and the record say together.

    Parameters
    ----------
    settings
        As they are written.

    Raises
    ------
    storage.errors.StorageError
        The record cannot be read.
    """
    bench = settings.bench
    if bench is None or bench.check_standard is None:
        return InForce(settings=settings)
    name = settings.product.name
    assigned = {
        one.serial: one for one in store.rows(StandardValue, product=name)
    }  # the last of each
    used = _last_used(store, name)
    otherwise: list[WrittenOtherwise] = []

    def now(one: S) -> S:
        row, before = assigned.get(one.serial), used.get(one.serial)
        if row is not None:
            found = _with(one, json.loads(row.error_ppm), row.uncertainty_ppm)
            found = _certified(found, row)
            explained = _alike(values_of(one), json.loads(row.written))
        elif before is not None:
            found = _with(one, before.error_ppm, before.uncertainty_ppm)
            explained = False
        else:
            return one
        if not explained and values_of(one) != values_of(found):
            otherwise.append(WrittenOtherwise(written=one, in_force=found))
        return found

    changed = {
        "check_standard": now(bench.check_standard),
        "further_standards": tuple(map(now, bench.further_standards)),
    }
    if all(getattr(bench, key) == value for key, value in changed.items()):
        return InForce(settings=settings, otherwise=tuple(otherwise))
    return InForce(
        settings=settings.model_copy(
            update={"bench": bench.model_copy(update=changed)}
        ),
        otherwise=tuple(otherwise),
    )


def values_of(standard: KnownStandard) -> dict[str, Any]:
    """Return the values of a standard as they are kept: errors and uncertainty, ppm."""
    return {
        "error_ppm": dict(standard.error_ppm),
        "uncertainty_ppm": standard.uncertainty_ppm,
    }


def _with(standard: S, error_ppm: Mapping[str, float], uncertainty_ppm: float) -> S:
    """Return a standard with other values; of a new range as they are written."""
    return standard.model_copy(
        update={
            "error_ppm": {
                key: error_ppm.get(key, written)
                for key, written in standard.error_ppm.items()
            },
            "uncertainty_ppm": uncertainty_ppm,
        }
    )


def _certified(standard: S, row: StandardValue) -> S:
    """Return it with the certificate that is newer: as written, or as assigned."""
    done = None if row.calibrated_at is None else date.fromisoformat(row.calibrated_at)
    written = standard.calibrated_at
    if written is not None and (done is None or done < written):
        return standard
    due = row.calibration_due
    return standard.model_copy(
        update={
            "certificate": row.certificate,
            "calibrated_at": done,
            "calibration_due": None if due is None else date.fromisoformat(due),
        }
    )


def _alike(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two say the same on the ranges that both have."""
    mine, theirs = one["error_ppm"], other["error_ppm"]
    return one["uncertainty_ppm"] == other["uncertainty_ppm"] and all(
        mine[key] == theirs[key] for key in mine.keys() & theirs.keys()
    )


def _last_used(store: Store, product: str) -> dict[str, KnownStandard]:
    """Return the standards by which a check was judged last."""
    for one in plain_rows(store.table("standards_used", product=product)):
        return _kept_in(store, str(one["configuration"]))
    return {}


def _kept_in(store: Store, configuration: str) -> dict[str, KnownStandard]:
    """Return the check standards of settings that were kept, by serial."""
    return {
        standard.serial: standard
        for one in store.rows(Configuration, configuration=configuration)
        for standard in _standards(json.loads(one.body).get("bench") or {})
    }


def _standards(bench: Mapping[str, Any]) -> Iterator[KnownStandard]:
    told = [bench.get("check_standard"), *(bench.get("further_standards") or ())]
    for one in told:
        if one is not None:
            mine = {key: one[key] for key in OF_A_STANDARD if key in one}
            yield KnownStandard.model_validate_json(json.dumps(mine))
