"""Whether a bench is still the one that a gauge study was made on."""

import json
from collections.abc import Sequence
from hashlib import sha256

from config import Bench
from storage import GaugeStudy


def bench_name(bench: Bench | None) -> str | None:
    """Return a name of a bench that changes when an instrument or its ranges do."""
    if bench is None:
        return None
    told = {
        role: one.model_dump(mode="json", exclude={"address", "ambient_c"})
        for role, one in (("reference", bench.reference), ("output", bench.output))
    }
    told["reference_is"] = bench.reference_is.model_dump(mode="json")
    return sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:16]


def rests_on_another(study: GaugeStudy, bench: Bench | None) -> bool:
    """Whether a study was made on a bench that is not the one there is now."""
    return study.bench is not None and study.bench != bench_name(bench)


def to_repeat(
    studies: Sequence[GaugeStudy], bench: Bench | None
) -> tuple[GaugeStudy, ...]:
    """Return the latest study of each kind and range that rests on another bench."""
    latest = {(one.kind, one.range, one.unit): one for one in studies}
    return tuple(one for one in latest.values() if rests_on_another(one, bench))
