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


def to_repeat(
    studies: Sequence[GaugeStudy], bench: Bench | None
) -> tuple[GaugeStudy, ...]:
    """Return the latest study of each range that was made on another bench."""
    now = bench_name(bench)
    latest = {one.range: one for one in studies}
    return tuple(
        one for one in latest.values() if one.bench is not None and one.bench != now
    )
